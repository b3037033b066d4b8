"""The admissions in force as the daemon knows them: who is let through which door until when. Pure.

The kernel lets packets through and ends admissions by itself; this register is what is told to people,
kept in the ledger, and put back when somebody else threw the guard away.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator

from attrs import define

from portress.knock import Source


@define
class Admission:
    """A source let through a door until a moment (ns, monotonic)."""

    door: str
    source: Source
    since: int
    until: int
    keyholder: str | None = None
    how: str = "knock"  # knock, command, found (in the kernel at the start) or restored (from the ledger)
    row: int | None = None  # its number in the ledger


class Register:
    """All admissions in force, by door and source."""

    def __init__(self) -> None:
        self._all: dict[tuple[str, Source], Admission] = {}
        self._ends: list[tuple[int, str, bytes, int]] = []

    def __len__(self) -> int:
        return len(self._all)

    def __iter__(self) -> Iterator[Admission]:
        return iter(self._all.values())

    def get(self, door: str, source: Source) -> Admission | None:
        """The admission of that source through that door, if there is one."""
        return self._all.get((door, source))

    def of(self, source: Source) -> list[Admission]:
        """Every admission of that source."""
        return [one for one in self._all.values() if one.source == source]

    def put(self, admission: Admission) -> None:
        """Add it, or replace the one of the same door and source."""
        self._all[admission.door, admission.source] = admission
        source = admission.source
        heapq.heappush(self._ends, (admission.until, admission.door, source.packed, source.length))
        if len(self._ends) > 2 * len(self._all) + 64:
            self._ends = [(one.until, one.door, one.source.packed, one.source.length) for one in self]
            heapq.heapify(self._ends)

    def remove(self, door: str, source: Source) -> Admission | None:
        """Take it out; None if it was not there."""
        return self._all.pop((door, source), None)

    def expire(self, now: int) -> list[Admission]:
        """Take out those that are over at `now`, in the order of their ends."""
        over: list[Admission] = []
        while self._ends and self._ends[0][0] <= now:
            until, door, packed, length = heapq.heappop(self._ends)
            one = self._all.get((door, Source(packed, length)))
            if one is not None and one.until == until:
                over.append(self._all.pop((door, one.source)))
        return over

    def counts(self) -> dict[str, int]:
        """How many are admitted, by door."""
        counts: dict[str, int] = {}
        for one in self._all.values():
            counts[one.door] = counts.get(one.door, 0) + 1
        return counts
