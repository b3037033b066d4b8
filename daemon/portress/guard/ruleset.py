"""Config -> the guard, in nft's own language. Pure: nothing here talks to the kernel.

What `render` returns is what is loaded, to the letter. Sets that live (admissions, callers, shunned) are told
from sets that only mirror the configuration, so that a reload can leave the first as they are and replace the
others. What becomes of a packet that is a knock stands in `report`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from typing import Final

from attrs import evolve, field, frozen

from portress.config.model import Config, Door
from portress.guard import closed, continuing, decide, hours, one_connection, report
from portress.guard.closed import CLOSED, LATE, Answers
from portress.guard.contents import Contents
from portress.guard.language import (
    ADDRESS,
    DADDR,
    FAMILY,
    KNOCK,
    KNOCK_TYPE,
    OWNED,
    SADDR,
    TABLE,
    Chain,
    Part,
    Set,
    chain_text,
    counter_text,
    no_knocks,
    service_element,
    set_text,
    source,
    timed_set,
    without_passing,
)
from portress.guard.one_connection import one_set
from portress.knock import Service, Source, Widths

EARLY: Final = "early"
ENTRY: Final = "entry"
TWIN: Final = "twin"
RANGES: Final = "_ranges"  # behind the name of a set of services: those of ranges of ports
TO: Final = {4: "_to_4", 6: "_to_6"}  # those of other destinations, by their address family
HERE: Final = "here"  # the chain of packets to ports of doors
DISMISSED: Final = "dismissed"  # sources whose every packet needs an admission: dismissed_4, dismissed_6
DISMISSED_SIZE: Final = 65536  # sources of a family
DISMISSED_FOR: Final = 86400  # s since the last packet
FIRST: Final = -300  # after fragments are put together (-400), before conntrack (-200)
PRIORITY: Final = -150  # after conntrack (-200), before destination NAT (-100)
_HEAD: Final = "type filter hook prerouting priority {}; policy accept;"
_LABELS_HEAD: Final = "type filter hook output priority 300; policy accept;"
# What the host itself takes a packet by; only the first is a place for knocks.
_OWN: Final = "local, broadcast, multicast, anycast"
_NOT_OWN: Final = f"fib daddr type != {{ {_OWN} }} accept"
_NOT_SYN: Final = "tcp flags & (fin | syn | rst | ack) != syn accept"


@frozen
class Ruleset:
    """The guard as data: `living` sets keep their elements over a reload, `mirrors` are recreated.

    `comment` stands on the first rule of `entry`, the last chain: it tells a guard in the kernel from one of
    another configuration.
    """

    counters: tuple[str, ...]
    living: tuple[Set, ...]
    mirrors: tuple[Set, ...]
    chains: tuple[Chain, ...]
    comment: str
    twin: Chain  # there while the rules change (`render`)
    prefixes: Widths  # bits of an IPv4 and of an IPv6 address that count as one source
    contents: Contents = field(factory=dict, eq=False)  # what the maps that decide are to hold
    steady: Contents = field(factory=dict, eq=False)  # what the text has of it
    stays: Mapping[str, int] = field(factory=dict, eq=False)  # ns by door, where the guard itself admits

    @property
    def sets(self) -> tuple[Set, ...]:
        return self.living + self.mirrors


def door_chain(door: str) -> str:
    """The chain a packet to one of the door's services goes through."""
    return f"door_{door}"


def door_set(door: str, family: int) -> str:
    """The set of the door's admissions of that address family (4 or 6)."""
    return f"{door}_{family}"


def admission_set(door: str, source: Source) -> str:
    """The set that an admission of the door is in."""
    return one_set(door, source.family) if source.port else door_set(door, source.family)


def longer_set(door: str, family: int) -> str:
    """The set of sources that were admitted for longer than the door's stay."""
    return f"{door}{decide.LONGER}{family}"


def dismissed_set(family: int) -> str:
    """The set of sources of that address family (4 or 6) that were dismissed."""
    return f"{DISMISSED}_{family}"


