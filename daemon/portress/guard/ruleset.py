"""Config -> the guard, as libnftables JSON. Pure data: nothing here talks to the kernel.

The way of a packet through it is drawn in DESIGN, "The guard". Sets that live (admissions, callers,
shunned) are told from sets that only mirror the configuration, so that a reload can leave the first as
they are and replace the others.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from typing import Final

from attrs import frozen

from portress.config.model import Config, Door
from portress.guard.expressions import (
    ACCEPT,
    ADDRESS,
    COUNTER,
    DROP,
    FAMILY,
    KNOCK,
    KNOCK_TYPE,
    SADDR,
    TABLE,
    Json,
    among,
    chain,
    element,
    is_,
    knock_element,
    meter,
    named_map,
    named_set,
    rule,
    service_element,
    update,
)
from portress.knock import SECOND, Service

ENTRY: Final = "entry"
REPORT: Final = "report"
RANGES: Final = "_ranges"  # behind the name of a set of services: those of ranges of ports
FULL: Final = "callers_full"  # the counter of first knocks that found no room in callers
UNHEARD: Final = "unheard"  # the counter of knocks that no line was written of, or that found no room
HEARD: Final = "heard"  # what the counter watcher polls: heard_4, heard_6
KNOCKS: Final = "knocks"  # how many knocks of each source came, for the same: knocks_4, knocks_6
PACED: Final = "paced"  # how fast each source is heard: paced_4, paced_6; a counter of what came faster
DISMISSED: Final = "dismissed"  # sources whose every packet needs an admission: dismissed_4, dismissed_6
DISMISSED_SIZE: Final = 65536  # sources of a family
DISMISSED_FOR: Final = 86400  # s since the last packet
PRIORITY: Final = -150  # after conntrack (-200), before destination NAT (-100)
SNAPLEN: Final = 96  # bytes of a knock that are reported: enough for IPv6 extension headers and TCP
TOGETHER: Final = 64  # packets reported in one message at the most; the watcher says how many it wants
MARGIN: Final = 2 * SECOND  # the kernel remembers a caller longer than the tracker, which is the judge
LOG_RATE: Final = 2000  # kernel log lines a second at the most, for `watch: journal`
# Of one source in a second, and at once, where hearing costs more than a packet: a sequence has at most 16
# knocks, and whoever sweeps all ports must leave room for others.
PACE: Final = 10
PACE_AT_ONCE: Final = 32
HEARD_SIZE: Final = 16384  # knocks of a family: what can be polled ten times a second (see watch/counter.py)


@frozen
class Ruleset:
    """The guard as data: `living` sets keep their elements over a reload, `mirrors` are made anew.

    `comment` stands on the first rule: it tells a guard in the kernel from one of another configuration.
    """

    living: tuple[Json, ...]
    mirrors: tuple[Json, ...]
    chains: tuple[Json, ...]
    rules: tuple[Json, ...]
    elements: tuple[Json, ...]
    comment: str
    prefixes: tuple[int, int]  # bits of an IPv4 and of an IPv6 address that count as one source

    @property
    def sets(self) -> tuple[Json, ...]:
        return self.living + self.mirrors


def door_chain(door: str) -> str:
    """The chain a packet to one of the door's services goes through."""
    return f"door_{door}"


def door_set(door: str, family: int) -> str:
    """The set of the door's admissions of that address family (4 or 6)."""
    return f"{door}_{family}"


def dismissed_set(family: int) -> str:
    """The set of sources of that address family (4 or 6) that were dismissed."""
    return f"{DISMISSED}_{family}"


def source_expression(config: Config, family: int) -> Json:
    """The source of a packet: its address, or as much of it as the configuration counts."""
    length, full = (config.prefix_4, 32) if family == 4 else (config.prefix_6, 128)
    if length == full:
        return SADDR[family]
    mask = ((1 << length) - 1) << (full - length)
    if family == 4:
        text = ".".join(str(mask >> shift & 255) for shift in (24, 16, 8, 0))
    else:
        text = ":".join(f"{mask >> shift & 0xFFFF:x}" for shift in range(112, -1, -16))
    return {"&": [SADDR[family], text]}


