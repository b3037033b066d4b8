"""The usual topology.

    stranger ──┐ eth0                        back0
               ├────── host (the one guarded) ────── backend
    another  ──┘ eth1

A crowd of forged sources (512 IPv4 addresses, any number of IPv6 ones) is routed back to `stranger`, which
owns none of them: answers to forged packets go there and die there, and no neighbour look-up fails meanwhile.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_network
from typing import ClassVar

from lab.space import Namespace, link, namespace

_CROWD4 = ("192.0.2.0/24", "203.0.113.0/24")
_CROWD6 = "2001:db8:c::/48"
Pair = tuple[str, str]  # an IPv4 and an IPv6 address


@dataclass(frozen=True)
class World:
    """The namespaces and their addresses. The host is dialled at `host4` and `host6` from everywhere."""

    host: Namespace
    stranger: Namespace
    another: Namespace
    backend: Namespace | None

    host4: ClassVar[str] = "198.51.100.1"
    host6: ClassVar[str] = "2001:db8:1::1"
    stranger4: ClassVar[str] = "198.51.100.10"
    stranger6: ClassVar[str] = "2001:db8:1::10"
    another4: ClassVar[str] = "198.51.100.70"
    another6: ClassVar[str] = "2001:db8:2::70"
    backend4: ClassVar[str] = "198.51.100.130"
    backend6: ClassVar[str] = "2001:db8:3::130"

    def forward(self, protocol: str, port: int, to: int) -> None:
        """The host passes what is dialled at its own `port` on to port `to` of the backend (DNAT)."""
        self.host.nft(
            f"""
            table inet forwarding {{
              chain dial {{
                type nat hook prerouting priority dstnat;
                ip daddr {self.host4} {protocol} dport {port} dnat ip to {self.backend4}:{to}
                ip6 daddr {self.host6} {protocol} dport {port} dnat ip6 to [{self.backend6}]:{to}
              }}
            }}"""
        )


def crowd(count: int, family: int = 4) -> list[str]:
    """`count` different addresses for forged sources; at most 512 for family 4.

    Of family 6 the first 65,536 are in networks of 64 bits of their own: as many sources as Portress counts
    if nothing else is said.
    """
    if family == 6:
        first = int(ip_network(_CROWD6).network_address)
        networks = 1 << 16
        return [
            str(IPv6Address(first + (number % networks << 64) + (number // networks << 16) + 1))
            for number in range(count)
        ]
    addresses = [str(address) for network in _CROWD4 for address in ip_network(network)]
    if count > len(addresses):
        raise ValueError(f"a crowd has at most {len(addresses)} IPv4 addresses")
    return addresses[:count]


def _attach(
    host: Namespace, device: str, gates: Pair, ns: Namespace, addresses: Pair, routes: Sequence[str] = ()
) -> None:
    """A link to the host's `device`, the gateway of the other end; the host has these routes there."""
    mine, theirs = ([f"{four}/26", f"{six}/64"] for four, six in (gates, addresses))
    default = [f"default via {gate}" for gate in gates]
    link(host, device, mine, ns, "eth0", theirs, one_routes=routes, two_routes=default)


def plug(host: Namespace, stranger: Namespace, another: Namespace) -> None:
    """Make `host` the host of both strangers, with the addresses of World and the crowd routed back."""
    crowd4 = [f"{network} via {World.stranger4}" for network in _CROWD4]
    routes = [*crowd4, f"{_CROWD6} via {World.stranger6}"]
    _attach(host, "eth0", (World.host4, World.host6), stranger, (World.stranger4, World.stranger6), routes)
    _attach(host, "eth1", ("198.51.100.65", "2001:db8:2::1"), another, (World.another4, World.another6))


@contextlib.contextmanager
def world(*, backend: bool = False) -> Iterator[World]:
    """Host and two strangers, each at an interface of its own (eth0, eth1), and a backend if wanted."""
    with contextlib.ExitStack() as stack:
        host = stack.enter_context(namespace("host"))
        stranger = stack.enter_context(namespace("stranger"))
        another = stack.enter_context(namespace("another"))
        behind = stack.enter_context(namespace("backend")) if backend else None
        w = World(host, stranger, another, behind)
        plug(host, stranger, another)
        if behind:
            _attach(host, "back0", ("198.51.100.129", "2001:db8:3::1"), behind, (w.backend4, w.backend6))
            host.sysctl(net__ipv4__ip_forward=1, net__ipv6__conf__all__forwarding=1)
        yield w
