"""The daemon's place in the fleet: what happens here goes out, what happens elsewhere is done here as well.

In: the daemon's admissions and uses (`Fellows`), and the member's (`Doors`). Out: the same at the other side.
What comes from elsewhere is done in slices, in order, so that the loop is never held up.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterable
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from portress.admissions import Admission, Ending, Grant, How
from portress.config.model import Fleet
from portress.errors import Mistake
from portress.events import Events
from portress.fleet.member import Member, Outcome
from portress.fleet.memory import FILE, Memory
from portress.fleet.records import Admitted, Holder, Spent
from portress.fleet.roster import access, codec, keyholders
from portress.fleet.stops import Stops
from portress.fleet.store import Store
from portress.guard.table import GuardError
from portress.keyholders.keyholder import Keyholder
from portress.knock import SECOND, TIMELESS, Expected, Source
from portress.run.catching_up import NOBODY
from portress.run.fellows import Claimed
from portress.verdict import Use

SLICE: Final = 256  # admissions from elsewhere that are seen to before the loop looks after something else
_ON_PAPER: Final[dict[Outcome, Claimed]] = {Outcome.FIRST: "new", Outcome.TAKEN: "used", Outcome.AWAY: "away"}
# What ends an admission everywhere.
_OURS: Final = frozenset({Ending.DISMISSED, Ending.USED_TWICE, Ending.LEFT})


@lru_cache(maxsize=4096)
def _how(gateway: str) -> str:
    return f"{How.FLEET} {gateway}"


class Gate:
    """One gateway's daemon in the fleet `settings`. `clock` gives ns, `unix` unix seconds.

    Made before the daemon's stops, which tell it what happens; it acts on those that `stops` gives when it
    joins.
    """

    def __init__(
        self,
        settings: Fleet,
        state: Path,
        events: Events,
        clock: Callable[[], int],
        unix: Callable[[], float],
        stops: Callable[[], Stops],
    ) -> None:
        self.settings = settings
        self._events = events
        self._clock = clock
        self._unix = unix
        self._store = Store(access(settings), unix=unix)
        memory = Memory(state / FILE)
        written = codec(settings)
        self.era = written.era  # of the fleet's paper
        self.member = Member(settings.gateway, written, self._store, memory, self, unix)
        self._there = stops
        self._stops: Stops | None = None  # until it joins
        self._joined = False  # has read everything that there was
        self._known: tuple[Holder, ...] = self.member.recall()
        self._todo: deque[Admitted] = deque()
        self._doing: asyncio.Task[None] | None = None
        self._unclaimed: dict[tuple[str, Source], Admission] = {}

    # Coming and going

    def recalled(self, doors: Iterable[str]) -> tuple[Keyholder, ...]:
        """The fleet's keyholders, as they were last, for these doors."""
        try:
            return keyholders(self._known, doors)
        except Mistake as mistake:
            self._events.tell("fleet_away", str(mistake))
            return ()

    async def join(self) -> None:
        """Act on the daemon's stops from now on: read everything, if the store answers, and do it."""
        self._stops = self._there()
        await self._store.__aenter__()
        with self._stops.ledger_writer.held():
            await self.member.start()
            if self._doing is not None:
                await self._doing
        self._joined = True

    async def leave(self) -> None:
        """Say what is still to be said, and go."""
        await self.member.stop()
        if self._doing is not None:
            self._doing.cancel()
        await self._store.__aexit__()

    def state(self) -> dict[str, Any]:
        """The fleet as this gateway sees it: times in seconds, counts since the start."""
        member, counts = self.member, self.member.counts
        return {
            "name": self.settings.name,
            "gateway": self.settings.gateway,
            "gateways": sorted(member.gateways),
            "away": member.away,
            "trouble": member.trouble,
            "revision": member.seen,
            "lag": round(member.lag, 4),
            "queue": len(member.outbox),
            "clock_ahead": round(member.ahead, 3),
            "claims": counts.claims,
            "conflicts": counts.conflicts,
            "errors": counts.errors,
            "refused": counts.refused,
        }

    # What happens here

    def admitted(self, admission: Admission, until: float, step: int | None) -> None:
        """Tell the others; of a sequence that works once, when it is known that it did."""
        if not self._goes_out(admission):
            return
        if step is not None:
            self._unclaimed[admission.door, admission.source] = admission
        else:
            self._say(admission, until)

    def _say(self, admission: Admission, until: float) -> None:
        """As what it was at the last knock: whatever anybody has said of it since counts more."""
        since = self._unix() - (self._clock() - admission.last) / SECOND
        self.member.admitted(admission.door, admission.source, until, admission.keyholder, since)

    def ended(self, admission: Admission, how: Ending) -> None:
        """Tell the others, where it is more than that the time is over."""
        self._unclaimed.pop((admission.door, admission.source), None)
        if how in _OURS and self._shared(admission.door) and not admission.source.port:
            left = max(0, admission.until - self._clock()) / SECOND
            self.member.dismissed(admission.door, admission.source, self._unix() + left, str(how))

    def _goes_out(self, admission: Admission) -> bool:
        """Whether others are to let that source in as well: not that of one connection, which comes here."""
        elsewhere = admission.how.startswith(How.FLEET)
        return not elsewhere and not admission.source.port and self._shared(admission.door)

    def _shared(self, door: str) -> bool:
        known = None if self._stops is None else self._stops.in_force.config.doors.get(door)
        return known is None or known.shared

    def _waits(self, door: str) -> bool:
        """Whether nothing opens the door before it is known that it was not used elsewhere."""
        known = None if self._stops is None else self._stops.in_force.config.doors.get(door)
        return self.settings.alone == "refuse" or (known is not None and known.claim == "first")

    async def first(self, opening: Expected, source: Source) -> bool:
        """Whether the sequence is used here first; asked only where the door waits for the answer."""
        if not self._waits(opening.door):
            return True
        owe = self.settings.alone == "local"
        outcome, there = await self.member.claim(self._spent(opening, source), owe)
        if outcome is Outcome.TAKEN:
            self._tell_taken(opening, source, there)
        elif outcome is Outcome.AWAY and self.settings.alone == "refuse":
            text = f"{source} refused at {opening.door}: the store is away, and `alone` is refuse"
            self._events.tell("fleet_away", text, source=source, door=opening.door)
        else:
            return True
        return False

    async def on_paper(self, opening: Expected, source: Source) -> Claimed:
        """Claim a sequence on paper, whatever `alone` is: nothing opens before the store has its use."""
        outcome, there = await self.member.claim(self._spent(opening, source), owe=False)
        if outcome is Outcome.TAKEN and there is not None and self._stops is not None:
            await self._stops.ledger_writer.use_paper(opening.claim, there.door, there.source)
        return _ON_PAPER[outcome]

    async def used(self, opening: Expected, source: Source) -> None:
        """The door is open: claim the use, unless that is done; shut it again if it was used elsewhere."""
        if opening.paper is None and not self._waits(opening.door):
            outcome, there = await self.member.claim(self._spent(opening, source))
            taken = outcome is Outcome.TAKEN and not self._is_mine(there)
            if opening.leaves:
                if taken:
                    self._tell_taken(opening, source, there)
                return
            if taken:
                self._tell_taken(opening, source, there)
                if self._stops is not None and (there is None or there.source != source.whole):
                    async with self._stops.in_force.loading:
                        self._end(opening.door, source, Ending.USED_ELSEWHERE)
                self._unclaimed.pop((opening.door, source), None)
                return
        admission = None if opening.leaves else self._unclaimed.pop((opening.door, source), None)
        if admission is not None:
            until = self._unix() + (admission.until - self._clock()) / SECOND
            self._say(admission, until)

    def _is_mine(self, there: Spent | None) -> bool:
        """Whether that is the same use, read from the guard's record before its report was."""
        return there is not None and (there.gateway, there.source) == (self.settings.gateway, NOBODY)

    def _spent(self, opening: Expected, source: Source) -> Spent:
        assert opening.step is not None
        return Spent(opening.claim.hex(), opening.door, opening.step, "", source.whole, self.member.now(), 1)

    def _tell_taken(self, opening: Expected, source: Source, there: Spent | None) -> None:
        by = "" if there is None else f" at {there.gateway} by {there.source}"
        self._events.tell(
            "replayed",
            f"{source} refused at {opening.door}: sequence of keyholder {opening.keyholder} used{by} before",
            source=source,
            door=opening.door,
            keyholder=opening.keyholder,
        )

    def _end(self, door: str, source: Source, how: Ending) -> None:
        if self._stops is not None:
            try:
                self._stops.doorkeeper.dismiss(source, door, how)
            except GuardError as error:
                self._events.tell("warning", f"{source} cannot be dismissed from {door}: {error}")

    # What happens elsewhere

    def admit(self, admissions: list[Admitted]) -> None:
        """Let in who was let in at another gateway."""
        self._todo.extend(admissions)
        self._work()

    def dismiss(self, record: Admitted) -> None:
        """Send away who was sent away at another gateway, though its claim is not answered yet."""
        if self._stops is not None:
            self._unclaimed.pop((record.door, self._wide(self._stops, record.source)), None)
        self._todo.append(record)
        self._work()

    def _work(self) -> None:
        """Begin at once; what is more than a slice is done beside the loop's other work."""
        if self._stops is not None and (self._doing is None or self._doing.done()):
            if not self._stops.in_force.loading.locked():
                self._some(self._stops)
            if self._todo:
                self._doing = asyncio.get_running_loop().create_task(self._do(self._stops))

    async def _do(self, stops: Stops) -> None:
        while self._todo:
            await asyncio.sleep(0)
            async with stops.in_force.loading:
                self._some(stops)

    def _some(self, stops: Stops) -> None:
        """Do what comes next: a slice of admissions, or a dismissal."""
        if not self._todo:
            return
        if self._todo[0].ended is not None:
            one = self._todo.popleft()
            how = Ending.LEFT_ELSEWHERE if one.ended == Ending.LEFT else Ending.ELSEWHERE
            self._end(one.door, self._wide(stops, one.source), how)
            return
        some = list[Admitted]()
        while self._todo and len(some) < SLICE and self._todo[0].ended is None:
            some.append(self._todo.popleft())
        if grants := self._grants(stops, some):
            admit = stops.doorkeeper.admit if self._joined else stops.doorkeeper.take_in
            try:
                admit(grants)
            except GuardError as error:  # the sentinel puts back a guard that is gone
                self._events.tell("warning", f"{len(grants)} from other gateways not admitted: {error}")

    def _wide(self, stops: Stops, source: Source) -> Source:
        """As much of a source as counts here."""
        width = stops.in_force.config.widths.of(source.family)
        return source if source.length <= width else Source.of(source.packed, width)

    def _grants(self, stops: Stops, some: Iterable[Admitted]) -> list[Grant]:
        """What these are at the doors here, where it is more than is known."""
        doors, widths = stops.in_force.config.doors, stops.in_force.config.widths
        known, unix, now = stops.doorkeeper.register.get, self._unix(), self._clock()
        found: list[Grant] = []
        for one in some:
            door, source = doors.get(one.door), one.source
            width = widths.of(source.family)
            if door is None or not door.shared or source.length < width:
                continue  # a prefix wider than what counts as one source here lets in more than it should
            if source.length > width:
                source = Source.of(source.packed, width)
            stay = round((one.until - unix) * SECOND)
            there = known(one.door, source)
            if stay <= 0 or (there is not None and there.until >= now + stay - SECOND):
                continue
            found.append(Grant(one.door, source, stay, one.keyholder, None, _how(one.gateway)))
        return found

    def use(self, spent: Spent) -> None:
        """Know a sequence as used, and those before it, here as well."""
        stops = self._stops
        if stops is None:
            return
        claim, used = bytes.fromhex(spent.owner), stops.in_force.tracker.used
        last = used.get(claim)
        if last is None or last.step < spent.step:
            used[claim] = Use(spent.step, spent.source.packed, spent.door)
            stops.listener.withdraw([claim])
            stops.later(self._note_use(stops, claim, spent))

    async def _note_use(self, stops: Stops, claim: bytes, spent: Spent) -> None:
        if spent.step == TIMELESS:
            await stops.ledger_writer.use_paper(claim, spent.door, spent.source)
        else:
            await stops.ledger_writer.use(claim, spent.door, spent.step, spent.source)

    def know(self, holders: tuple[Holder, ...]) -> None:
        """Expect the sequences of the fleet's keyholders, as they are now."""
        self._known = holders
        if self._stops is not None:
            self._stops.later(self._take_holders(self._stops))

    async def _take_holders(self, stops: Stops) -> None:
        await stops.changes.take_fellows(self.recalled(stops.in_force.config.doors))

    def collide(self, mine: Spent, first: Spent | None) -> None:
        """A sequence was used twice while gateways were alone: neither admission is trusted."""
        if first is not None and first.source == mine.source:
            return  # the same client's knocks reached both
        if self._leaves(mine):
            return  # whoever is in now came by another sequence
        others = f" and at {first.gateway} by {first.source}" if first is not None else " and elsewhere"
        self._events.tell(
            "used_twice",
            f"a sequence for {mine.door} was used at {mine.gateway} by {mine.source}{others}: both admissions"
            " end; one of the two is not the keyholder",
            source=mine.source,
            door=mine.door,
        )
        self._end(mine.door, mine.source, Ending.USED_TWICE)
        if first is not None:
            self._end(first.door, first.source, Ending.USED_TWICE)
            self.member.dismissed(first.door, first.source, self._unix() + 86400.0, str(Ending.USED_TWICE))

    def _leaves(self, spent: Spent) -> bool:
        """Whether it is the use of a leaving sequence."""
        holders = () if self._stops is None else self._stops.in_force.sequences.keyholders
        return any(one.leaving_claim(spent.door).hex() == spent.owner for one in holders)

    def current(self) -> Iterable[Admitted]:
        """Who was let in here, and not by another gateway, as far as the others may know of it."""
        if self._stops is None:
            return
        now, unix = self._clock(), self._unix()
        for one in self._stops.doorkeeper.register:
            if self._goes_out(one) and (one.door, one.source) not in self._unclaimed:
                until = unix + (one.until - now) / SECOND
                yield Admitted(one.door, one.source, until, self.settings.gateway, 0, one.keyholder)

    def paper(self) -> Iterable[Spent]:
        """The uses of paper that are known here."""
        if self._stops is not None:
            for claim, use in self._stops.in_force.tracker.used.items():
                if use.step == TIMELESS:
                    assert isinstance(use.source, bytes)
                    source, mine = Source.of(use.source), self.settings.gateway
                    yield Spent(claim.hex(), use.door, TIMELESS, mine, source, 0.0, 1)

    def tell(self, text: str, trouble: bool) -> None:
        """Report what became of the fleet."""
        self._events.tell("fleet_away" if trouble else "fleet", text)