def _counters(config: Config) -> Iterable[Json]:
    for name in (FULL,) if config.watch == "packet" else (FULL, UNHEARD, PACED):
        yield {"counter": {"family": FAMILY, "table": TABLE, "name": name}}


def _living(config: Config) -> Iterable[Json]:
    for family in (4, 6):
        for door in config.doors:
            yield named_set(door_set(door, family), ADDRESS[family], flags=["timeout"])
        yield named_set(f"shunned_{family}", ADDRESS[family], flags=["timeout"], size=config.callers)
        yield named_set(dismissed_set(family), ADDRESS[family], flags=["timeout"], size=DISMISSED_SIZE)
        # A set with timeouts takes elements from the packet path without the flag `dynamic`, which the
        # JSON of nft 1.0.6 does not know.
        yield named_set(
            f"callers_{family}",
            ADDRESS[family],
            flags=["timeout"],
            size=config.callers,
            **{"gc-interval": 1},
        )


def _services(config: Config) -> dict[str, list[tuple[Service, Json | None]]]:
    """Which services stand in which set or map, and in a map where a packet to it goes.

    Ranges of ports stand apart: a look-up among them takes longer the more there are, one among single ports
    does not.
    """

    def to(chains: str, doors: Iterable[Door]) -> list[tuple[Service, Json | None]]:
        return [
            (service, {"goto": {"target": f"{chains}_{door.name}"}})
            for door in doors
            for service in door.services
        ]

    groups: dict[str, Iterable[tuple[Service, Json | None]]] = {
        "strict": to("strict", (door for door in config.doors.values() if not door.linger)),
        "public": [(service, None) for service in sorted(config.public)],
        "doors": to("door", config.doors.values()),
    }
    by_set: dict[str, list[tuple[Service, Json | None]]] = {}
    for name, entries in groups.items():
        for service, goal in entries:
            suffix = "" if service.first == service.last else RANGES
            by_set.setdefault(name + suffix, []).append((service, goal))
    return by_set


def _mirrors(config: Config) -> Iterable[Json]:
    for name, entries in _services(config).items():
        flags = {"flags": ["interval"]} if name.endswith(RANGES) else {}
        yield named_set(name, KNOCK_TYPE, **flags) if entries[0][1] is None else named_map(name, **flags)
    yield named_set("opening", KNOCK_TYPE)
    for family in (4, 6):
        if any(network.version == family for network in config.always):
            yield named_set(f"always_{family}", ADDRESS[family], flags=["interval"])


def _chains(config: Config) -> Iterable[Json]:
    yield chain(ENTRY, type="filter", hook="prerouting", prio=PRIORITY, policy="accept")
    yield chain(REPORT)
    yield chain(DISMISSED)
    for door in config.doors.values():
        yield chain(door_chain(door.name))
        if not door.linger:
            yield chain(f"strict_{door.name}")


def _always(config: Config, chain: str) -> Iterable[Json]:
    for family in (4, 6):
        if any(network.version == family for network in config.always):
            yield rule(chain, among(f"always_{family}", SADDR[family]), ACCEPT)


def _not_local(chain: str) -> Json:
    return rule(chain, is_({"fib": {"result": "type", "flags": ["daddr"]}}, "local", "!="), ACCEPT)


def _service_rules(config: Config, group: str, chain: str = ENTRY) -> Iterable[Json]:
    """Where packets to the services of a group go, if there are any."""
    by_set = _services(config)
    for name in (group, group + RANGES):
        if name in by_set and by_set[name][0][1] is None:
            yield rule(chain, among(name, KNOCK), ACCEPT)
        elif name in by_set:
            yield rule(chain, {"vmap": {"key": KNOCK, "data": f"@{name}"}})


