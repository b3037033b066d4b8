"""What the guard's reports did not tell, where it decides: its maps and sets are read instead.

In: counters of what was not reported, and the guard's maps. Out: the tracker knows again who is part-way, the
register who is in; uses and leaves that nobody told are noted; what was full is told once a minute.
"""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Iterable
from itertools import islice
from typing import Final

from attrs import define, field

from portress.durations import counted
from portress.errors import Mistake
from portress.events import Minutely
from portress.guard.table import GuardError
from portress.knock import SECOND, Expected, Source
from portress.mirror import Mirror
from portress.run.deciding import Deciding
from portress.run.listener import Listener
from portress.sequence.trie import Path
from portress.verdict import Use

PART: Final = 512  # admissions that are read from the guard at once
MOST: Final = 50_000  # callers that are read from the guard: without a flood there are not so many
NOBODY: Final = Source.of(bytes(4))  # by whom a use was that nobody told of
_MILLISECOND: Final = SECOND // 1000
_UNTOLD: Final = ("untold", "untold_openings", "untold_first")  # what "untold_noise" counts changes nothing
_PRIORITIES: Final = "priorities_full"
Standing = tuple[bytes, tuple[Path, int], int]


@define(eq=False, slots=False)
class CatchingUp(Listener):
    """A Listener that reads the guard where its reports leave something out."""

    deciding: Deciding
    _crowded: bool = field(default=False, init=False)  # first knocks were not reported, lately
    _counted: dict[str, int] = field(factory=dict, init=False)
    _looking: asyncio.Task[None] | None = field(default=None, init=False)
    # who was heard since the guard's callers began to be read
    _heard: set[bytes] | None = field(default=None, init=False)
    _look_next: int = field(default=0, init=False)  # when the guard may be looked at again

    def __attrs_post_init__(self) -> None:
        super().__attrs_post_init__()
        self._no_claims = Minutely(self._clock, self._tell_no_claims)
        self._no_priorities = Minutely(self._clock, self._tell_no_priorities)

    def begin(self) -> None:
        """At the start: take over what the guard in the kernel knows, and plan what it is to hold."""
        if not isinstance(self.tracker, Mirror):
            return
        sequences = self._in_force.sequences
        known = self._table.listing()
        if known is not None and "next" in known.maps and "spent" in known.sets:
            self.deciding.adopt(self.tracker.trie, self._clock())
            self._learn_uses()
            self.leaving.untold.clear()  # who left while no daemon ran ended nothing
        tracker = self.tracker
        self._in_force.plan = self.deciding.plan_for(sequences, tracker.trie, tracker.used, tracker.floor)
        self._know_callers(self._part_way())

    def _learn_uses(self) -> None:
        """What the guard's own record has of uses, and nobody else."""
        used = self.tracker.used
        learnt = set()
        for one in self.deciding.spent(self.tracker.trie, self._in_force.plan):
            assert one.step is not None
            last = used.get(one.claim)
            if last is None or last.step < one.step:
                used[one.claim] = Use(one.step, b"", one.door)
                learnt.add(one.claim)
                self.leaving.untold += [one] if one.leaves else []
                self._spawn(self._note_use(one, NOBODY))
        self.withdraw(learnt)

    def _part_way(self) -> list[Standing] | None:
        """Who is part-way by the guard's maps, where, and for how long (ns) yet; None: too many to be read.
        Raises GuardError."""
        plan = self._in_force.plan
        read = self.deciding.maps.part_way(MOST)
        places = [(one, None if plan is None else plan.place_of(one[1])) for one in read or ()]
        found = [(one[0], place, one[2] * _MILLISECOND) for one, place in places if place is not None]
        return None if read is None else found

    def _know_callers(self, found: list[Standing] | None, but: Collection[bytes] = ()) -> None:
        """Too many are looked at when there are fewer; until then each is known by what is reported of it."""
        assert isinstance(self.tracker, Mirror)
        if found is None:
            self._crowded = True
        else:
            self.tracker.know(found, self._clock(), but)

    async def _look_at_callers(self) -> None:
        """Read who is part-way, which takes time where they are many: knocks are heard meanwhile."""
        if self._table.counted("untold_first") > self._counted.get("untold_first", 0):
            return  # since the last round of housekeeping: the next one sees it, too
        self._heard = set()
        try:
            found = await asyncio.to_thread(self._part_way)
            self._catch_up(1)
            self._know_callers(found, self._heard)
        finally:
            self._heard = None

    def tidy(self) -> None:
        """Once a second, as Listener does; and where reports are missing, look at what the guard has done."""
        before = self._lost, self._overruns
        super().tidy()
        if not isinstance(self.tracker, Mirror):
            return
        self._no_claims.settle()
        try:
            more = self._more()
        except GuardError:
            return
        behind = (self._lost, self._overruns) != before or more["untold"] or more["untold_openings"]
        if behind or self.tracker.astray or (self._crowded and not more["untold_first"]):
            self._look_soon()
        self._crowded = bool(more["untold_first"])
        self._no_priorities.add(more[_PRIORITIES])

    def _more(self) -> dict[str, int]:
        """How much the guard's counters of what it did not report have grown."""
        now = {name: self._table.counted(name) for name in (*_UNTOLD, _PRIORITIES)}
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
            self.leaving.catch_up(await asyncio.to_thread(self.leaving.noted))
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

    def _tell_no_priorities(self, count: int) -> None:
        text = f"{counted(count, 'packet')} not judged: no room to keep the priority that the host gave them"
        self._events.tell("full", text, count=count)

    def withdraw(self, claims: Iterable[bytes]) -> None:
        """Have the guard expect nothing that was used, or comes before that.

        While it is given another plan, that would wait for the kernel: it is done right after.
        """
        plan, loading = self._in_force.plan, self._in_force.loading
        if plan is None or self._in_force.changing or not isinstance(self.tracker, Mirror):
            return
        if loading.locked():
            self._spawn(self._withdraw_then(set(claims)))
            return
        try:
            self.deciding.withdraw(plan, claims, self.tracker.used, self.tracker.floor)
        except GuardError as error:
            self._events.tell("warning", f"used sequences were not withdrawn from the guard: {error}")

    async def _withdraw_then(self, claims: set[bytes]) -> None:
        """The same when the guard is loaded."""
        async with self._in_force.loading:
            pass
        self.withdraw(claims)

    async def _note_use(self, opening: Expected, source: Source, tell: bool = True) -> None:
        """Have it in the ledger, behind the door that is open already; `tell`: the other gateways, too."""
        assert opening.step is not None
        noted = await self._ledger_writer.use(opening.claim, opening.door, opening.step, source.whole)
        if noted == "nowhere":
            done = "left" if opening.leaves else "is in at"
            text = f"{source} {done} {opening.door}, but its use cannot be recorded anywhere"
            self._events.tell("warning", text, source=source, door=opening.door)
        if tell:
            await self._fellows.used(opening, source)
