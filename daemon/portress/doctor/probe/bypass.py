"""Destinations by which a door is passed by: a container's own address, one that is translated to this host.

In: the other tables, and what the kernel routes where. Out: a finding for each, with the line to write. The
guard keeps this host's own addresses; for others a door's service has to name the destination.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from ipaddress import IPv4Network, IPv6Network, ip_network
from typing import Any, Final

from attrs import evolve, frozen

from portress.config.model import Door
from portress.doctor.probe.finding import Finding
from portress.doctor.probe.links import Links
from portress.doctor.probe.others import Neighbourhood
from portress.doctor.probe.packet import leaves
from portress.knock import Knock, Service

_MOST: Final = 64  # destinations that are looked at

Network = IPv4Network | IPv6Network
Inner = tuple[str, int]  # an address of another host, and a knock there


@frozen
class _Way:
    """A way past a door: the service that is missing, and what makes it a way."""

    door: str
    service: Service
    leads: str


def judge(around: Neighbourhood, links: Links) -> Iterator[Finding]:
    """The ways past each door."""
    behind = _behind(around)
    ways = sorted({*_direct(around, links, behind), *_translated(around, behind)}, key=_in_order)
    for way in ways:
        door = around.config.doors[way.door]
        missing = [one.service for one in ways if one.door == way.door]
        yield Finding(
            "passed-by",
            "error",
            f"{way.service} passes the door by: {way.leads}",
            "the guard keeps this host's own addresses: who is not admitted gets in by that one",
            f"write in doors.{way.door}:  services: [{_listed([*door.services, *dict.fromkeys(missing)])}]",
            way.door,
        )


def _in_order(way: _Way) -> tuple[str, Service]:
    return way.door, way.service


def _listed(services: Iterable[Service]) -> str:
    return ", ".join(str(one) if one.to is None else f'"{one}"' for one in services)


def _behind(around: Neighbourhood) -> dict[Inner, Door]:
    """Where what is dialled at a guarded port of this host's own is passed on to, and whose door that is."""
    found: dict[Inner, Door] = {}
    for door in around.config.doors.values():
        for knock in _knocks(around, (one for one in door.services if one.to is None)):
            for family in around.families:
                for one in around.journeys(knock, family):
                    for end in one.stranger:
                        if end.passed and end.packet.target is not None:
                            found.setdefault((end.packet.target, end.packet.knock), door)
    return found


def _knocks(around: Neighbourhood, services: Iterable[Service]) -> list[int]:
    """The ends of the services, and what rules name of them."""
    dialled = around.dialled()
    found: dict[int, None] = {}
    for one in services:
        found |= dict.fromkeys((one.protocol << 16 | one.first, one.protocol << 16 | one.last))
        found |= dict.fromkeys(knock for knock in dialled if knock in one)
    return list(found)


def _direct(around: Neighbourhood, links: Links, behind: dict[Inner, Door]) -> Iterator[_Way]:
    """Hosts and containers behind a door that strangers can dial under their own address."""
    for (target, knock), door in behind.items():
        to = _network(target)
        if to is None or to.version not in links.forwards or _covered(around, to, knock):
            continue
        route = links.route(to)
        if route is None:
            continue
        for entrance in around.entrances:
            journey = around.travel(to.version, knock, entrance, target)
            if entrance != route.interface and any(
                end.passed and end.packet.target == target for end in journey.stranger
            ):
                leads = f"this host passes packets on to it, by the route {route}"
                yield _Way(door.name, _service(knock, to), leads)


def _translated(around: Neighbourhood, behind: dict[Inner, Door]) -> Iterator[_Way]:
    """Addresses that are none of this host's and that a rule translates to what is behind a door."""
    config = around.config
    knocks = _knocks(around, (one for door in config.doors.values() for one in door.services))
    knocks += [one for one in around.dialled() if one not in knocks]
    for to in _places(around):
        for knock in knocks:
            if _covered(around, to, knock):
                continue
            for entrance in around.entrances:
                for end in around.travel(to.version, knock, entrance, str(to[0])).stranger:
                    if end.passed and end.packet.translated:
                        inner, target = end.packet.knock, end.packet.target
                        door = _door(around, target, inner, behind)
                        if door is not None:
                            there = f"{Knock(inner)} of {target or 'this host'}"
                            yield _Way(door.name, _service(knock, to), f"a rule translates it to {there}")


def _door(around: Neighbourhood, target: str | None, knock: int, behind: dict[Inner, Door]) -> Door | None:
    """The door that stands before that place."""
    if target is not None and (target, knock) in behind:
        return behind[target, knock]
    to = None if target is None else _network(target)
    for door in around.config.doors.values():
        for one in door.services:
            if knock in one and (
                one.to is None if target is None else to is not None and _within(to, one.to)
            ):
                return door
    return None


def _within(to: Network, other: Network | None) -> bool:
    return other is not None and to.version == other.version and to.subnet_of(other)  # type: ignore[arg-type]


def _covered(around: Neighbourhood, to: Network, knock: int) -> bool:
    """Whether a service names that destination: guarded, or open to all on purpose."""
    services = [
        *around.config.public,
        *(one for door in around.config.doors.values() for one in door.services),
    ]
    return any(knock in one and _within(to, one.to) for one in services)


def _service(knock: int, to: Network) -> Service:
    service = Service.parse(str(Knock(knock)))
    return evolve(service, to=to)


def _places(around: Neighbourhood) -> list[Network]:
    """The destinations that translating rules name, without this host's own."""
    found: dict[Network, None] = {}
    for rule in around.translating():
        for expression in rule:
            for right in _destinations(expression):
                for leaf in leaves(right):
                    to = _network(_written(leaf))
                    if to is not None and not any(_within(mine, to) for mine in around.own):
                        found[to] = None
    return list(found)[:_MOST]


def _destinations(expression: dict[str, Any]) -> Iterator[Any]:
    """What a rule compares the destination with, or looks it up in."""
    match = expression.get("match") or {}
    if _is_daddr(match.get("left")) and match.get("op") == "==":
        yield match["right"]
    for target in ("dnat", "vmap"):
        inner = expression.get(target) or {}
        mapped = inner.get("addr") if target == "dnat" else inner
        mapped = mapped.get("map", mapped) if isinstance(mapped, dict) else {}
        if _is_daddr(mapped.get("key")) and isinstance(mapped.get("data"), dict):
            yield [pair[0] for pair in mapped["data"].get("set", ())]


def _is_daddr(left: Any) -> bool:
    return isinstance(left, dict) and left.get("payload", {}).get("field") == "daddr"


def _written(leaf: Any) -> str:
    if isinstance(leaf, dict) and "prefix" in leaf:
        return f"{leaf['prefix']['addr']}/{leaf['prefix']['len']}"
    return str(leaf)


def _network(text: str) -> Network | None:
    try:
        return ip_network(text)
    except ValueError:
        return None
