"""The interfaces: by which of them strangers come in, and whether both address families do."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from ipaddress import IPv4Network, IPv6Network
from pathlib import Path
from typing import Final

from attrs import frozen

from portress.config.model import Config
from portress.doctor.probe.finding import Finding
from portress.rtnetlink import GLOBAL, MAIN, RtNetlink

_FORWARDING: Final = {
    4: Path("/proc/sys/net/ipv4/ip_forward"),
    6: Path("/proc/sys/net/ipv6/conf/all/forwarding"),
}
_FAMILIES: Final = {4: socket.AF_INET, 6: socket.AF_INET6}
FAMILY_NAMES: Final = {4: "IPv4", 6: "IPv6"}


@frozen
class Route:
    """Where packets to a network go."""

    to: IPv4Network | IPv6Network
    interface: str

    def __str__(self) -> str:
        return f"{self.to} dev {self.interface}"


@frozen
class Links:
    """`names`: every interface. `addresses`: all of this host's, as text, and the family of the global ones.
    `ways`: (family, interface) of each default route. `routes`: of the main table, the default ones too.
    `forwards`: the families of which this host passes packets on."""

    names: frozenset[str]
    addresses: frozenset[str]
    families: frozenset[int]
    ways: frozenset[tuple[int, str]]
    routes: tuple[Route, ...] = ()
    forwards: frozenset[int] = frozenset()

    def route(self, to: IPv4Network | IPv6Network) -> Route | None:
        """The route that packets to that address take."""
        fitting = [one for one in self.routes if one.to.version == to.version and to[0] in one.to]
        return max(fitting, key=lambda one: one.to.prefixlen, default=None)

    def entrances(self, config: Config) -> tuple[str, ...]:
        """Where strangers come in: the guarded interfaces of default routes, else all that are guarded."""
        inside = {"lo", *config.inside}
        return tuple(sorted({name for _, name in self.ways} - inside)) or tuple(sorted(self.names - inside))


def read() -> Links:
    """Ask the kernel over rtnetlink. Raises OSError."""
    addresses: set[str] = set()
    families: set[int] = set()
    ways: set[tuple[int, str]] = set()
    routes: list[Route] = []
    with RtNetlink() as kernel:
        names = kernel.names()
        for number, family in _FAMILIES.items():
            for one in kernel.addresses(family):
                addresses.add(one.text)
                if one.scope == GLOBAL:
                    families.add(number)
            for way in kernel.routes(family):
                through = [names[index] for index in way.interfaces if index in names]
                if way.table == MAIN:
                    routes += [Route(way.to, name) for name in through]
                    if way.to.prefixlen == 0:
                        ways |= {(number, name) for name in through}
    found = (frozenset(names.values()), frozenset(addresses), frozenset(families), frozenset(ways))
    return Links(*found, tuple(routes), _forwards())


def _forwards() -> frozenset[int]:
    """The families of which this host passes packets on (ip-sysctl of the kernel)."""
    return frozenset(family for family, path in _FORWARDING.items() if _text(path) not in ("", "0"))


def _text(path: Path) -> str:
    try:
        return path.read_text().strip()
    except OSError:
        return ""


def judge(config: Config, links: Links) -> Iterator[Finding]:
    """What `inside` leaves open, and what it names in vain."""
    for name in config.inside:
        if name not in links.names:
            yield Finding(
                "inside-absent",
                "warning",
                f"inside: there is no interface {name} now",
                "one that comes under that name later is not guarded",
                "correct it if it is misspelt, or take it out; ip -br link shows"
                f" {', '.join(sorted(links.names - {'lo'}))}",
            )
    for family, name in sorted(links.ways):
        if name in config.inside and name not in config.inside_default_route:
            yield Finding(
                "inside-default-route",
                "error",
                f"the {FAMILY_NAMES[family]} default route goes by {name}, which is inside",
                f"strangers who come in there over {FAMILY_NAMES[family]} find every door open",
                f"take {name} out of inside, or, if that is meant, add  inside_default_route: [{name}]",
                opens=True,
            )
