"""The hot path where the kernel decides: what the guard reports is followed, noted and explained.

In: reports of the guard, and its maps where reports are missing. Out: the register of admissions, the uses in
the ledger, events; and what the guard alone cannot know is put right: sequences older than the last one used,
a stay that is shorter or longer than the door's, other doors that the same end opens.
"""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Iterable, Sequence
from itertools import islice
from typing import Final, cast

from attrs import define, field

from portress.admissions import Grant
from portress.durations import counted
from portress.errors import Mistake
from portress.events import Minutely
from portress.guard import decide
from portress.guard.decide import Opener
from portress.guard.table import GuardError
from portress.knock import SECOND, Expected, Source
from portress.mirror import Mirror
from portress.run.deciding import Deciding
from portress.run.listener import BUDGET, Listener
from portress.sequence.trie import Path
from portress.verdict import Closed, Completed, Ignored, Left, Repeated, Replayed, Report, Use, Verdict
from portress.watch.reports import Reported

PART: Final = 512  # admissions that are read from the guard at once
_MILLISECOND: Final = SECOND // 1000
_QUIET: Final = (Ignored, Repeated)
_SAME: Final = _MILLISECOND  # ns within which two reports are of one packet
_UNTOLD: Final = ("untold", "untold_openings", "untold_first")  # what "untold_noise" counts changes nothing
Standing = tuple[bytes, tuple[Path, int], int]