def _entry_rules(config: Config, comment: str) -> Iterable[Json]:
    iifname = {"meta": {"key": "iifname"}}
    if config.outside:
        names = {"set": sorted(config.outside)} if len(config.outside) > 1 else config.outside[0]
        yield rule(ENTRY, is_(iifname, names, "!="), ACCEPT, comment=comment)
    else:
        yield rule(ENTRY, is_(iifname, "lo"), ACCEPT, comment=comment)
    yield from _service_rules(config, "strict")
    for family in (4, 6):
        dismissed = among(dismissed_set(family), source_expression(config, family))
        yield rule(ENTRY, dismissed, {"jump": {"target": DISMISSED}})
    yield rule(ENTRY, is_({"ct": {"key": "state"}}, ["established", "related"], "in"), ACCEPT)
    yield _not_local(ENTRY)
    yield from _always(config, ENTRY)
    yield from _service_rules(config, "public")
    yield from _service_rules(config, "doors")
    # nft 1.0.6 takes two operands an operator.
    four = {"|": ["fin", {"|": ["syn", {"|": ["rst", "ack"]}]}]}
    flags = {"&": [{"payload": {"protocol": "tcp", "field": "flags"}}, four]}
    yield rule(ENTRY, is_({"meta": {"key": "l4proto"}}, "tcp"), is_(flags, "syn", "!="), ACCEPT)
    yield rule(ENTRY, is_({"meta": {"key": "l4proto"}}, {"set": ["tcp", "udp"]}, "!="), ACCEPT)
    for family in (4, 6):
        yield rule(ENTRY, among(f"shunned_{family}", source_expression(config, family)), ACCEPT)
    yield rule(ENTRY, among("opening", KNOCK), {"goto": {"target": REPORT}})
    for family in (4, 6):
        yield rule(
            ENTRY, among(f"callers_{family}", source_expression(config, family)), {"goto": {"target": REPORT}}
        )


def _dismissed_rules(config: Config) -> Iterable[Json]:
    """A flow that this host itself keeps alive would let them go on: it stays established whoever is cut."""
    yield _not_local(DISMISSED)
    yield from _always(config, DISMISSED)
    for family in (4, 6):
        yield rule(DISMISSED, update(dismissed_set(family), source_expression(config, family), DISMISSED_FOR))
    yield from _service_rules(config, "doors", DISMISSED)


def _door_rules(config: Config, door: Door) -> Iterable[Json]:
    chain = door_chain(door.name)
    for family in (4, 6):
        yield rule(chain, among(door_set(door.name, family), source_expression(config, family)), ACCEPT)
    if config.closed == "reject":
        yield rule(chain, is_({"meta": {"key": "l4proto"}}, "tcp"), {"reject": {"type": "tcp reset"}})
        yield rule(chain, {"reject": {"type": "icmpx", "expr": "port-unreachable"}})
    yield rule(chain, DROP)
    if not door.linger:
        # Every packet, not only a flow's first, needs the admission: sessions end with it.
        strict = f"strict_{door.name}"
        yield _not_local(strict)
        yield from _always(config, strict)
        yield rule(strict, {"goto": {"target": chain}})


