"""Leaving: an admission ends because whoever holds it knocked the leaving sequence, whoever decides.

In: a leaving sequence that was completed, and claimed if it works once; by which source, and when. Out: that
source's admission at that door is over and its flows are cut; or nothing, where somebody else holds the
admission, or where it is newer than the last knock.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from typing import Final

from attrs import evolve

from portress.admissions import Admission, Ending, Grant
from portress.events import Events
from portress.guard import elements
from portress.guard.decide import LEFT
from portress.guard.language import SADDR, TABLE
from portress.guard.ruleset import admission_set
from portress.guard.table import GuardError, Table
from portress.knock import SECOND, Expected, Source
from portress.run.doorkeeper import Doorkeeper
from portress.sequence.fixed import expected

_MILLISECOND: Final = SECOND // 1000
_APART: Final = SECOND // 4  # ns: what the kernel's timeouts and the packets' times may differ by
_REMEMBERED: Final = 60 * SECOND  # ns: no report waits longer than that to be read


class Leaving:
    """Ends the admissions of those who leave. `clock` gives ns; `left` counts them by door."""

    def __init__(
        self, doorkeeper: Doorkeeper, table: Table, events: Events, clock: Callable[[], int]
    ) -> None:
        self.left: Counter[str] = Counter()
        self._doorkeeper = doorkeeper
        self._table = table
        self._events = events
        self._clock = clock
        self.untold: list[Expected] = []  # completed in the guard, and not reported
        self._ended: dict[tuple[str, Source], int] = {}  # when, by door and source

    def made(self, one: Expected, source: Source) -> int:
        """When the admission that it would end now was made or renewed last; -1 if there is none."""
        held = self._doorkeeper.register.get(one.door, source)
        return -1 if held is None else held.last

    def end(self, one: Expected, source: Source, when: int, made: int | None = None) -> bool:
        """`source` completed the leaving sequence `one` at the moment `when`: whether that ended anything.

        Nobody ends what another keyholder holds, or what is newer. `made`: what `made` said when it was read
        of. What is read at once may have come at one and the same moment, as far as is known.
        """
        held = self._doorkeeper.register.get(one.door, source)
        if held is None or held.keyholder != one.keyholder or self._newer(held, when, made):
            return False
        try:
            self._doorkeeper.dismiss(source, one.door, Ending.LEFT)
        except GuardError as error:
            self._events.tell("warning", f"{source} cannot leave {one.door}: {error}", source=source)
            return False
        now = self._clock()
        self._ended = {key: at for key, at in self._ended.items() if now - at < _REMEMBERED}
        self._ended[one.door, source] = now
        self.left[one.door] += 1
        return True

    def noted(self) -> list[tuple[str, Source, int]]:
        """Who completed a leaving sequence of which door lately, and when, as the guard has noted it. In any
        thread. Raises Mistake."""
        config, now = self._doorkeeper.config, self._clock()
        leaving = (door.name for door in config.doors.values() if door.leaving or door.leaving_fixed)
        return [
            (door, config.source(one.key), now - (one.timeout - one.left) * _MILLISECOND)
            for door in leaving
            for family in SADDR
            for one in elements.read(TABLE, f"{door}{LEFT}{family}")
        ]

    def catch_up(self, noted: Iterable[tuple[str, Source, int]]) -> None:
        """Where reports were lost: end what whoever is `noted` as having left has still."""
        untold, self.untold = self.untold, []
        fixed = [one for one in expected(self._doorkeeper.config) if one.leaves]
        for door, source, when in noted:
            for one in (*untold, *fixed):
                if one.door == door and self.end(one, source, when):
                    break

    def _newer(self, held: Admission, when: int, made: int | None) -> bool:
        """Whether the guard has let the source in again since. This daemon may not have read of that yet."""
        config = self._doorkeeper.config
        if config.decide != "kernel":
            return False  # who comes in and who leaves is heard in the order of the knocks
        if held.last > when or (made is not None and held.last != made):
            return True
        try:
            found = self._table.find(admission_set(held.door, held.source), held.source.key)
        except GuardError:
            return False
        now = self._clock()
        since = 0 if found is None else now - config.doors[held.door].stay + found.left * _MILLISECOND
        return when + _APART < since <= now + _APART

    def put_back(self, opened: Iterable[Grant]) -> None:
        """The guard let these in, each at its moment: those put out since, as they had left before that, are
        in again. Raises GuardError."""
        now = self._clock()
        for one in opened:
            door = self._doorkeeper.config.doors.get(one.door)
            if door is not None and self._ended.get((one.door, one.source), -1) >= one.when:
                left = max(SECOND, door.stay - (now - one.when))
                self._table.admit([evolve(one, stay=left)], came=True)