def _living(config: Config) -> Iterable[Set]:
    for family in (4, 6):
        for door in config.doors:
            yield timed_set(door_set(door, family), family, config.admissions)
            if config.doors[door].by_connection:
                yield from one_connection.sets(config, config.doors[door], family)
        yield timed_set(f"shunned_{family}", family, config.callers)
        yield timed_set(dismissed_set(family), family, DISMISSED_SIZE)
    yield from continuing.sets(config)


def _services(config: Config) -> dict[str, list[tuple[Service, str]]]:
    """Which services are in which set or map, and in a map where a packet to it goes.

    Ranges of ports and destinations are apart: a look-up among them takes longer the more there are, one
    among single ports does not.
    """
    doors = config.doors.values()
    groups = {
        "strict": [
            (one, f" : {'jump own' if one.to is None else 'goto strict'}_{door.name}")
            for door in doors
            if not door.linger
            for one in door.services
        ],
        "public": [(service, "") for service in sorted(config.public)],
        "doors": [(one, f" : goto {door_chain(door.name)}") for door in doors for one in door.services],
    }
    by_set: dict[str, list[tuple[Service, str]]] = {}
    for name, entries in groups.items():
        for service, goal in entries:
            if service.to is not None:
                suffix = TO[service.to.version]
            else:
                suffix = "" if service.first == service.last else RANGES
            by_set.setdefault(name + suffix, []).append((service, goal))
    return by_set


def _key_type(name: str) -> str:
    """What the elements of a set of services are made of."""
    return next((f"{KNOCK_TYPE} . {ADDRESS[f]}" for f, end in TO.items() if name.endswith(end)), KNOCK_TYPE)


def _mirrors(config: Config) -> Iterable[Set]:
    for name, entries in _services(config).items():
        is_map = bool(entries[0][1])
        flags = ("flags interval",) if name.endswith((RANGES, *TO.values())) else ()
        yield Set(
            name,
            (f"type {_key_type(name)}{' : verdict' if is_map else ''}", *flags),
            "map" if is_map else "set",
            elements=tuple(service_element(service) + goal for service, goal in entries),
        )
    yield from _placed(config)
    for family in (4, 6):
        networks = sorted(str(network) for network in config.always if network.version == family)
        if networks:
            spec = (f"type {ADDRESS[family]}", "flags interval")
            yield Set(f"always_{family}", spec, elements=tuple(networks))


def _placed(config: Config) -> Iterable[Set]:
    """Every service with a destination, where somebody has to know whether there is one."""
    if all(door.linger for door in config.doors.values()):
        return
    doors = (one for door in config.doors.values() for one in door.services)
    services = sorted({*doors, *config.public})
    for family, end in TO.items():
        here = tuple(service_element(one) for one in services if one.to and one.to.version == family)
        if here:
            yield Set(f"placed_{family}", (f"type {_key_type(end)}", "flags interval"), elements=here)


def _always(config: Config) -> Iterable[str]:
    for family in (4, 6):
        if any(network.version == family for network in config.always):
            yield f"{SADDR[family]} @always_{family} accept"


def _looked_up(config: Config, keys: dict[str, str]) -> Iterable[str]:
    """Where packets to the services of these sets (name -> key) go, of those that there are."""
    by_set = _services(config)
    for name, key in keys.items():
        if name in by_set:
            yield f"{key} vmap @{name}" if by_set[name][0][1] else f"{key} @{name} accept"


def _at_own(config: Config, group: str) -> Iterable[str]:
    """Where packets to services of this host itself go, once it is known that they are for it."""
    yield from _looked_up(config, {group: KNOCK, group + RANGES: KNOCK})


def _elsewhere(config: Config, group: str) -> Iterable[str]:
    """Where packets to services of other destinations go."""
    yield from _looked_up(config, {group + end: f"{KNOCK} . {DADDR[f]}" for f, end in TO.items()})


def _inside(config: Config) -> str:
    """What is not named is guarded, under whatever name it comes."""
    names = ", ".join(f'"{name}"' for name in ("lo", *sorted(config.inside)))
    return f"iifname {{ {names} }} accept"


