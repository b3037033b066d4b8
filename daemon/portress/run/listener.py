"""The hot path: what the watcher hears goes through the tracker, and what the verdicts ask for is done.

Knocks heard in one read are judged one after the other; those they admit are admitted together.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Collection, Coroutine
from typing import Any, Final

from attrs import define, field

from portress.admissions import Grant
from portress.durations import counted
from portress.events import Minutely
from portress.guard.table import GuardError
from portress.knock import SECOND, Expected, Source
from portress.run import closed_hours
from portress.run.doorkeeper import Doorkeeper
from portress.run.fellows import Claimed, Fellows
from portress.run.flood import RoomKeeper
from portress.run.leaving import Leaving
from portress.run.ledger_writer import LedgerWriter
from portress.run.paper_desk import PaperDesk
from portress.run.recent import Recent
from portress.run.timing import Timing
from portress.sequence.in_force import still_to_come
from portress.verdict import (
    Advanced,
    Closed,
    Completed,
    Doubted,
    Expired,
    Ignored,
    Lapsed,
    Left,
    Missed,
    Repeated,
    Replayed,
    Use,
    Verdict,
)
from portress.verdict_words import NAMES, event, shunning
from portress.watch import Watcher

BUDGET: Final = 256  # datagrams read before the loop looks after something else
OPENING: Final = (0.0001, 0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.5, 1, 5)  # s
_QUIET: Final = (Ignored, Repeated)
_TOLD: Final = (Advanced, Missed, Lapsed, Closed, Doubted)
_UNNOTED: Final = {
    "nowhere": "its use cannot be recorded anywhere, so it could be repeated",
    "away": "sequences on paper are refused while the fleet's store cannot be asked",
}


def _other_family(packed: bytes, verdict: Replayed) -> bool:
    """Whether the last step used came again over the other address family, as browsers send it over both and
    clients do where the door stays shut: it is refused, but no alarm. `packed` is the source's address.
    """
    used_by = verdict.last.source
    same = verdict.opening.step == verdict.last.step and not verdict.elsewhere
    return same and isinstance(used_by, bytes) and {len(used_by), len(packed)} == {4, 16}


@define(eq=False, slots=False)
class Listener(RoomKeeper):
    """Hears `watcher`, asks the tracker in force, acts through `admit`. `clock` gives ns."""

    watcher: Watcher
    _doorkeeper: Doorkeeper
    _ledger_writer: LedgerWriter
    _admit_all: Callable[[list[Grant]], object] = field(alias="admit")
    _fellows: Fellows
    recent: Recent = field(factory=Recent, init=False)
    counts: Counter[type] = field(factory=Counter, init=False)
    replays: Counter[str] = field(factory=Counter, init=False)
    opening: Timing = field(factory=lambda: Timing(*OPENING), init=False)
    shuns: int = field(default=0, init=False)  # how often a source was shunned
    _why_unshunned: str = field(default="", init=False)
    _lost: int = field(default=0, init=False)
    _overruns: int = field(default=0, init=False)
    _tasks: set[asyncio.Task[None]] = field(factory=set, init=False)

    def __attrs_post_init__(self) -> None:
        self.leaving = Leaving(self._doorkeeper, self._table, self._events, self._clock)
        self.paper = PaperDesk(self._in_force, self._ledger_writer, self._events, self._fellows)
        self._unshunned = Minutely(self._clock, self._tell_unshunned)  # shunned by the tracker alone

    def turn_to(self, watcher: Watcher) -> None:
        """Hear another watcher from now on."""
        self.watcher = watcher
        self._lost, self._overruns = watcher.lost, watcher.overruns

    def listen(self) -> None:
        """Read what there is, up to the budget."""
        hear, note, counts = self.tracker.hear, self.recent.note, self.counts
        completed: list[Grant] = []
        followers = self._events.followers if self._events.followers.closely else None
        timed = self._in_force.sequences.keeps_hours
        for packed, knock, when, _interface in self.watcher.read(BUDGET):
            verdict = hear(packed, knock, when)
            kind = type(verdict)
            if timed and type(verdict) is Completed:
                shut = self._in_force.sequences.shut(verdict, self._doorkeeper.unix_at(when))
                verdict = self._in_hours(packed, verdict, when, shut)
                kind = type(verdict)
            counts[kind] += 1
            note(packed, knock, when, verdict)
            if followers is not None and kind is not Ignored:
                followers.knock(self.source(packed), knock, verdict)
            if kind not in _QUIET:
                self._act(packed, knock, verdict, when, completed)
        if completed:
            self._open(completed)

    def _in_hours(
        self, packed: bytes, verdict: Completed, when: int, shut: Collection[Expected]
    ) -> Completed | Closed:
        """What is left of it at this hour; what is `shut` is used up."""
        judged = self._in_force.sequences.judged(verdict, shut, self._doorkeeper.unix_at(when))
        for one in closed_hours.used_up(judged, shut):
            self._spawn(self._note_closed(one, self.source(packed)))
        return judged

    async def _note_closed(self, one: Expected, source: Source) -> None:
        assert one.step is not None
        if one.paper is not None:
            if await self.paper.claim(one, source) == "new":
                self._used(one)
            return
        await self._ledger_writer.use(one.claim, one.door, one.step, source)
        await self._fellows.used(one, source)

    def _spawn(self, work: Coroutine[Any, Any, Any]) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def tried(self, door: str) -> list[Source]:
        """From where a door that admits connections was dialled in vain in the last minute."""
        try:
            return self._table.tried(door)
        except GuardError:
            return []

    @property
    def void_paper(self) -> list[tuple[str, str]]:
        """Whose paper is void, and for which door."""
        return self._in_force.sequences.void_paper

    def source(self, packed: bytes) -> Source:
        """The source that the watcher's bytes stand for."""
        return self._in_force.source(packed)

    def _act(
        self,
        packed: bytes,
        knock: int,
        verdict: Verdict,
        when: int,
        completed: list[Grant],
    ) -> None:
        if isinstance(verdict, Completed):
            for opening in verdict.openings:
                source = self._admitted_source(opening, packed, knock, when)
                if source is not None:
                    completed.append(Grant.of(opening, source, when))
        elif isinstance(verdict, Left):
            self._open(completed)  # whoever came in before can leave
            completed.clear()
            self._leave(packed, verdict, when)
        elif isinstance(verdict, Replayed):
            source = self.source(packed)
            known = not verdict.opening.leaves and self._is_in(source, verdict.opening)
            if not known and not _other_family(packed, verdict):
                self._replayed(source, verdict)
        elif isinstance(verdict, _TOLD):
            self._tell(packed, verdict)
            if isinstance(verdict, Missed) and verdict.shunned_until is not None:
                self._shun(packed, verdict.shunned_until - when, verdict)

    def _admitted_source(self, opening: Expected, packed: bytes, knock: int, when: int) -> Source | None:
        """Who is let in: the source, or only the connection that comes from the last knock's own port."""
        if not opening.one_connection:
            return self.source(packed)
        origin = self.watcher.came_from(packed, knock, when)
        if origin is None:
            text = (
                f"{self.source(packed)} not admitted to {opening.door}: the port it knocked from is unknown"
            )
            self._events.tell("warning", text)
            return None
        return Source(origin[0], len(origin[0]) * 8, origin[1])

    def _tell(self, packed: bytes, verdict: Advanced | Missed | Lapsed | Expired | Closed | Doubted) -> None:
        if self._events.wants(NAMES[type(verdict)]):
            closed = isinstance(verdict, Closed)
            unix = self._doorkeeper.unix_at(self._clock()) if closed else 0.0
            self._events.say(event(self.source(packed), verdict, unix))

    def _shun(self, packed: bytes, ns: int, verdict: Missed) -> None:
        source = self.source(packed)
        misses = self.tracker.misses
        assert misses is not None
        self.shuns += 1
        try:
            self._table.shun(source, ns)
        except GuardError as error:
            self._why_unshunned = str(error)
            self._unshunned.add()
        self._events.say(shunning(source, verdict, ns, misses))  # it is in force once it is said

    def _tell_unshunned(self, count: int) -> None:
        text = (
            f"{counted(count, 'source')} shunned by the daemon only, which sees more packets than necessary"
        )
        self._events.tell("full", f"{text}: {self._why_unshunned} (see `callers`)", count=count)

    def _is_in(self, source: Source, opening: Expected) -> bool:
        """Whether the source is admitted by that very keyholder: a client that knocks over two families, and
        soon again, uses up steps out of order. It is refused, but no thief."""
        admitted = self._doorkeeper.register.of(source)
        return any(one.door == opening.door and one.keyholder == opening.keyholder for one in admitted)

    def _replayed(self, source: Source, verdict: Replayed) -> None:
        step, last = verdict.opening.step or 0, verdict.last.step
        ahead = still_to_come(self._in_force.config, step, last)
        line = event(source, verdict, 0.0, ahead=ahead)
        if line.kind == "replayed":
            self.replays[verdict.opening.door] += 1
        self._events.say(line)

    def _open(self, completed: list[Grant]) -> None:
        at_once: list[Grant] = []
        for grant in completed:
            if grant.by is None or grant.by.step is None:
                at_once.append(grant)
            else:
                self._spawn(self._open_once(grant, grant.by))
        if at_once:
            self._admit(at_once)

    async def _open_once(self, grant: Grant, opening: Expected) -> None:
        """Admit by a rotating sequence, once its use is on the disk."""
        assert opening.keyholder is not None and opening.step is not None
        source = grant.source
        noted: Claimed
        if opening.paper is None:
            noted = await self._ledger_writer.use(opening.claim, opening.door, opening.step, source.whole)
        else:
            noted = await self.paper.claim(opening, source)
        if noted == "used":
            self._replayed(source, Replayed(opening, Use(opening.step, b"")))
        elif noted != "new":
            text = f"{source} refused at {opening.door}: {_UNNOTED[noted]}"
            self._events.tell("warning", text, source=source, door=opening.door)
        elif opening.holder in self.tracker.trie.rotating:  # else unenrolled meanwhile
            if opening.paper is None and not await self._fellows.first(opening, source):
                return
            self._used(opening)
            async with self._in_force.loading:
                self._admit([grant])
            await self._fellows.used(opening, source)

    def _leave(self, packed: bytes, verdict: Left, when: int) -> None:
        """End what whoever completed a leaving sequence has at its door."""
        source = self.source(packed)
        for one in verdict.openings:
            if one.step is None:
                self.leaving.end(one, source, when)
            else:
                self._spawn(self._leave_once(one, source, when, self.leaving.made(one, source)))

    async def _leave_once(self, one: Expected, source: Source, when: int, made: int) -> None:
        """End an admission by a rotating sequence, once its use is on the disk."""
        assert one.step is not None
        noted = await self._ledger_writer.use(one.claim, one.door, one.step, source)
        if noted == "used":
            self._replayed(source, Replayed(one, Use(one.step, b"")))
        elif noted != "new":
            text = f"{source} cannot leave {one.door}: {_UNNOTED[noted]}"
            self._events.tell("warning", text, source=source, door=one.door)
        elif one.holder in self.tracker.trie.rotating and await self._fellows.first(one, source):
            async with self._in_force.loading:
                self.leaving.end(one, source, when, made)
            await self._fellows.used(one, source)

    def _used(self, opening: Expected) -> None:
        """The use of a sequence is on the disk."""
        self.paper.tell_few(opening)

    def _admit(self, grants: list[Grant]) -> None:
        self._admit_all(grants)
        now = self._clock()
        for one in grants:
            self.opening.observe((now - one.when) / SECOND)

    def tidy(self) -> None:
        """Once a second: forget callers whose gap is over, tell what was lost."""
        now = self._clock()
        self._catch_up(1)  # what came in time and waits to be read is not over
        for packed, stood in self.tracker.expire(now - self.watcher.lag):
            assert isinstance(packed, bytes)
            over = Expired(stood.stage, stood.of, stood.doors)
            self.recent.note(packed, 0, now, over)
            self._tell(packed, over)
        self._unshunned.settle()
        lost, overruns = self.watcher.lost, self.watcher.overruns
        if lost != self._lost or overruns != self._overruns:
            missing, full = lost - self._lost, overruns - self._overruns
            text = f"{counted(missing, 'reported packet')} lost, the buffer was full {counted(full, 'time')}"
            self._events.tell("lost", text, count=missing)
            self._lost, self._overruns = lost, overruns

    def _catch_up(self, reads: int) -> None:
        """Hear what waits to be read by now, unless the watcher has an interval of its own."""
        if self.watcher.interval is None:
            self.listen()
            while self.watcher.lag and reads > 1:
                self.listen()
                reads -= 1