def _report_rules(config: Config, hold: int) -> Iterable[Json]:
    timeout = -(-(hold + MARGIN) // SECOND)
    for family in (4, 6):
        yield rule(REPORT, update(f"callers_{family}", source_expression(config, family), timeout))
    # `update` on a full set ends its rule: whoever is not in the set now found no room.
    for family in (4, 6):
        source = source_expression(config, family)
        yield rule(REPORT, among(f"callers_{family}", source, "!="), {"counter": FULL}, ACCEPT)
    if config.watch == "packet":
        log: Json = {"group": config.group, "snaplen": SNAPLEN, "queue-threshold": TOGETHER}
        yield rule(REPORT, {"log": log})
        return
    if config.watch == "counter":
        for family in (4, 6):
            source = source_expression(config, family)
            counted = meter(f"{KNOCKS}_{family}", source, timeout, config.callers, COUNTER)
            yield rule(REPORT, counted)
    for family in (4, 6):
        source = source_expression(config, family)
        faster = {"limit": {"rate": PACE, "per": "second", "burst": PACE_AT_ONCE, "inv": True}}
        paced = meter(f"{PACED}_{family}", source, timeout, config.callers, faster)
        yield rule(REPORT, paced, {"counter": PACED}, ACCEPT)
    yield from _journal_rules(config) if config.watch == "journal" else _counter_rules(config)
    yield rule(REPORT, {"counter": UNHEARD})


def _journal_rules(config: Config) -> Iterable[Json]:
    # Of level debug, so that the console, which shows all but that by default, is not flooded.
    log = {"prefix": config.journal_prefix, "level": "debug", "flags": ["tcp sequence"]}
    limit = {"rate": LOG_RATE, "per": "second", "burst": LOG_RATE}
    yield rule(REPORT, {"limit": limit}, {"log": log}, ACCEPT)


def heard_timeout(config: Config) -> int:
    """How long (s) a knock can be polled for: as short as the pause between two polls lets it be."""
    return -(-10 * config.counter_interval // SECOND) + 2


def _counter_rules(config: Config) -> Iterable[Json]:
    for family in (4, 6):
        key = {"concat": [source_expression(config, family), *KNOCK["concat"]]}
        heard = meter(f"{HEARD}_{family}", key, heard_timeout(config), HEARD_SIZE, COUNTER)
        yield rule(REPORT, heard, ACCEPT)


def _elements(config: Config, opening: Iterable[int]) -> Iterable[Json]:
    for name, entries in _services(config).items():
        pairs = [(service_element(service), goal) for service, goal in entries]
        yield element(name, [key if goal is None else [key, goal] for key, goal in pairs])
    for family in (4, 6):
        networks = sorted(str(network) for network in config.always if network.version == family)
        if networks:
            elements = [network.split("/") for network in networks]
            yield element(
                f"always_{family}",
                [{"prefix": {"addr": addr, "len": int(length)}} for addr, length in elements],
            )
    first_knocks = [knock_element(knock) for knock in sorted(opening)]
    if first_knocks:
        yield element("opening", first_knocks)


def _identity(config: Config, rules: Iterable[Json], elements: Iterable[Json]) -> str:
    """What the comment says: how much of an address counts, and a digest of all that does not rotate."""
    steady = [one for one in elements if one["element"]["name"] != "opening"]
    text = json.dumps([list(rules), steady, config.callers], sort_keys=True)
    digest = hashlib.sha256(text.encode()).hexdigest()[:16]
    return f"portress 1 prefix {config.prefix_4} {config.prefix_6} config {digest}"


def longest_gap(config: Config) -> int:
    """The longest pause (ns) that any sequence of the configuration allows."""
    openers = [
        opener
        for door in config.doors.values()
        for opener in (door.fixed, door.rotating, door.authenticator)
        if opener is not None
    ]
    return max((opener.gap for opener in openers), default=SECOND)


def build(config: Config, opening: Iterable[int]) -> Ruleset:
    """The guard for `config`; a source is reported once it hits one of the first knocks `opening`."""
    elements = tuple(_elements(config, opening))
    rest = [rule for door in config.doors.values() for rule in _door_rules(config, door)]
    rest += [*_dismissed_rules(config), *_report_rules(config, longest_gap(config))]
    comment = _identity(config, [*_entry_rules(config, ""), *rest], elements)
    return Ruleset(
        living=(*_counters(config), *_living(config)),
        mirrors=tuple(_mirrors(config)),
        chains=tuple(_chains(config)),
        rules=(*_entry_rules(config, comment), *rest),
        elements=elements,
        comment=comment,
        prefixes=(config.prefix_4, config.prefix_6),
    )