def _early(config: Config) -> Iterable[str]:
    """Before connection tracking spends anything on them: SYNs, and datagrams where every one needs the
    admission. Other datagrams may belong to a flow that outlives it, which only connection tracking knows.
    """
    names = _services(config).keys()
    if "doors" in names and not names & {f"doors{end}" for end in (RANGES, *TO.values())}:
        yield f"{KNOCK} != @doors accept"  # most packets: they cost as little as can be
    yield _inside(config)
    yield f"meta l4proto tcp {_NOT_SYN}"
    if config.closed == "alike":
        yield f"jump {LATE}"
    if continuing.strict(config):
        yield from continuing.early_rules()
    yield from (*_elsewhere(config, "strict"), *_at_own(config, "strict"))
    yield "meta l4proto != tcp accept"
    yield from _guarded(config)
    yield _NOT_OWN
    yield from _at_own(config, "doors")


def _guarded(config: Config) -> Iterable[str]:
    """Where first packets to services go, but for doors of this host itself. What comes after is for those,
    or for none."""
    yield from _always(config)
    yield from (*_elsewhere(config, "public"), *_elsewhere(config, "doors"))
    yield from _at_own(config, "public")  # what is not for this host is accepted all the same


def _entry(config: Config, knocks: Part) -> Iterable[str]:
    yield _inside(config)
    yield from (*_elsewhere(config, "strict"), *_at_own(config, "strict"))
    for family in (4, 6):
        yield f"{source(config, family)} @{dismissed_set(family)} jump {DISMISSED}"
    # Not what is related to a flow: a stranger can lead a helper to expect a connection to a door. ICMP
    # errors go on as any ICMP does.
    yield "ct state established accept"
    yield from _guarded(config)
    # What the address is takes the kernel longest to tell: it is only asked where it matters.
    yield from (
        f"{KNOCK} @{one} jump {HERE}" for one in ("doors", "doors" + RANGES) if one in _services(config)
    )
    yield f"meta l4proto tcp {_NOT_SYN}"
    yield "meta l4proto != { tcp, udp } accept"
    if not knocks.checks:
        yield from (f"{one} accept" for one in no_knocks(config))
    yield from knocks.rules


def _dismissed(config: Config) -> Iterable[str]:
    """A flow that this host itself keeps alive would let them go on: it stays established whoever is cut."""
    yield from _always(config)
    for family in (4, 6):
        key = f"{source(config, family)} timeout {DISMISSED_FOR}s"
        yield f"update @{dismissed_set(family)} {{ {key} }}"
    yield from _elsewhere(config, "public")
    yield from _elsewhere(config, "doors")
    yield _NOT_OWN
    yield from _at_own(config, "doors")


def _door(config: Config, door: Door) -> Iterable[Chain]:
    rules = [f"{source(config, family)} @{door_set(door.name, family)} accept" for family in (4, 6)]
    if door.by_connection:
        rules += [rule for family in (4, 6) for rule in one_connection.rules(door, family)]
    if config.closed == "reject":
        rules += ["meta l4proto tcp reject with tcp reset", "reject with icmpx port-unreachable"]
    rules.append(f"goto {CLOSED}" if config.closed == "alike" else "drop")
    yield Chain(door_chain(door.name), tuple(rules))
    if not door.linger:
        # Every packet, not only a flow's first, needs the admission: sessions end with it. But those from
        # before the door go on.
        strict = f"strict_{door.name}"
        going_on = continuing.rules(config, {family: dismissed_set(family) for family in (4, 6)})
        yield Chain(strict, (*_always(config), *going_on, f"goto {door_chain(door.name)}"))
        placed = [f"{KNOCK} . {DADDR[int(one.name[-1])]} @{one.name} return" for one in _placed(config)]
        not_own = _NOT_OWN.replace("accept", "return")
        yield Chain(f"own_{door.name}", (not_own, *placed, f"goto {strict}"))


