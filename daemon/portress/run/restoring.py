"""What the daemon makes of the admissions that were there before it: taken over from the kernel, or restored.

In: what the kernel holds and what the ledger says. Out: the register, and the guard's sets. No line is told
for each: there may be very many.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from attrs import frozen

from portress.admissions import Admission, Grant, How, Register, shuts
from portress.config.model import Config
from portress.guard.table import Held, Table
from portress.knock import SECOND, Source
from portress.ledger.record import Record
from portress.run.ledger_writer import Books


class Restoring:
    """The part of a doorkeeper that begins with what there is."""

    register: Register
    admitted: dict[tuple[str, str], int]
    _refused: set[Source]
    _table: Table
    _books: Books
    _clock: Callable[[], int]
    _unix: Callable[[], float]

    @property
    def config(self) -> Config:
        """The configuration in force."""
        raise NotImplementedError

    def room(self, door: str, family: int) -> int:
        """How many more sources of a family may be admitted to a door; below 0 if there are too many."""
        raise NotImplementedError

    def find(self, held: Iterable[Held]) -> None:
        """Know the admissions in the guard that nobody told of."""
        now, unix = self._clock(), self._unix()
        for one in held:
            known = self.register.get(one.door, one.source)
            if one.door in self.config.doors and known is None:
                self._find(one, now, unix)
            elif known is not None and now + one.left > known.until + SECOND:
                known.until = now + one.left
                self.register.put(known)
                self._books.renewed(known, unix + one.left / SECOND)

    def _find(self, held: Held, now: int, unix: float) -> Admission:
        since = max(0, held.since)
        admission = Admission(held.door, held.source, now - since, now + held.left, None, How.FOUND)
        self._books.admitted(admission, unix + held.left / SECOND, since=unix - since / SECOND)
        self.register.put(admission)
        return admission

    def take_over(self, held: Iterable[Held], records: Iterable[Record]) -> int:
        """Know the admissions found in the kernel, with what the ledger says of them; how many."""
        known = {(one.door, one.source): one for one in records}
        self._refused = self._table.refused()
        now, unix, count = self._clock(), self._unix(), 0
        for one in held:
            record = known.pop((one.door, one.source), None)
            if record is None:
                admission = self._find(one, now, unix)
            else:
                since = now - round((unix - record.since) * SECOND)
                admission = Admission(
                    one.door, one.source, since, now + one.left, record.keyholder, record.how, record.row
                )
            self.register.put(admission)
            count += 1
        return count

    def restore(self, records: Iterable[Record]) -> int:
        """Admit again, for the time left, those that the ledger has and the kernel has not; how many."""
        unix = self._unix()
        grants: list[Grant] = []
        rows: list[int] = []
        room: dict[tuple[str, int], int] = {}
        for one in records:
            place = one.door, one.source.family
            door = self.config.doors.get(one.door)
            if door is None or one.source.port or shuts(self.config, one.door, unix):
                continue
            if self.register.get(one.door, one.source) is None:
                room[place] = room.get(place, self.room(*place)) - 1
                if room[place] >= 0:
                    left = round((one.until - unix) * SECOND)
                    grants.append(Grant(one.door, one.source, left, one.keyholder, one.step, How.RESTORED))
                    rows.append(one.row)
        self._table.admit(grants)
        now = self._clock()
        for grant, row in zip(grants, rows, strict=True):
            until = now + grant.stay
            self.register.put(
                Admission(grant.door, grant.source, now, until, grant.keyholder, How.RESTORED, row)
            )
            self.admitted[grant.door, How.RESTORED] = self.admitted.get((grant.door, How.RESTORED), 0) + 1
        return len(grants)


@frozen
class Inside:
    """The register as (door, source): asked in another thread, it is looked up, not walked."""

    register: Register

    def __contains__(self, key: object) -> bool:
        assert isinstance(key, tuple)
        return any(one.door == key[0] for one in self.register.of(key[1]))
