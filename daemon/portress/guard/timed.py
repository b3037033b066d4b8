"""Elements with the time they have left, as parts of the transaction that loads the guard."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping
from itertools import chain, islice
from typing import Final

from attrs import evolve

from portress.admissions import Grant
from portress.guard.language import FAMILY, TABLE
from portress.guard.ruleset import Ruleset, admission_set, longer_set
from portress.knock import SECOND, Source

_FEW: Final = 64  # see split
_MANY: Final = 10_000
_MILLISECOND: Final = SECOND // 1000

Entry = tuple[str, Source, int]  # set, source, ns


def entries(grants: Iterable[Grant], stays: Mapping[str, int]) -> list[Entry]:
    """Admissions as elements of their sets. `stays`: what the guard itself gives by door (ns): an admission
    for longer is noted as such, so that no knock makes it shorter."""
    found: list[Entry] = []
    for one in grants:
        found.append((admission_set(one.door, one.source), one.source, one.stay))
        stay = stays.get(one.door, one.stay)
        if one.stay > stay and not one.source.port:
            found.append((longer_set(one.door, one.source.family), one.source, one.stay - stay))
    return found


def places(gone: Iterable[tuple[str, Source]], stays: Mapping[str, int]) -> list[tuple[str, Source]]:
    """The sets (and the source in them) that admissions (door, source) may be in; `stays` as in `entries`."""
    found: list[tuple[str, Source]] = []
    for door, source in gone:
        found.append((admission_set(door, source), source))
        if door in stays and not source.port:
            found.append((longer_set(door, source.family), source))
    return found


def timed_parts(entries: Iterable[Entry], kept: Collection[str] | None = None) -> list[str]:
    """Lines that (re)start elements: add, delete, add; for sets that are new, none of `kept`, add alone.

    Before kernel 6.12 a plain add leaves the old timeout in place, after it it does not; the first add
    is for the delete to find something.
    """
    timed: dict[str, dict[str, str]] = {}
    for name, source, ns in entries:
        address = str(source.whole).partition("/")[0] + (f" . {source.port}" if source.port else "")
        timeout = max(1, -(-ns // _MILLISECOND))
        timed.setdefault(name, {})[address] = f"{address} timeout {timeout}ms"
    lines: list[str] = []
    for name, by_address in timed.items():
        which = f"element {FAMILY} {TABLE} {name}"
        full = f"add {which} {{ {', '.join(by_address.values())} }}"
        lines.append(full)
        if kept is None or name in kept:
            lines += [f"delete {which} {{ {', '.join(by_address)} }}", full]
    return lines


def split(carried: list[Entry], more: Iterator[Entry]) -> tuple[list[Entry], Iterator[Entry]]:
    """What goes into one transaction with the rules, and what goes into the next.

    libnftables takes some 40 µs for each. Carried over are those of a guard that is in force until then, so
    that many go together; while there is no guard, the doors are open, and few do.
    """
    few = list(islice(more, _FEW + 1))
    together = [*(carried if len(carried) <= _MANY else ()), *(few if len(few) <= _FEW else ())]
    later = chain(carried if len(carried) > _MANY else (), few if len(few) > _FEW else (), more)
    return together, later


def with_room(ruleset: Ruleset, entries: Iterable[tuple[str, Source, int]]) -> Ruleset:
    """The guard with room for all that goes into its sets: fewer may be in now, but nobody is thrown out."""
    return with_space(ruleset, Counter(name for name, _, _ in entries))


def with_space(ruleset: Ruleset, counts: Mapping[str, int]) -> Ruleset:
    """The guard with room for so many elements in each of its sets."""
    living = tuple(
        evolve(one, size=counts[one.name]) if 0 < one.size < counts.get(one.name, 0) else one
        for one in ruleset.living
    )
    return evolve(ruleset, living=living)


def without_kept(ruleset: Ruleset, kept: Collection[str], unchanged: Collection[str]) -> Ruleset:
    """The ruleset without the chains that are `unchanged`, and without the elements of maps that are `kept`:
    those are changed apart."""
    living = (evolve(one, elements=()) if one.name in kept else one for one in ruleset.living)
    chains = (one for one in ruleset.chains if one.name not in unchanged)
    return evolve(ruleset, living=tuple(living), chains=tuple(chains))