def answering(config: Config, answers: Answers) -> tuple[Chain, ...]:
    """The chains that follow this host's other rules; none unless a guarded port is to look like others."""
    if config.closed != "alike":
        return ()
    labels = closed.label_rules(config, answers)
    return (
        Chain(CLOSED, closed.closed_rules(answers)),
        Chain(LATE, closed.late_rules(answers)),
        *([Chain(closed.LABELS, labels, _LABELS_HEAD)] if labels else []),
    )


def _chains(config: Config, knocks: Part, answers: Answers) -> Iterable[Chain]:
    yield from knocks.chains
    yield from answering(config, answers)
    for door in config.doors.values():
        yield from _door(config, door)
    yield Chain(HERE, (_NOT_OWN, *_at_own(config, "doors")))
    yield Chain(DISMISSED, tuple(_dismissed(config)))
    yield Chain(EARLY, tuple(_early(config)), _HEAD.format(FIRST))
    yield Chain(ENTRY, tuple(_entry(config, knocks)), _HEAD.format(PRIORITY))


def _twin(config: Config, knocks: Part) -> Chain:
    """Refuses as `entry` does, a little later, and reports nothing.

    A packet that is on its way through rules while they change may find sets empty already, or meet a new
    chain too early and an old one too late: what slips through there meets this chain, with the new rules.
    """
    head = f"type filter hook prerouting priority {PRIORITY + 1}; policy accept;"
    return Chain(TWIN, tuple(_entry(config, evolve(knocks, rules=()))), head)


def _identity(config: Config, ruleset: Ruleset) -> str:
    """What the comment says: how much of an address counts, and a digest of all that does not rotate."""
    steady = render(
        evolve(
            ruleset,
            mirrors=without_passing(ruleset.mirrors),
            living=without_passing(ruleset.living),
            chains=tuple(one for one in ruleset.chains if one.name not in closed.FOLLOWING),
        )
    )
    digest = hashlib.sha256(steady.encode()).hexdigest()[:16]
    return f"portress 1 prefix {config.prefix_4} {config.prefix_6} config {digest}"


def build(
    config: Config,
    opening: Iterable[int],
    contents: Contents | None = None,
    answers: Answers = closed.NOT_YET,
    now: float | None = None,
) -> Ruleset:
    """The guard for `config`; a source is reported once it hits one of the first knocks `opening`.

    `contents`: what the maps are to hold where the kernel decides; left out: what stays the same.
    `answers`: what this host's closed ports answer, as far as that is known. `now`: unix seconds, for doors
    with hours; left out: these do not open.
    """
    knocks = decide.part(config) if config.decide == "kernel" else report.part(config, opening)
    *others, entry = _chains(config, knocks, answers)
    bare = Ruleset(
        counters=knocks.counters,
        living=(*_living(config), *knocks.living),
        mirrors=(*_mirrors(config), *knocks.mirrors, *hours.sets(config, now)),
        chains=(*others, entry),
        comment="",
        twin=_twin(config, knocks),
        prefixes=config.widths,
        contents=_contents(config, contents),
        steady=_contents(config, None),
        stays={one.name: one.stay for one in config.doors.values() if config.decide == "kernel"},
    )
    comment = _identity(config, bare)
    first, *rest = entry.rules
    entry = evolve(entry, rules=(f'{first} comment "{comment}"', *rest))
    return evolve(bare, chains=(*others, entry), comment=comment)


def _contents(config: Config, wanted: Contents | None) -> Contents:
    if config.decide == "daemon":
        return {}
    return decide.fixed(config) if wanted is None else wanted


def render(ruleset: Ruleset, *, own: bool = False, twin: bool = False) -> str:
    """The whole table as nft text; `own`: it belongs to the process that loads it.

    `twin`: with the chain that has to be there while the rules change, and is removed afterwards.
    """
    chains = (*ruleset.chains, ruleset.twin) if twin else ruleset.chains
    blocks = [
        *(counter_text(name) for name in ruleset.counters),
        *(set_text(one) for one in ruleset.sets),
        *(chain_text(one) for one in chains),
    ]
    head = f"table {FAMILY} {TABLE} {{\n" + (f"\t{OWNED}\n\n" if own else "")
    return head + "\n".join(blocks) + "}\n"
