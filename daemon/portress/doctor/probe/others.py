"""What the other tables mean for each door: drops that make it useless, accepts that are never reached, ways
round it. Judged on strangers' packets, followed by `passage`."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from ipaddress import ip_network
from typing import Any, Final

from portress.config.model import Config, Door
from portress.doctor.probe.finding import Finding
from portress.doctor.probe.links import FAMILY_NAMES, Links
from portress.doctor.probe.packet import leaves, stranger
from portress.doctor.probe.passage import Journey, journey
from portress.doctor.probe.rules import Tables
from portress.knock import PROTOCOL_NAMES, PROTOCOLS, Knock, Service

_UFW: Final = re.compile(r"table ip6? filter, chain (?:INPUT|ufw\S*)")
_MOST: Final = 256  # ports looked at for ways round a door

Follow = Callable[[int, int, str, str | None], Journey]  # family, knock, entrance, destination


class Neighbourhood:
    """The other tables as strangers at this host's entrances meet them."""

    def __init__(self, config: Config, tables: Tables, links: Links, served: frozenset[int]) -> None:
        """`served`: the knocks that programs of this host answer."""
        self.config = config
        self.served = served
        self.tables = tables
        self.entrances = links.entrances(config)
        self.families = tuple(sorted(links.families)) or (4, 6)
        self._addresses = links.addresses
        self.own = tuple(ip_network(one) for one in sorted(links.addresses))
        self.travel: Follow = cache(self._travel)  # None: to this host

    def _travel(self, family: int, knock: int, entrance: str, target: str | None) -> Journey:
        addresses = self._addresses
        return journey(self.tables, stranger(family, knock, entrance, target, addresses), addresses)

    def journeys(self, knock: int, family: int) -> list[Journey]:
        """One to this host itself for each entrance."""
        return [self.travel(family, knock, entrance, None) for entrance in self.entrances]

    def dropped(self, knock: int, family: int) -> dict[str, set[str]]:
        """`before` and `after` the guard -> the chains that drop it; empty if it may pass somewhere.

        What may come to the guard all the same is not dropped before it.
        """
        journeys = self.journeys(knock, family)
        ends = [end for one in journeys for end in one.stranger]
        if any(end.passed for end in ends):
            return {}
        heard = any(not path.sources for one in journeys for _, path in one.at_guard)
        found: dict[str, set[str]] = {}
        sure = [end for end in ends if not end.path.assumed] or ends  # what decides where nothing odd applies
        for end in sure:
            if end.stage == "after" or not heard:
                found.setdefault(end.stage, set()).add(end.where)
        return found

    def forwarded(self) -> frozenset[int]:
        """Guarded and public ports that are passed on to another host or container."""
        knocks = {knock for service in _services(self.config) for knock in _ends(service)}
        knocks |= {
            knock for knock in self.dialled() if any(knock in service for service in _services(self.config))
        }
        return frozenset(
            knock
            for knock in knocks
            if any(
                end.packet.target is not None
                for family in self.families
                for one in self.journeys(knock, family)
                for end in one.stranger
                if end.passed
            )
        )

    def dialled(self) -> list[int]:
        """Ports that rules of tables with translations (DNAT, redirect) name, as knocks."""
        found: dict[int, None] = {}
        for rule in self.translating():
            found |= dict.fromkeys(_named(rule))
        return list(found)[:_MOST]

    def translating(self) -> Iterator[tuple[Any, ...]]:
        """The rules of all tables with translations."""
        chains = self.tables.chains.values()
        tables = {
            chain.key[:2]
            for chain in chains
            if any("dnat" in one or "redirect" in one for rule in chain.rules for one in rule)
        }
        for chain in chains:
            if chain.key[:2] in tables:
                yield from chain.rules


def _services(config: Config) -> list[Service]:
    """Those of this host itself."""
    services = (*(one for door in config.doors.values() for one in door.services), *config.public)
    return [one for one in services if one.to is None]


def _ends(service: Service) -> set[int]:
    """A service's first and last port, as knocks: enough to tell how rules treat it."""
    return {service.protocol << 16 | service.first, service.protocol << 16 | service.last}


