"""A door is shut at every address by which the host takes a packet: its own, broadcast, multicast, anycast.

What an address is to the kernel is what `ip route get` and RFC 4291 (2.6.1, 2.7) say, not Portress.
"""

from __future__ import annotations

import contextlib
import socket
import time
from collections.abc import Iterator

import pytest

from lab import Namespace, daemon, link, namespace, sender, service, tcp_state, udp_state, until, world
from lab.worlds import World

VPN = """
closed: {closed}
doors:
  vpn: {{services: [udp/51820], stay: 1h, linger: {linger}, fixed: {{knocks: [tcp/4617, udp/2953]}}}}
"""
_SO_BINDTODEVICE = 25  # asm-generic/socket.h


def _send(ns: Namespace, source: str, sport: int, target: str, port: int) -> None:
    """A datagram out of eth0, to any kind of address."""
    six = ":" in target
    with ns.enter(), socket.socket(socket.AF_INET6 if six else socket.AF_INET, socket.SOCK_DGRAM) as out:
        out.setsockopt(socket.SOL_SOCKET, _SO_BINDTODEVICE, b"eth0")
        out.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        out.bind((source, sport))
        where = socket.getaddrinfo(f"{target}%eth0" if target[:2] in ("ff", "fe") else target, port)[0][4]
        out.sendto(b"?", where)


# What a host takes a packet by, directly: RFC 919 (both broadcasts), RFC 1112 (224.0.0.1 is all hosts), RFC
# 4291 (ff02::1 is all nodes; the subnet-router anycast address is the prefix with zeros behind it).
DIRECT = {
    "directed broadcast": "198.51.100.63",
    "limited broadcast": "255.255.255.255",
    "multicast": "224.0.0.1",
    "multicast over IPv6": "ff02::1",
    "anycast": "2001:db8:1::",
    "anycast of a network behind it": "2001:db8:3::",
}


def _reaches(host: Namespace, ns: Namespace, source: str, sport: int, target: str, own: str) -> int:
    """How many get in of a datagram to the target and, when it was answered, one from its port to the host's
    own address. The kernel may take its time to look for an anycast neighbour (RFC 4861, 7.2.7)."""
    with host.enter():
        server = socket.socket(socket.AF_INET6 if ":" in target else socket.AF_INET, socket.SOCK_DGRAM)
    count = 0
    with server:
        server.bind(("", 51820))
        server.settimeout(1.2)
        for each in (target, own):
            _send(ns, source, sport, each, 51820)
            with contextlib.suppress(TimeoutError):
                data, peer = server.recvfrom(100)
                server.sendto(data, peer)
                count += 1
    return count


def _met(w: World, sport: int) -> dict[str, int]:
    """How many datagrams of a stranger get in by each of them."""
    return {
        name: _reaches(
            w.host,
            w.stranger,
            w.stranger6 if ":" in target else w.stranger4,
            sport + number,
            target,
            w.host6 if ":" in target else w.host4,
        )
        for number, (name, target) in enumerate(DIRECT.items())
    }


@pytest.mark.parametrize("closed", ["drop", "reject"])
@pytest.mark.parametrize("linger", ["true", "false"])
def test_a_door_is_shut_for_broadcast_multicast_and_anycast(closed: str, linger: str) -> None:
    with (
        world(backend=True) as w,
        daemon(w.host, VPN.format(closed=closed, linger=linger), guard=False, start=False) as d,
    ):
        assert _met(w, 40000) == dict.fromkeys(DIRECT, 2), "the host itself takes all of them"
        d.verb("guard")
        assert _met(w, 41000) == dict.fromkeys(DIRECT, 0)


@contextlib.contextmanager
def _far(w: World) -> Iterator[Namespace]:
    """Somebody behind the router that `stranger` is."""
    with namespace("far") as far:
        link(w.stranger, "far0", ["203.0.113.1/24", "2001:db8:c:1::1/64"], far, "eth0",
             ["203.0.113.9/24", "2001:db8:c:1::9/64"])  # fmt: skip
        far.ip("route add default via 203.0.113.1", "route add default via 2001:db8:c:1::1")
        w.stranger.sysctl(
            net__ipv4__ip_forward=1,
            net__ipv4__conf__all__bc_forwarding=1,
            net__ipv4__conf__far0__bc_forwarding=1,
            net__ipv6__conf__all__forwarding=1,
        )
        w.stranger.ip("route add 2001:db8:3::/64 via 2001:db8:1::1")
        yield far