@define(eq=False, slots=False)
class MirrorListener(Listener):
    """A Listener that follows the guard where its tracker is a Mirror, and acts through `deciding`."""

    deciding: Deciding
    _openers: tuple[object, list[Opener]] = field(factory=lambda: (None, []), init=False)
    _full_at: set[tuple[bytes, str]] = field(factory=set, init=False)  # found no room, by the report before
    # closed, by the report before, and when
    _closed_at: dict[tuple[bytes, str], int] = field(factory=dict, init=False)
    _behind: bool = field(default=False, init=False)  # reports are missing: look at the maps
    _crowded: bool = field(default=False, init=False)  # first knocks were not reported, lately
    _counted: dict[str, int] = field(factory=dict, init=False)
    _looking: asyncio.Task[None] | None = field(default=None, init=False)
    # who was heard since the guard's callers began to be read
    _heard: set[bytes] | None = field(default=None, init=False)
    _look_next: int = field(default=0, init=False)  # when the guard may be looked at again

    def __attrs_post_init__(self) -> None:
        super().__attrs_post_init__()
        self._no_claims = Minutely(self._clock, self._tell_no_claims)

    def listen(self) -> None:
        """Read what there is, up to the budget."""
        mirror = self.tracker
        if not isinstance(mirror, Mirror):
            super().listen()
            return
        opened: list[Grant] = []
        others: list[Grant] = []
        for packed, knock, when, _, report, number in cast(list[Reported], self.watcher.read(BUDGET)):
            if self._heard is not None:
                self._heard.add(packed)
            verdict: Verdict | None
            if report == Report.LEFT:
                verdict = mirror.left(packed, knock, when, self._doors_of(number))
            elif report in (Report.OPENED, Report.CLAIMED):
                verdict = self._complete(mirror, packed, knock, when, number, opened, others)
            else:
                verdict = self._follow_on(mirror, packed, knock, when, report, number, others)
            if verdict is None:
                continue
            self.counts[type(verdict)] += 1
            self.recent.note(packed, knock, when, verdict)
            if self._events.followers.closely and not isinstance(verdict, Ignored):
                self._events.followers.knock(self.source(packed), knock, verdict)
            if isinstance(verdict, Left) and opened:
                self._note_opened(opened)  # whoever came in before can leave
                opened = []
            if not isinstance(verdict, (*_QUIET, Completed)):
                self._act(packed, knock, verdict, when, [])
        if opened:
            self._note_opened(opened)
        if others:
            self._open(others)

    def _complete(
        self,
        mirror: Mirror,
        packed: bytes,
        knock: int,
        when: int,
        number: int,
        opened: list[Grant],
        others: list[Grant],
    ) -> Verdict:
        """The guard has opened a door: what it let in, and what it could not know."""
        doors, closed = self._opened_by(packed, when, number)
        verdict = mirror.completed(packed, knock, when, doors)
        if isinstance(verdict, Completed) and (closed or self._in_force.rota.keeps_hours):
            verdict = self._left_open(packed, verdict, when, closed)
        if isinstance(verdict, Completed):
            for one in verdict.openings:
                if (packed, one.door) in self._full_at:
                    continue
                source = self._admitted_source(one, packed, knock, when)
                if source is not None:
                    by_guard = one.door in doors and one.paper is None
                    (opened if by_guard else others).append(Grant.of(one, source, when))
        elif isinstance(verdict, Replayed):  # older than the last one used: the guard could not know yet
            source = self._admitted_source(verdict.opening, packed, knock, when)
            if source is not None:
                self._put_out(source, doors)
        self._full_at.clear()
        self._closed_at.clear()
        return verdict

    def _follow_on(
        self,
        mirror: Mirror,
        packed: bytes,
        knock: int,
        when: int,
        report: str,
        number: int,
        others: list[Grant],
    ) -> Verdict | None:
        """A report of what opened nothing."""
        if report == Report.FULL:
            self._found_full(packed, number)
            return None
        if report == Report.CLOSED:
            self._closed_at[packed, self._door(number)] = when
            return None
        if report == Report.NO_CLAIM:
            self._no_claims.add()
            return Ignored()
        told = mirror.follow(packed, knock, when, report)
        return self._asked(packed, told, when, others) if isinstance(told, Completed) else told

    def _asked(self, packed: bytes, told: Completed, when: int, others: list[Grant]) -> Verdict:
        """A sequence on paper, which opens by the daemon, with its use on the disk; any other was begun
        in time, and its keyholder's time was over before its end.
        """
        shut = [one for one in told.openings if one.paper is None]
        shut += [one for one in self._in_force.rota.shut(told, self._doorkeeper.unix_at(when)) if one.paper]
        judged = self._in_hours(packed, told, when, shut)
        if isinstance(judged, Completed):
            others.extend(Grant.of(one, self.source(packed), when) for one in judged.openings)
        return judged

    def _door(self, number: int) -> str:
        doors = list(self._in_force.config.doors)
        return doors[number] if number < len(doors) else ""

    def _left_open(
        self, packed: bytes, verdict: Completed, when: int, closed: Collection[str]
    ) -> Completed | Closed:
        """What the guard let in at this hour. Its clock is asked a little later than the packet's time is
        taken: near the beginning and the end of the hours, its word counts alone."""
        rota, unix = self._in_force.rota, self._doorkeeper.unix_at(when)
        out = [one for one in rota.shut(verdict, unix - 1) if one in rota.shut(verdict, unix + 1)]
        shut = [one for one in verdict.openings if one.door in closed or one in out]
        judged = self._in_hours(packed, verdict, when, shut)
        self.withdraw({one.claim for one in shut if one.step is not None})
        return judged

    def _opened_by(self, packed: bytes, when: int, number: int) -> tuple[Collection[str], Collection[str]]:
        """The doors that a report is about, and those that the guard kept closed at this hour."""
        opener = self.openers[number] if number < len(self.openers) else None
        if opener is not None and not opener.doors:  # the keyholder's hours
            doors = list(self._in_force.config.doors)
            return doors, doors
        shut = {
            door
            for (source, door), at in self._closed_at.items()
            if source == packed and abs(when - at) < _SAME
        }
        return self._doors_of(number), shut

    def _doors_of(self, number: int) -> Collection[str]:
        """The doors that a report's number means."""
        return self.openers[number].doors if number < len(self.openers) else ()

    @property
    def openers(self) -> list[Opener]:
        """What the numbers in reports mean."""
        config = self._in_force.config
        if self._openers[0] is not config:
            self._openers = (config, decide.openers(config))
        return self._openers[1]

    def _found_full(self, packed: bytes, number: int) -> None:
        if door := self._door(number):
            self._full_at.add((packed, door))
            self._doorkeeper.found_full(door)

    def _put_out(self, source: Source, doors: Iterable[str]) -> None:
        """The guard let a source in that should not be: it was not admitted before."""
        gone = [(door, source) for door in doors if self._doorkeeper.register.get(door, source) is None]
        try:
            self._table.dismiss(gone)
        except GuardError as error:
            self._events.tell("warning", f"{source} cannot be removed again: {error}", source=source)

    def _note_opened(self, opened: Sequence[Grant]) -> None:
        """The doors are open already: note it, and see to it that nothing of it can be repeated."""
        rotating = [(one, one.by) for one in opened if one.by is not None and one.by.step is not None]
        known = self.tracker.trie.rotating
        unenrolled = [one for one, by in rotating if by.holder not in known]
        for one in unenrolled:
            self._put_out(one.source, [one.door])
        self.withdraw({by.claim for _, by in rotating})
        enrolled = [one for one in opened if one not in unenrolled]
        self.leaving.put_back(enrolled)
        self._doorkeeper.opened(enrolled)
        now = self._clock()
        for one in opened:
            self.opening.observe((now - one.when) / SECOND)
        for one, by in rotating:
            self._spawn(self._note_use(by, one.source))

    async def _leave_once(self, one: Expected, source: Source, when: int) -> None:
        if not isinstance(self.tracker, Mirror):
            return await super()._leave_once(one, source, when)
        self.withdraw([one.claim])  # the guard has claimed it already
        if one.holder in self.tracker.trie.rotating:  # else unenrolled meanwhile
            self.leaving.end(one, source, when)
        return await self._note_use(one, source)

    def _used(self, opening: Expected) -> None:
        super()._used(opening)
        if opening.paper is not None and isinstance(self.tracker, Mirror):
            self.withdraw([opening.claim])

    def withdraw(self, claims: Iterable[bytes]) -> None:
        """Have the guard expect nothing that was used, or comes before that."""
        plan = self._in_force.plan
        if plan is None or not isinstance(self.tracker, Mirror):
            return
        try:
            self.deciding.withdraw(plan, claims, self.tracker.used, self.tracker.floor)
        except GuardError as error:
            self._events.tell("warning", f"used sequences were not withdrawn from the guard: {error}")

    async def _note_use(self, opening: Expected, source: Source, tell: bool = True) -> None:
        """Have it in the ledger, behind the door that is open already; `tell`: the other gateways, too."""
        assert opening.step is not None
        noted = await self._books.use(opening.claim, opening.door, opening.step, source.whole)
        if noted == "nowhere":
            done = "left" if opening.leaves else "is in at"
            text = f"{source} {done} {opening.door}, but its use cannot be recorded anywhere"
            self._events.tell("warning", text, source=source, door=opening.door)
        if tell:
            await self._fellows.used(opening, source)

    # What reports did not tell

    def begin(self) -> None:
        """At the start: take over what the guard in the kernel knows, and plan what it is to hold."""
        if not isinstance(self.tracker, Mirror):
            return
        rota = self._in_force.rota
        known = self._table.listing()
        if known is not None and "next" in known.maps and "spent" in known.sets:
            self.deciding.adopt(self.tracker.trie, self._clock())
            self._learn_uses()
        tracker = self.tracker
        self._in_force.plan = self.deciding.plan_for(rota, tracker.trie, tracker.used, tracker.floor)
        self._know_callers(self._part_way())

    def _learn_uses(self) -> None:
        """What the guard's own record has of uses, and nobody else."""
        used = self.tracker.used
        learnt = set()
        for one in self.deciding.spent(self.tracker.trie):
            assert one.step is not None
            last = used.get(one.claim)
            if last is None or last.step < one.step:
                used[one.claim] = Use(one.step, b"", one.door)
                learnt.add(one.claim)
                nobody = Source.of(bytes(4))
                self._spawn(self._note_use(one, nobody))
        self.withdraw(learnt)

    def _part_way(self) -> list[Standing]:
        """Who is part-way by the guard's maps, where, and for how long (ns) yet. Raises GuardError."""
        plan = self._in_force.plan
        found = []
        for packed, number, left in self.deciding.maps.part_way():
            place = None if plan is None else plan.place_of(number)
            if place is not None:
                found.append((packed, place, left * _MILLISECOND))
        return found

    def _know_callers(self, found: list[Standing], but: Collection[bytes] = ()) -> None:
        assert isinstance(self.tracker, Mirror)
        self.tracker.know(found, self._clock(), but)

    async def _look_at_callers(self) -> None:
        """Read who is part-way, which takes time where they are many: knocks are heard meanwhile."""
        self._heard = set()
        try:
            found = await asyncio.to_thread(self._part_way)
            self._catch_up(1)
            self._know_callers(found, self._heard)
        finally:
            self._heard = None

    def tidy(self) -> None:
        """Once a second, as Listener does; and where reports are missing, look at what the guard has done."""
        lost = self.watcher.lost
        overruns, before = self.watcher.overruns, (self._lost, self._overruns)
        super().tidy()
        if not isinstance(self.tracker, Mirror):
            return
        self._no_claims.settle()
        try:
            more = self._more()
        except GuardError:
            return
        behind = (lost, overruns) != before or more["untold"] or more["untold_openings"]
        if behind or self.tracker.astray or (self._crowded and not more["untold_first"]):
            self._look_soon()
        self._crowded = bool(more["untold_first"])

    def _more(self) -> dict[str, int]:
        """How much the guard's counters of what it did not report have grown."""
        now = {name: self._table.counted(name) for name in _UNTOLD}
        before, self._counted = self._counted, now
        return {name: max(0, count - before.get(name, count)) for name, count in now.items()}

    def _look_soon(self) -> None:
        """Look at the guard unless that is being done; it takes a tenth of the time at the most."""
        assert isinstance(self.tracker, Mirror)
        self.tracker.astray = True  # until it is done
        if self._looking is None and self._clock() >= self._look_next:
            self._looking = asyncio.get_running_loop().create_task(self._look_at_guard())

    async def _look_at_guard(self) -> None:
        """Read what the guard has done, a part at a time in a thread: knocks are heard meanwhile.

        What was read may be older than a dismissal: then the rest is left for the next time.
        """
        assert isinstance(self.tracker, Mirror)
        begun = self._clock()
        self.tracker.astray = False
        try:
            self._learn_uses()
            held, ended = self._table.each_admission(), self._table.dismissals
            while part := await asyncio.to_thread(lambda: [*islice(held, PART)]):
                if self._table.dismissals != ended:
                    self.tracker.astray = True
                    return
                self._doorkeeper.find(part)
            if not self._crowded:
                await self._look_at_callers()
        except Mistake as mistake:
            self.tracker.astray = True
            self._events.tell("warning", f"the guard cannot be read: {mistake}")
        finally:
            now = self._clock()
            self._looking, self._look_next = None, now + 9 * (now - begun)

    def look_for_room(self) -> None:
        """Once a second: whether first knocks found no room. The guard itself makes them short in a flood."""
        if not isinstance(self.tracker, Mirror):
            super().look_for_room()
            return
        try:
            no_room = self._table.found_no_room()
        except GuardError:
            return
        if self._looked is not None:
            self._turned_away += max(0, no_room - self.no_room)
        self._looked, self.no_room = self._clock(), no_room
        self._tell_turned_away(self._looked)

    def _tell_no_claims(self, count: int) -> None:
        text = f"{counted(count, 'rotating sequence')} refused: the guard's record of uses is full"
        self._events.tell("full", text, count=count)
