"""What becomes of the elements of sets that are recreated when another guard is loaded: of those part-way,
shunned or dismissed.

In: the table as it is, and the guard that is to be loaded. Out: elements for its sets.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable

from portress.guard import elements
from portress.guard.gate import DISMISSED_FOR, dismissed_set
from portress.guard.language import TABLE
from portress.guard.listing import Listing
from portress.guard.ruleset import Ruleset, door_set
from portress.guard.timed import Entry
from portress.knock import SECOND, Source, Widths

Refused = Callable[[Listing], Iterable[Source]]


def part_way(before: Listing, ruleset: Ruleset, kept: Collection[str], refused: Refused) -> list[Entry]:
    """The elements of sets that are recreated: callers and shunned as many as find room. Raises OSError."""
    widths = before.prefixes
    if widths is None or widths != ruleset.prefixes:
        return _still_refused(refused(before), ruleset.prefixes)
    doors = {door_set(door, family) for door in before.doors for family in (4, 6)}
    return [
        (one.name, widths.source(each.key), each.left * 1_000_000)
        for one in ruleset.living
        if one.name not in kept
        and one.name.endswith(("_4", "_6"))
        and "." not in one.name
        and one.name in before.sets
        and one.size
        for each in elements.read(TABLE, one.name)[: None if one.name in doors else one.size]
    ]


def _still_refused(refused: Iterable[Source], widths: Widths) -> list[Entry]:
    """The dismissed, by as much of their addresses as counts from now on."""
    return [
        (dismissed_set(one.family), widths.source(one.packed), DISMISSED_FOR * SECOND)
        for one in refused
        if one.length >= widths.of(one.family)
    ]
