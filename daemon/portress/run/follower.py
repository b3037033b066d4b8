"""The hot path where the kernel decides: what the guard reports is followed, noted and explained.

In: reports of the guard, and its maps where reports are missing. Out: the register of admissions, the uses in
the ledger, events; and what the guard alone cannot know is put right: sequences older than the last one used,
a stay that is shorter or longer than the door's, other doors that the same end opens.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import Final, cast

from attrs import define, field

from portress.admissions import Grant
from portress.durations import counted
from portress.guard import decide
from portress.guard.decide import Opener
from portress.guard.table import GuardError
from portress.knock import SECOND, Expected, Source
from portress.mirror import Mirror
from portress.run.catching_up import CatchingUp
from portress.run.listener import BUDGET
from portress.verdict import Closed, Completed, Ignored, Left, Repeated, Replayed, Report, Verdict
from portress.watch.reports import Reported

_QUIET: Final = (Ignored, Repeated)
_SAME: Final = SECOND // 1000  # ns within which two reports are of one packet


@define(eq=False, slots=False)
class MirrorListener(CatchingUp):
    """A Listener that follows the guard where its tracker is a Mirror, and acts through `deciding`."""

    _openers: tuple[object, list[Opener]] = field(factory=lambda: (None, []), init=False)
    _full_at: set[tuple[bytes, str]] = field(factory=set, init=False)  # found no room, by the report before
    # closed, by the report before, and when
    _closed_at: dict[tuple[bytes, str], int] = field(factory=dict, init=False)

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
        if isinstance(verdict, Completed) and (closed or self._in_force.sequences.keeps_hours):
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
        shut += [
            one for one in self._in_force.sequences.shut(told, self._doorkeeper.unix_at(when)) if one.paper
        ]
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
        sequences, unix = self._in_force.sequences, self._doorkeeper.unix_at(when)
        out = [one for one in sequences.shut(verdict, unix - 1) if one in sequences.shut(verdict, unix + 1)]
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
        try:
            self._doorkeeper.opened(enrolled)
        except GuardError as error:
            who = counted(len(enrolled), "source")
            self._events.tell(
                "warning", f"{who} admitted, but not all noted; reading the guard again: {error}"
            )
            self._look_soon()
        now = self._clock()
        for one in opened:
            self.opening.observe((now - one.when) / SECOND)
        for one, by in rotating:
            self._spawn(self._note_use(by, one.source))

    async def _leave_once(self, one: Expected, source: Source, when: int, made: int) -> None:
        if not isinstance(self.tracker, Mirror):
            return await super()._leave_once(one, source, when, made)
        self.withdraw([one.claim])  # the guard has claimed it already
        if one.holder in self.tracker.trie.rotating:  # else unenrolled meanwhile
            self.leaving.end(one, source, when, made)
        return await self._note_use(one, source)

    def _used(self, opening: Expected) -> None:
        super()._used(opening)
        if opening.paper is not None and isinstance(self.tracker, Mirror):
            self.withdraw([opening.claim])
