"""The interfaces: by which of them strangers come in, and whether both address families do."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_network
from pathlib import Path
from typing import Final

from attrs import frozen
from pyroute2 import IPRoute

from portress.config.model import Config
from portress.doctor.probe.finding import Finding

_GLOBAL: Final = 0  # RT_SCOPE_UNIVERSE
_MAIN: Final = 254  # RT_TABLE_MAIN
_ANYWHERE: Final = {4: str(IPv4Address(0)), 6: str(IPv6Address(0))}
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
        """Where strangers come in: the interfaces of `outside`, else of default routes, else all but lo."""
        if config.outside:
            return tuple(name for name in config.outside if name in self.names)
        return tuple(sorted({name for _, name in self.ways} - {"lo"})) or tuple(sorted(self.names - {"lo"}))


def read() -> Links:
    """Ask the kernel over rtnetlink."""
    addresses: set[str] = set()
    families: set[int] = set()
    ways: set[tuple[int, str]] = set()
    routes: list[Route] = []
    with IPRoute() as route:
        names = {link["index"]: str(link.get_attr("IFLA_IFNAME")) for link in route.get_links()}
        for number, family in _FAMILIES.items():
            for one in route.get_addr(family=family):
                addresses.add(str(one.get_attr("IFA_ADDRESS") or one.get_attr("IFA_LOCAL")))
                if one["scope"] == _GLOBAL:
                    families.add(number)
            for one in route.get_default_routes(family=family):
                ways |= {(number, names[index]) for index in _indices(one) if index in names}
            for one in route.get_routes(family=family, table=_MAIN):
                to = ip_network((one.get_attr("RTA_DST") or _ANYWHERE[number], one["dst_len"]), strict=False)
                routes += [Route(to, names[index]) for index in _indices(one) if index in names]
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


def _indices(route: object) -> Iterator[int]:
    """The interfaces of a route, of several next hops if it has them."""
    index = route.get_attr("RTA_OIF")  # type: ignore[attr-defined]  # pyroute2 has no types
    if index is not None:
        yield index
    for hop in route.get_attr("RTA_MULTIPATH") or ():  # type: ignore[attr-defined]
        yield hop["oif"]


def judge(config: Config, links: Links) -> Iterator[Finding]:
    """What `outside` leaves open, and what it names in vain."""
    if not config.outside:
        return
    for name in config.outside:
        if name not in links.names:
            yield Finding(
                "outside-absent",
                "warning",
                f"outside: there is no interface {name} now",
                "a misspelt name guards nothing; one that comes later is guarded from then on",
                f"correct it if it is misspelt; ip -br link shows {', '.join(sorted(links.names - {'lo'}))}",
            )
    for family, name in sorted(links.ways):
        if name in config.outside or name == "lo":
            continue
        other = next((o for f, o in sorted(links.ways) if f != family and o in config.outside), None)
        there = f", though over {FAMILY_NAMES[10 - family]} they are shut (at {other})" if other else ""
        yield Finding(
            "outside-incomplete",
            "error",
            f"the {FAMILY_NAMES[family]} default route goes by {name}, which outside does not name",
            f"strangers who come in there over {FAMILY_NAMES[family]} find every door open{there}",
            f"add {name} to outside, or leave outside out: then every interface but lo is guarded",
            opens=True,
        )
