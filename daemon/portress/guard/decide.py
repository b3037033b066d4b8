"""The part of the guard that decides by itself: which source stands where, and what opens. Pure.

In: the configuration. Out: nft text for the sets, maps and chains. What the maps hold comes from
`sequence/edges.py`.

    at_4, at_6      source -> node: every caller, and where it was after the first knock; lives for the gap
    further_4 _6    where it is after further knocks: a flood of first knocks takes no room from those
    next            node . protocol . port -> node: the right next knock (node 0: nobody stands there yet),
                    and END where something ends; or AGAIN: got right on the way there, it changes nothing
    ends            node -> the chain of what it opens: `goto`, or `jump` where a longer sequence goes on
    stays           node -> the chain that lets the caller stay there, where that is not the usual one
    within.MS_4 _6  sources whose last right knock is no longer ago than MS, where sequences with different
                    gaps go on from their node
    checks, slower  node -> the chain that looks whether the pause was short enough for it; node -> the one
                    that leaves out the sequences for which it was too long (the twins of `sequence/trie.py`)
    claims, spent   end node -> the number by which its use is claimed, where that is another; numbers claimed
    DOOR.longer_4   sources admitted for longer than the door's stay, until no more than that is left: a knock
    DOOR.longer_6   does not shorten it
    DOOR.over       address families of which more sources are in than there is room for: nobody is let in
    DOOR.left_4 _6  sources that completed a leaving sequence of the door lately, should the report be lost
    callers_4 _6    who was a caller until a moment ago: their late knocks are reported

The register between the look-ups is the packet's priority, which is 0 where nobody has set one; where
somebody has, it is kept by source meanwhile and put back. No mark is touched. How a knock is judged is in
`judging.py`.

A use is claimed, and the door opened, in the packet that completes the sequence: `limit rate 1/week burst 1`
lets one packet a number through, on however many processors at once. What finds no room opens nothing.
A leaving sequence is claimed and reported in the same way; the daemon, who knows whose it is, ends the
admission.

What happens is reported to the packet log under a prefix: a letter (`Report`) and four digits, which say what
opened by its place in `openers`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations, product
from typing import Final

from attrs import frozen

from portress.clock import STEP
from portress.config.model import Config
from portress.guard import hours, one_connection
from portress.guard.contents import MAPS, VERDICTS, Contents, checking, contents, elements, staying
from portress.guard.judging import EDGE, NODE, both, gaps, plain, stay, ways
from portress.guard.language import ADDRESS, SADDR, Chain, Part, Set
from portress.knock import SECOND
from portress.sequence.edges import ASK, BARRED, LEAVE, MILLISECOND, ONE, USED, Numbering, Terms, build
from portress.sequence.fixed import expected as fixed_sequences
from portress.sequence.trie import Trie
from portress.verdict import Report

LONGER: Final = ".longer_"
OVER: Final = ".over"
LEFT: Final = ".left_"
LEFT_FOR: Final = 600  # s that it is noted who left: longer than the daemon may not have heard of it
MARGIN: Final = 2 * SECOND  # ns that a late knock is reported after the gap
SPENT_SIZE: Final = 65536
FAMILIES: Final = 4  # room for each address family, and for one that is added again
FEW: Final = 4  # doors that share a base: what any of them open together has a chain of its own
EDGES: Final = 1 << 20
PRIORITIES: Final = 65536
ROOM: Final = 6  # times `callers`: room for first knocks that have the short time, too
MANY: Final = 1 << 17
TOLD: Final = 500  # reports a second of one kind, in the long run
TOLD_OPEN: Final = 2000  # the same of doors that opened
NOISE: Final = 100  # the same of what changes nothing: repeated and late knocks
BURST: Final = 2000  # reports of one kind at once
TOGETHER: Final = 64
SNAPLEN: Final = 96

COUNTERS: Final = (
    "callers_full",  # right knocks that found no room for the caller
    "admissions_full",  # completed sequences that found no room in a door's set
    "spent_full",  # rotating sequences that could not be claimed
    "priorities_full",  # packets with a priority that found no room to keep it: they count as no knock
    "hurried",  # first knocks above the rate
    "untold_first",  # first knocks that were not reported
    "untold_noise",  # knocks that change nothing, and were not
    "untold",  # other knocks that were not
    "untold_openings",  # completed sequences that were not
)


@frozen
class Opener:
    """What an end opens, or leaves: `chain` is what `ends` goes to."""

    chain: str
    doors: tuple[str, ...]
    rotating: bool
    one_connection: bool = False
    leaves: bool = False


def room(config: Config) -> int:
    """How many callers the kernel remembers."""
    return ROOM * config.callers


def followed(config: Config) -> int:
    """How many callers the daemon follows: all, unless there are very many."""
    if config.decide == "daemon":
        return config.callers
    return max(config.callers, min(room(config), MANY))


def spent_for(config: Config) -> int:
    """How long (s) a claim is remembered: longer than any sequence can be completed."""
    rules = (rule for door in config.doors.values() for rule in door.by_time.values())
    times = (STEP * (2 * rule.skew + 2) + rule.length * rule.gap // SECOND + 60 for rule in rules)
    return max((600, *times))


def openers(config: Config) -> list[Opener]:
    """All that can open, in the order of the numbers in the reports."""
    found = [
        Opener(f"open_{door.name}", (door.name,), False, door.fixed_admits == "connection")
        for door in config.doors.values()
        if door.fixed
    ]
    bases: dict[int, list[str]] = {}
    for door in config.doors.values():
        if door.by_time:
            found.append(Opener(f"claim_{door.name}", (door.name,), True))
        if door.rotating and door.rotating.admits == "connection":
            found.append(Opener(f"claim_{ONE}{door.name}", (door.name,), True, True))
        if door.authenticator:
            bases.setdefault(door.authenticator.base, []).append(door.name)
    for doors in bases.values():
        sizes = range(2, len(doors) + 1) if len(doors) <= FEW else ()
        groups = (group for size in sizes for group in combinations(doors, size))
        found += [Opener(f"claim_{'.'.join(group)}", group, True) for group in groups]
    for door in config.doors.values():
        if door.leaving_fixed:
            found.append(Opener(f"leave_{door.name}", (door.name,), False, leaves=True))
        if door.leaving:
            found.append(Opener(f"claim_{LEAVE}{door.name}", (door.name,), True, leaves=True))
    return [*found, Opener(BARRED, (), True)]


def part(config: Config, uncounted: Iterable[str]) -> Part:
    """The part of the guard that decides. Its maps hold the sequences that stay the same; what rotates comes
    to them later, and they keep it over a reload. `uncounted`: what tells packets that count for nothing."""
    held = elements(fixed(config), 0)
    return Part(
        counters=COUNTERS,
        living=tuple(
            Set(name, spec, "map" if is_map(name) else "set", size, tuple(held.get(name, ())), steady=False)
            for name, (size, spec) in living(config).items()
        ),
        chains=tuple(Chain(name, tuple(rules)) for name, rules in chains(config, uncounted).items()),
        checks=True,
    )


def fixed(config: Config) -> Contents:
    """What the maps hold of the sequences that stay the same, numbered from 1."""
    trie = Trie(fixed_sequences(config))
    terms = Terms(lambda _: None, lambda _: False, frozenset(), plain(config), spent_for(config))
    return contents(build(trie, trie.opening, terms, Numbering(), 0))


def living(config: Config) -> dict[str, tuple[int, tuple[str, str]]]:
    """Size and specification of each set and map that keeps what it holds over a reload, by name."""
    timed, whole = "flags dynamic,timeout", config.callers
    found = {"spent": (SPENT_SIZE, (f"typeof {NODE}", timed))}
    for family, saddr in SADDR.items():
        for name, size in (("at", room(config)), ("further", whole)):
            found[f"{name}_{family}"] = (size, (f"typeof {saddr} : {NODE}", timed))
        for name in ("callers", *(f"within.{gap}" for gap in gaps(config)[1:])):
            found[f"{name}_{family}"] = (whole, (f"typeof {saddr}", timed))
        spec = (f"type {ADDRESS[family]}", timed)
        for door in config.doors.values():
            found[f"{door.name}{LONGER}{family}"] = (2 * config.admissions, spec)
            if door.leaving or door.leaving_fixed:
                found[f"{door.name}{LEFT}{family}"] = (config.admissions, spec)
    for door in config.doors.values():
        found[f"{door.name}{OVER}"] = (FAMILIES, ("typeof meta nfproto", "flags timeout"))
    # With timeouts, the kernel takes the kind of map that grows with what it holds.
    found["next"] = (5 * EDGES, (f"typeof {EDGE} : {NODE}", "flags timeout"))
    found |= dict.fromkeys(VERDICTS, (EDGES, (f"typeof {NODE} : verdict", "flags timeout")))
    found |= dict.fromkeys(("slower", "claims"), (EDGES, (f"typeof {NODE} : {NODE}", "flags timeout")))
    return found | {
        f"priorities_{family}": (PRIORITIES, (f"typeof {saddr} : {NODE}", timed))
        for family, saddr in SADDR.items()
    }


def is_map(name: str) -> bool:
    """Whether that is a map and no set."""
    return name.startswith(("at_", "further_", "priorities_")) or name in MAPS


def chains(
    config: Config, uncounted: Iterable[str] = (), sought: Sequence[str] | None = None
) -> dict[str, list[str]]:
    """Every chain with its rules, those first that others go to. `uncounted`: what tells packets that count
    for nothing; it is asked of those alone that would count otherwise, which are few."""
    found = _telling(config.group)
    for place, door in enumerate(config.doors.values()):
        limit = _limit(TOLD)
        found |= hours.closed(door, f"{limit} {_log(Report.CLOSED, config.group, place)}")
        full = [
            'counter name "admissions_full"',
            f"{limit} {_log(Report.FULL, config.group, place)}",
        ]
        wait = f"timeout {door.stay // SECOND}s"
        room = f"meta nfproto != @{door.name}{OVER} "
        found[f"admit_{door.name}"] = [
            *hours.asked(door),
            *both(config, f"{{source}} @{door.name}{LONGER}{{family}} return"),
            *both(config, f"{room}update @{door.name}_{{family}} {{{{ {{source}} {wait} }}}} return"),
            *full,
        ]
        if door.by_connection:
            found[f"admit_{ONE}{door.name}"] = [
                *hours.asked(door),
                *one_connection.admitting(door, room),
                *full,
            ]
    found[ASK] = [f"goto tell_{Report.ASKED}"]
    found[USED] = [f"goto tell_{Report.REFUSED}"]
    for number, one in enumerate(openers(config)):
        found |= _opening(config, one, number)
    for gap, mixed, first in product(gaps(config), (False, True), (False, True)):
        known = gap + MARGIN // MILLISECOND
        found[staying(gap, mixed, first)] = stay(config, gap, mixed=mixed, first=first, known=known)
    for gap in gaps(config)[1:]:
        within = both(config, f"{{source}} @within.{gap}_{{family}} return")
        found[checking(gap, False)] = [*within, f"{NODE} set 0"]
        found[checking(gap, True)] = [*within, f"{NODE} set {NODE} map @slower"]
    return found | ways(config, [f"{one} return" for one in uncounted], sought)


def _log(report: Report, group: int, number: int = 0) -> str:
    return f'log prefix "{report}{number:04}" group {group} snaplen {SNAPLEN} queue-threshold {TOGETHER}'


def _limit(rate: int) -> str:
    return f"limit rate {rate}/second burst {BURST} packets"


def _telling(group: int) -> dict[str, list[str]]:
    """The chains that report what happened, at a bounded rate."""
    found = {}
    for one in Report:
        if one in (Report.OPENED, Report.CLAIMED, Report.FULL, Report.CLOSED, Report.LEFT):
            continue
        noise = one in (Report.AGAIN, Report.LATE)
        missed = "untold_first" if one is Report.BEGUN else "untold_noise" if noise else "untold"
        limit = _limit(NOISE if noise else TOLD)
        found[f"tell_{one}"] = [f"{limit} {_log(one, group)} return", f'counter name "{missed}"']
    return found


def _opening(config: Config, one: Opener, number: int) -> dict[str, list[str]]:
    admit = [f"jump admit_{ONE if one.one_connection else ''}{door}" for door in one.doors]
    if one.leaves:
        left = f"{one.doors[0]}{LEFT}{{family}} {{{{ {{source}} timeout {LEFT_FOR}s }}}}"
        admit = both(config, f"update @{left}")
    if not one.rotating:
        report = Report.LEFT if one.leaves else Report.OPENED
        told = f"{_limit(TOLD_OPEN)} {_log(report, config.group, number)} return"
        return {one.chain: [*admit, told, 'counter name "untold_openings"']}
    claimed = one.chain.replace("claim_", "claimed_", 1) if one.doors else "barring"
    report = Report.LEFT if one.leaves else Report.CLAIMED
    claim = f"{NODE} timeout {spent_for(config)}s limit rate 1/week burst 1 packets"
    return {
        claimed: [*admit, _log(report, config.group, number)],  # there are only so many of them
        one.chain: [
            f"{NODE} set {NODE} map @claims",
            f"add @spent {{ {claim} }} goto {claimed}",
            # A look-up that finds the element asks its limit, too, and fails: only this way round it tells.
            f'{NODE} != @spent counter name "spent_full" goto tell_{Report.NO_CLAIM}',
            f"goto {USED}",
        ],
    }
