"""What the daemon makes of the admissions that were there before it: taken over from the kernel, or restored.

In: what the kernel holds, and what the ledger or a fleet's store says. Out: the register, the guard's sets.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence

from attrs import frozen

from portress.admissions import Admission, Grant, How, Register, shuts
from portress.config.model import Config
from portress.events import Events
from portress.guard.table import Held, NoRoom, Table
from portress.knock import SECOND, Source
from portress.ledger.record import Record
from portress.run import places
from portress.run.afterwards import Afterwards
from portress.run.ledger_writer import Books


class Restoring:
    """The part of a doorkeeper that begins with what there is."""

    register: Register
    after: Afterwards  # what waits to be written down
    admitted: dict[tuple[str, str], int]
    _refused: set[Source]
    _table: Table
    _books: Books
    _events: Events
    _clock: Callable[[], int]
    _unix: Callable[[], float]

    @property
    def config(self) -> Config:
        """The configuration in force."""
        raise NotImplementedError

    def room(self, door: str, family: int) -> int:
        """How many more sources of a family may be admitted to a door; below 0 if there are too many."""
        raise NotImplementedError

    def admit(self, grants: Iterable[Grant]) -> list[Admission]:
        """Admit, or renew: the stay is set anew and never shortened. Raises GuardError."""
        raise NotImplementedError

    def _refuse_no_more(self, sources: Iterable[Source]) -> None:
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
                self.after.done()
                self._books.renewed(known, unix + one.left / SECOND)

    def _find(self, held: Held, now: int, unix: float) -> Admission:
        since, until = unix - held.since / SECOND, unix + held.left / SECOND
        admission = Admission(held.door, held.source, now - held.since, now + held.left, None, How.FOUND)
        self._books.admitted(admission, until, since=since)
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
                    one.door,
                    one.source,
                    since,
                    now + one.left,
                    record.keyholder,
                    record.how,
                    record.row,
                    record.step,
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
            admission = Admission(
                grant.door, grant.source, now, until, grant.keyholder, How.RESTORED, row, grant.step
            )
            self.register.put(admission)
            self.admitted[grant.door, How.RESTORED] = self.admitted.get((grant.door, How.RESTORED), 0) + 1
        return len(grants)

    def take_in(self, grants: Sequence[Grant]) -> None:
        """Admit very many who were let in at other gateways, for their stays. Raises GuardError.

        Those who are admitted here already, find no room or have few places go the way of `admit`.
        """
        now, unix, known = self._clock(), self._unix(), self.register.get
        new: dict[tuple[str, Source], Grant] = {}
        others: list[Grant] = []
        room: dict[tuple[str, int], int] = {}
        for one in grants:
            key, place = (one.door, one.source), (one.door, one.source.family)
            if place not in room:
                few = self.config.doors[one.door].places is not None
                room[place] = 0 if few else self.room(*place)
            if room[place] <= 0 or key in new or known(*key) is not None:
                others.append(one)
            else:
                room[place] -= 1
                new[key] = one
        many = list(new.values())
        try:
            self._table.admit(many, new=True)
        except NoRoom:  # the kernel clears away what is over once a second
            others, many = many + others, []
        self._note_all(many, now, unix)
        if others:
            self.admit(others)

    def _note_all(self, many: Sequence[Grant], now: int, unix: float) -> None:
        """The guard has let these in, of whom nobody was known."""
        if self._refused:
            self._refuse_no_more({one.source.whole for one in many})
        found = [
            Admission(one.door, one.source, now, now + one.stay, one.keyholder, one.how, None, None, now)
            for one in many
        ]
        for admission in found:
            self.register.put(admission)
        for door, count in Counter([one.door for one in many]).items():
            self.admitted[door, How.FLEET] = self.admitted.get((door, How.FLEET), 0) + count
        if found:
            self._books.admitted_all([(one, unix + (one.until - now) / SECOND) for one in found])
        for one in many:
            if self._events.wants("admitted"):
                places.tell_admitted(self._events, one, again=False)


@frozen
class Inside:
    """The register as (door, source): asked in another thread, it is looked up, not walked."""

    register: Register

    def __contains__(self, key: object) -> bool:
        assert isinstance(key, tuple)
        return any(one.door == key[0] for one in self.register.of(key[1]))
