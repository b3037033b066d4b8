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
from portress.guard import closed, continuing, decide, gate, hours, one_connection, report
from portress.guard.closed import CLOSED, LATE, Answers
from portress.guard.contents import Contents
from portress.guard.language import (
    DADDR,
    FAMILY,
    KNOCK,
    OWNED,
    TABLE,
    Chain,
    Part,
    Set,
    chain_text,
    counter_text,
    set_text,
    source,
    timed_set,
    without_passing,
)
from portress.guard.one_connection import one_set
from portress.knock import Source, Widths

EARLY: Final = "early"
ENTRY: Final = "entry"
TWIN: Final = "twin"
DISMISSED_SIZE: Final = 65536  # sources of a family
FIRST: Final = -300  # after fragments are put together (-400), before conntrack (-200)
PRIORITY: Final = -150  # after conntrack (-200), before destination NAT (-100)
_HEAD: Final = "type filter hook prerouting priority {}; policy accept;"
_LABELS_HEAD: Final = "type filter hook output priority 300; policy accept;"


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


def door_set(door: str, family: int) -> str:
    """The set of the door's admissions of that address family (4 or 6)."""
    return f"{door}_{family}"


def admission_set(door: str, source: Source) -> str:
    """The set that an admission of the door is in."""
    return one_set(door, source.family) if source.port else door_set(door, source.family)


def longer_set(door: str, family: int) -> str:
    """The set of sources that were admitted for longer than the door's stay."""
    return f"{door}{decide.LONGER}{family}"


def over_set(door: str) -> str:
    """The set of address families of which the packet path lets nobody else in through the door."""
    return f"{door}{decide.OVER}"


def _living(config: Config) -> Iterable[Set]:
    for family in (4, 6):
        for door in config.doors:
            yield timed_set(door_set(door, family), family, config.admissions)
            if config.doors[door].by_connection:
                yield from one_connection.sets(config, config.doors[door], family)
        yield timed_set(f"shunned_{family}", family, config.callers)
        yield timed_set(gate.dismissed_set(family), family, DISMISSED_SIZE)
    yield from continuing.sets(config)


def _door(config: Config, door: Door) -> Iterable[Chain]:
    rules = [f"{source(config, family)} @{door_set(door.name, family)} accept" for family in (4, 6)]
    if door.by_connection:
        rules += [rule for family in (4, 6) for rule in one_connection.rules(door, family)]
    if config.closed == "reject":
        rules += ["meta l4proto tcp reject with tcp reset", "reject with icmpx port-unreachable"]
    rules.append(f"goto {CLOSED}" if config.closed == "alike" else "drop")
    yield Chain(gate.door_chain(door.name), tuple(rules))
    if not door.linger:
        # Every packet, not only a flow's first, needs the admission: sessions end with it. But those from
        # before the door go on.
        strict = f"strict_{door.name}"
        going_on = continuing.rules(config, {family: gate.dismissed_set(family) for family in (4, 6)})
        yield Chain(strict, (*gate.always(config), *going_on, f"goto {gate.door_chain(door.name)}"))
        beside = [f"{KNOCK} . {DADDR[int(one.name[-1])]} @{one.name} return" for one in gate.placed(config)]
        not_own = gate.NOT_OWN.replace("accept", "return")
        yield Chain(f"own_{door.name}", (not_own, *beside, f"goto {strict}"))


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
    yield Chain(gate.HERE, (gate.NOT_OWN, *gate.at_own(config, "doors")))
    yield Chain(gate.DISMISSED, tuple(gate.dismissed(config)))
    if knocks.checks:
        yield Chain(gate.NEAR, tuple(gate.gate(config)))
        yield Chain(gate.MET, tuple(gate.met(config)))
    yield Chain(gate.ARRIVING, tuple(gate.arriving(config)))
    yield Chain(EARLY, tuple(gate.early(config)), _HEAD.format(FIRST))
    yield Chain(ENTRY, tuple(gate.entry(config, knocks)), _HEAD.format(PRIORITY))


def _twin(config: Config) -> Chain:
    """Refuses as `entry` does, a little later, and reports nothing.

    A packet that is on its way through rules while they change may find sets empty already, or meet a new
    chain too early and an old one too late: what slips through there meets this chain, with the new rules.
    """
    head = f"type filter hook prerouting priority {PRIORITY + 1}; policy accept;"
    return Chain(TWIN, tuple(gate.gate(config)), head)


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
    decides = config.decide == "kernel"
    knocks = decide.part(config, gate.uncounted(config)) if decides else report.part(config, opening)
    *others, entry = _chains(config, knocks, answers)
    bare = Ruleset(
        counters=knocks.counters,
        living=(*_living(config), *knocks.living),
        mirrors=(*gate.mirrors(config), *knocks.mirrors, *hours.sets(config, now)),
        chains=(*others, entry),
        comment="",
        twin=_twin(config),
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
