"""The interfaces: by which of them strangers come in, and whether both address families do."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from typing import Final

from attrs import frozen
from pyroute2 import IPRoute

from portress.config.model import Config
from portress.doctor.probe.finding import Finding

_GLOBAL: Final = 0  # RT_SCOPE_UNIVERSE
_FAMILIES: Final = {4: socket.AF_INET, 6: socket.AF_INET6}
FAMILY_NAMES: Final = {4: "IPv4", 6: "IPv6"}


@frozen
class Links:
    """`names`: every interface. `addresses`: all of this host's, as text, and the family of the global ones.
    `ways`: (family, interface) of each default route."""

    names: frozenset[str]
    addresses: frozenset[str]
    families: frozenset[int]
    ways: frozenset[tuple[int, str]]

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
    with IPRoute() as route:
        names = {link["index"]: str(link.get_attr("IFLA_IFNAME")) for link in route.get_links()}
        for number, family in _FAMILIES.items():
            for one in route.get_addr(family=family):
                addresses.add(str(one.get_attr("IFA_ADDRESS") or one.get_attr("IFA_LOCAL")))
                if one["scope"] == _GLOBAL:
                    families.add(number)
            for one in route.get_default_routes(family=family):
                ways |= {(number, names[index]) for index in _indices(one) if index in names}
    return Links(frozenset(names.values()), frozenset(addresses), frozenset(families), frozenset(ways))


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