def _named(rule: Iterable[Any]) -> Iterator[int]:
    """The ports a rule compares with, for the protocols it is for."""
    for expression in rule:
        match = expression.get("match") or {}
        pairs = [(match.get("left"), match.get("right"))] if match else []
        for target in ("dnat", "vmap"):
            inner = expression.get(target) or {}
            mapped = inner.get("addr") if target == "dnat" else inner
            mapped = mapped.get("map", mapped) if isinstance(mapped, dict) else {}
            if "key" in mapped and isinstance(mapped.get("data"), dict):
                pairs.append((mapped["key"], [pair[0] for pair in mapped["data"].get("set", ())]))
        for left, right in pairs:
            payload = left.get("payload", {}) if isinstance(left, dict) else {}
            if payload.get("field") != "dport":
                continue
            protocols = (
                [PROTOCOLS[payload["protocol"]]] if payload["protocol"] in PROTOCOLS else PROTOCOLS.values()
            )
            for leaf in leaves(right):
                port = leaf["range"][0] if isinstance(leaf, dict) and "range" in leaf else leaf
                if isinstance(port, int) and 0 < port < 65536:
                    yield from (protocol << 16 | port for protocol in protocols)


def judge(around: Neighbourhood) -> Iterator[Finding]:
    """What the other tables mean for the doors."""
    if around.tables.legacy:
        yield Finding(
            "iptables-legacy",
            "warning",
            f"iptables-legacy rules are loaded (tables {', '.join(around.tables.legacy)})",
            "nftables does not show them, so doctor cannot check what they drop or translate",
            "move them: iptables-legacy-save | iptables-nft-restore, then flush them with iptables-legacy -F",
        )
    for door in around.config.doors.values():
        for service in (one for one in door.services if one.to is None):
            yield from _useless(around, door, service)
            yield from _early(around, door, service)
            yield from _unreached(around, door, service)
        yield from _unheard(around, door)
    yield from _round(around)


def _useless(around: Neighbourhood, door: Door, service: Service) -> Iterator[Finding]:
    """Drops that nobody who is let in gets past."""
    for stage in ("before", "after"):
        shut = {
            family: wheres
            for family in around.families
            for knock in _ends(service)
            if (wheres := around.dropped(knock, family).get(stage))
        }
        if not shut:
            continue
        where = "; ".join(sorted(set().union(*shut.values())))
        only = (
            ""
            if len(shut) == len(around.families)
            else f" over {' and '.join(FAMILY_NAMES[f] for f in shut)}"
        )
        name = f"dropped-{stage}" if not only else "dropped-one-family"
        yield Finding(
            name,
            "error",
            f"{service} is dropped{only} in {where}",
            f"this comes {stage} the guard: the door opens, but admitted sources{only} do not get through",
            _allow(around.tables, service, where)
            if stage == "after"
            else f"let {service} and the knocks pass there, or drop them after priority -150",
            door.name,
            service=str(service),
        )


def _allow(tables: Tables, service: Service, where: str) -> str:
    """How to accept a service where it is dropped, in the firewall's own command where that is known."""
    protocol, one = PROTOCOL_NAMES[service.protocol], service.first == service.last
    command = ""
    if "inet firewalld" in where:
        ports = f"{service.first}" if one else f"{service.first}-{service.last}"
        command = f"firewall-cmd --permanent --add-port={ports}/{protocol} && firewall-cmd --reload"
    elif any(chain.startswith("ufw") for _, _, chain in tables.chains) and _UFW.search(where):
        ports = f"{service.first}" if one else f"{service.first}:{service.last}"
        command = f"ufw allow {ports}/{protocol}"
    how = f"{command} (" if command else f"accept {service} there ("
    return f"{how}the guard keeps it closed to strangers)"


def _early(around: Neighbourhood, door: Door, service: Service) -> Iterator[Finding]:
    """What is done to a door's packets before the guard sees them."""
    states = [
        (state, family)
        for family in around.families
        for knock in _ends(service)
        for one in around.journeys(knock, family)
        for state in one.at_guard
        if not state[1].sources
    ]
    if any(path.untracked for (_, path), _ in states):
        yield Finding(
            "untracked",
            "warning",
            f"{service} is exempt from connection tracking (notrack)",
            "the guard cannot recognise established sessions: they end with the stay, and are never cut",
            f"take the notrack rule for {service} out",
            door.name,
            service=str(service),
        )
    if any(packet.translated for (packet, _), _ in states):
        yield Finding(
            "translated-before",
            "error",
            f"{service} is translated before the guard sees it",
            "the guard matches the port that clients dial and never sees it: the door is open",
            "translate after the guard, in a nat chain",
            door.name,
            opens=True,
            service=str(service),
        )