@pytest.mark.parametrize("closed", ["drop", "reject"])
def test_a_door_is_shut_for_broadcast_and_anycast_through_a_router(closed: str) -> None:
    config = VPN.format(closed=closed, linger="true")
    with world(backend=True) as w, _far(w) as far, daemon(w.host, config, guard=False, start=False) as d:
        for guarded, sport in ((False, 40000), (True, 41000)):
            if guarded:
                d.verb("guard")
            for source, target, own in (
                ("203.0.113.9", "198.51.100.63", w.host4),
                ("2001:db8:c:1::9", "2001:db8:3::", w.host6),
            ):
                assert _reaches(w.host, far, source, sport, target, own) == (0 if guarded else 2), target


def test_a_door_is_shut_at_a_link_local_address_and_at_every_other_address_of_the_host() -> None:
    config = VPN.format(closed="drop", linger="true").replace("udp/51820", "tcp/22")
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, config):
        links = w.host.run(["ip", "-6", "-o", "addr", "show", "dev", "eth0", "scope", "link"]).stdout
        local = links.split()[3].partition("/")[0]
        with w.stranger.enter(), socket.socket(socket.AF_INET6) as dial:
            where = socket.getaddrinfo(f"{local}%eth0", 22)[0][4]
            dial.settimeout(0.5)
            with pytest.raises(TimeoutError):
                dial.connect(where)
        for target in ("198.51.100.65", "2001:db8:2::1"):
            assert tcp_state(w.stranger, target, 22) == "filtered", target


def test_knocks_to_anything_but_the_hosts_own_addresses_do_not_count() -> None:
    config = VPN.format(closed="drop", linger="true").replace("tcp/4617", "udp/4617")
    with world(backend=True) as w, service(w.host, "udp/51820"), daemon(w.host, config) as d:
        for target in DIRECT.values():
            source = w.stranger6 if ":" in target else w.stranger4
            for port in (4617, 2953):
                _send(w.stranger, source, 40000, target, port)
                time.sleep(0.02)
        with sender(w.another) as send:
            send.knocks(w.another4, "198.51.100.65", ["udp/4617", "udp/2953"])
        d.wait_for("admitted", w.another4)
        assert [one["source"] for one in d.status()["admissions"]] == [w.another4]
        assert udp_state(w.another, "198.51.100.65", 51820) == "open"


FTP = """
table inet helpers {
  ct helper ftp { type "ftp" protocol tcp; l3proto inet; }
  chain set_helper { type filter hook prerouting priority filter; tcp dport 21 ct helper set "ftp"; }
}
"""


def test_an_expectation_that_a_helper_was_led_to_make_does_not_pass_a_door() -> None:
    """RFC 959: `227 Entering Passive Mode (h1,h2,h3,h4,p1,p2)` from the server makes the helper expect a
    connection of the client to that port: a server that echoes what a stranger wrote names the door's."""
    config = VPN.format(closed="drop", linger="true").replace("udp/51820", "tcp/8022")
    with world() as w, service(w.host, "tcp/8022"), service(w.host, "tcp/21"):
        w.host.nft(FTP)
        assert _expected(w), "without a door the expectation is made"
        with daemon(w.host, config):
            assert not _expected(w)
            assert _icmp_goes_on(w)


def _expected(w: World) -> bool:
    """Whether a connection to tcp/8022 is made that the helper was led to expect."""
    with w.stranger.enter():
        control = socket.create_connection((w.host4, 21), timeout=3)
    with control:
        assert control.recv(100) == b"portress lab\n"
        control.sendall(f"227 Entering Passive Mode ({w.host4.replace('.', ',')},31,86).\r\n".encode())
        assert control.recv(200).startswith(b"227")
        expected = w.host.run(["conntrack", "-L", "expect"]).stdout
        assert "dport=8022" in expected, expected
        return tcp_state(w.stranger, w.host4, 8022) == "open"


def _icmp_goes_on(w: World) -> bool:
    """An ICMP error about a connection of the host's own is not lost: it ends with `refused`."""
    until(lambda: udp_state(w.host, w.stranger4, 9001) == "closed", 5)
    return udp_state(w.host, w.stranger6, 9001) == "closed"
