"""What the daemon makes of admissions that were there before it, or before the guard was: taken over from the
kernel, restored, or put back.

In: what the kernel holds, and what the ledger or a fleet's store says. Out: the register, the guard's sets.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from itertools import islice
from typing import Final

from attrs import evolve, frozen

from portress.admissions import Admission, Ending, Grant, How, shuts
from portress.config.model import Config
from portress.events import Events
from portress.guard.ruleset import Ruleset, door_set
from portress.guard.table import GuardError, Held, NoRoom, Table
from portress.guard.timed import with_space
from portress.knock import SECOND, Source
from portress.ledger.record import Record
from portress.register import Register
from portress.run import places
from portress.run.afterwards import Afterwards
from portress.run.ledger_writer import LedgerWriter

AT_ONCE: Final = 64  # admissions that are put back together with the guard
HELD_BACK: Final = (
    10 * SECOND
)  # ns that the kernel lets nobody in where there are too many, unless told again


class Restoring:
    """The part of a doorkeeper that begins with what there is."""

    register: Register
    after: Afterwards  # what waits to be written down
    admitted: dict[tuple[str, str], int]
    _refused: set[Source]
    _table: Table
    _ledger_writer: LedgerWriter
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

    def _refuse(self, sources: Iterable[Source]) -> None:
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
                self._ledger_writer.renewed(known, unix + one.left / SECOND)

    def _find(self, held: Held, now: int, unix: float) -> Admission:
        since, until = unix - held.since / SECOND, unix + held.left / SECOND
        admission = Admission(held.door, held.source, now - held.since, now + held.left, None, How.FOUND)
        self._ledger_writer.admitted(admission, until, since=since)
        self._put_found(admission)
        return admission

    def _put_found(self, admission: Admission) -> None:
        """Have it in the register. One too many for a door, and the kernel is to let nobody else in."""
        self.register.put(admission)
        place = admission.door, admission.source.family
        if self.register.count(*place) == self._crowd + 1:
            self._hold_back([place])

    @property
    def _crowd(self) -> int:
        """As many admissions of a family to a door as there may be without something being wrong: those of
        whole sources and of single connections, and some that the kernel has cleared away a moment before."""
        return 2 * self.config.admissions + 64

    def hold_back_crowds(self) -> None:
        """Where too many are in, have the kernel let nobody else in.

        A transaction that renews or ends admissions counts them twice until it is over. If a set is full
        then, the kernel, which looks whether it holds exactly as many as it may, has room for everybody.
        """
        self._hold_back(self.register.crowded(self._crowd))

    def _hold_back(self, places: Iterable[tuple[str, int]]) -> None:
        for door, family in places:
            with contextlib.suppress(GuardError):  # in a second
                self._table.hold_back(door, family, HELD_BACK)

    def counted_now(self, records: Iterable[Record]) -> list[Record]:
        """Admissions of the ledger by the sources that count now: of several that are one, the longest. The
        others end, and so do those of sources that were wider."""
        widths, over = self.config.widths, list[Record]()
        chosen: dict[tuple[str, Source], Record] = {}
        for record in sorted(records, key=lambda one: one.until):
            source = widths.counted(record.source)
            if not source.port and source.length < widths.of(source.family):
                over.append(record)
            else:
                before = chosen.pop((record.door, source), None)
                over += [] if before is None else [before]
                same = source is record.source
                chosen[record.door, source] = record if same else evolve(record, source=source)
        for one in over:
            self._ledger_writer.ended(
                Admission(one.door, one.source, 0, 0, row=one.row), Ending.PREFIX_CHANGED
            )
        return list(chosen.values())

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
            self._put_found(admission)
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
            self._ledger_writer.admitted_all([(one, unix + (one.until - now) / SECOND) for one in found])
        for one in many:
            if self._events.wants("admitted"):
                places.tell_admitted(self._events, one, again=False)

    async def put_back(self, ruleset: Ruleset) -> list[Admission]:
        """Load the guard again, in a thread: somebody threw it away or changed it.

        The first admissions are in it at once; those that are returned have to be, a part at a time:
        `put_back_part`; so has what is left for the table's maps. Who was dismissed meanwhile is not in it.
        """
        first = list(islice(self.register, AT_ONCE))
        wanted, grants = self._with_space(ruleset), self._rest_of(first)
        await asyncio.to_thread(self._table.load, wanted, grants, in_parts=True)
        get = self.register.get
        if gone := [(one.door, one.source) for one in first if get(one.door, one.source) is None]:
            self._table.dismiss(gone)
        return self._all_but(first)

    def _with_space(self, ruleset: Ruleset) -> Ruleset:
        """The guard with room for everybody who is admitted."""
        places = ((door, family) for door in self.config.doors for family in (4, 6))
        return with_space(ruleset, {door_set(*one): self.register.count(*one) for one in places})

    def _all_but(self, first: list[Admission]) -> list[Admission]:
        """The admissions that are not in the guard yet, which has those of `first`; nor are the dismissed."""
        self._refuse(islice(self._refused, AT_ONCE))
        those = {id(one) for one in first}
        return [one for one in self.register if id(one) not in those]

    def put_back_part(self, part: Iterable[Admission]) -> None:
        """Have those of `put_back` in the guard again that are still in force. Raises GuardError."""
        self._table.put_back(self._rest_of(part))

    def _rest_of(self, some: Iterable[Admission]) -> list[Grant]:
        """What is left of those that are still in force; a single connection comes no second time."""
        now, get = self._clock(), self.register.get
        held = (one for one in some if not one.source.port and get(one.door, one.source) is one)
        return [one.rest(now) for one in held if one.until > now]


@frozen
class Inside:
    """The register as (door, source): asked in another thread, it is looked up, not walked."""

    register: Register

    def __contains__(self, key: object) -> bool:
        assert isinstance(key, tuple)
        return any(one.door == key[0] for one in self.register.of(key[1]))