def _unreached(around: Neighbourhood, door: Door, service: Service) -> Iterator[Finding]:
    """Sources that another table lets in by name, and that the guard shuts out before it gets to that."""
    named = {
        source
        for family in around.families
        for knock in _ends(service)
        for one in around.journeys(knock, family)
        for end in one.ends
        if end.passed and end.path.granted
        for source in end.path.sources
    }
    lost = sorted(source for source in named if not sure_to_be_always(around.config, source))
    if lost:
        yield Finding(
            "accept-unreached",
            "warning",
            f"another table accepts {service} from {'; '.join(lost)}",
            "the guard comes first: those sources, too, have to knock, and the accept is not reached before",
            "add them to always if they need not knock",
            door.name,
        )


def sure_to_be_always(config: Config, source: str) -> bool:
    """Whether all that a rule names need not knock anyway."""
    for word in source.split(", "):
        try:
            network = ip_network(word, strict=False)
        except ValueError:
            return False
        if not any(network.version == one.version and network.subnet_of(one) for one in config.always):  # type: ignore[arg-type]  # the versions are equal
            return False
    return True


def _unheard(around: Neighbourhood, door: Door) -> Iterator[Finding]:
    """Knocks that are dropped before the guard hears them."""
    lost: dict[str, set[str]] = {}
    for knock in _knocks(door):
        for family in around.families:
            for where in around.dropped(knock, family).get("before", ()):
                lost.setdefault(where, set()).add(FAMILY_NAMES[family])
    for where, families in lost.items():
        yield Finding(
            "knock-unheard",
            "error",
            f"knocks are dropped over {' and '.join(sorted(families))} in {where}",
            "this is before the guard, which never sees them: the door cannot be opened",
            "drop them after priority -150, or accept the knocks there",
            door.name,
        )


def _knocks(door: Door) -> list[int]:
    """A door's fixed knocks, and the ends and the middle of what is drawn from."""
    fixed = [one for one in (door.fixed, door.leaving_fixed) if one is not None]
    found: list[int] = [knock for one in fixed for knock in one.knocks]
    if door.rotating is not None:
        first, last = door.rotating.pool
        ports = (first, (first + last) // 2, last)
        found += [Knock.of(protocol, port) for protocol in door.rotating.protocols for port in ports]
    if door.authenticator is not None:
        found += [Knock.of(PROTOCOLS["tcp"], door.authenticator.base + 133 * step) for step in range(4)]
    return found


def _round(around: Neighbourhood) -> Iterator[Finding]:
    """Ports that strangers dial and that lead to a guarded service without passing its door."""
    elsewhere = around.forwarded()
    for knock in around.dialled():
        if any(knock in service for service in _services(around.config)):
            continue
        for inner, target in sorted(_reached(around, knock), key=str):
            door = _door_of(around.config, inner)
            if door is None or (target is not None and (inner in around.served or inner in elsewhere)):
                continue  # of another host: its port of the same number has no door here
            there = Knock(inner) if target is None else f"{Knock(inner)} of {target}"
            yield Finding(
                "way-round",
                "error",
                f"{Knock(knock)} leads to {there}",
                "the guard looks at the port that strangers dial, and that one is not guarded: this is a way "
                "round the door",
                f"add {Knock(knock)} to the door's services",
                door.name,
                opens=True,
            )


def _reached(around: Neighbourhood, knock: int) -> set[tuple[int, str | None]]:
    """Where a port leads that is translated after the guard: knock and, if not on this host, target."""
    return {
        (end.packet.knock, end.packet.target)
        for family in around.families
        for one in around.journeys(knock, family)
        if not any(packet.translated for packet, _ in one.at_guard)
        for end in one.stranger
        if end.passed and end.packet.translated
    }


def _door_of(config: Config, knock: int) -> Door | None:
    doors = config.doors.values()
    return next(
        (door for door in doors if any(knock in one for one in door.services if one.to is None)), None
    )
