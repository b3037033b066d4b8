"""What can be said of the order of knocks that one source sent since it was last asked. Pure.

In: for each knock how long ago its last packet came, and how many packets of it came. Out: knocks in the
order in which they came for certain, and UNSURE in place of those of which it cannot be said.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby
from typing import NamedTuple

from portress.knock import UNSURE


class Hit(NamedTuple):
    """One knock: ms since its last packet, at one and the same moment for all, and how many packets came."""

    age: int
    knock: int
    packets: int


def in_order(hits: Iterable[Hit]) -> list[Hit]:
    """The knocks of one source since the last time, oldest first; none may be missing from `hits`.

    - Knocks of the same age came in either order: one UNSURE takes their place.
    - Of a knock that came more than once only the last time is known. Unless it is the oldest of all, earlier
      packets of it may have come before, between or after whatever is older than that last one: one UNSURE
      takes the place of all these. The oldest may have come as often as it will, with nothing in between.

    Knocks that follow one another here came one right after the other, with no other knock between them.
    """
    groups = [list(group) for _, group in groupby(sorted(hits, reverse=True), key=lambda hit: hit.age)]
    repeated = [
        place for place, group in enumerate(groups) if place and any(one.packets > 1 for one in group)
    ]
    start = repeated[-1] if repeated else 0
    ordered = [Hit(groups[start][0].age, UNSURE, 1)] if start else []
    for group in groups[start:]:
        if len(group) == 1:
            ordered.append(group[0])
        elif not ordered or ordered[-1].knock != UNSURE:
            ordered.append(Hit(group[0].age, UNSURE, 1))
    return ordered
