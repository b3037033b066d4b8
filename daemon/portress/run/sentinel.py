"""Keeps the guard in force: loads it or takes it over at the start, puts it back when others throw it away,
takes it away when told to, on trial or for good.

While guard removed by hand, a note says so (`away`): a daemon that starts then leaves the doors
open. Only `portress guard`, or a reboot, ends that.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections import Counter
from collections.abc import Callable, Coroutine, Iterable
from pathlib import Path
from typing import Any, Final

from portress import files
from portress.admissions import Admission, Grant, everywhere
from portress.config.model import Config
from portress.doctor.probe import closed_ports
from portress.durations import counted
from portress.errors import Mistake
from portress.events import Events
from portress.guard import flows, newly_guarded, strangers
from portress.guard.closed import Answers
from portress.guard.continuing import SIZE, Session
from portress.guard.ruleset import Ruleset, answering
from portress.guard.table import GuardError, Table
from portress.guard.tracked import Flow
from portress.guard.vigil import Vigil
from portress.knock import SECOND, UDP, Source
from portress.ledger.ledger import Record
from portress.run.away import Away
from portress.run.doorkeeper import AT_ONCE, Doorkeeper
from portress.run.in_force import InForce
from portress.run.last_good import LastGood
from portress.run.rebooted import rebooted
from portress.run.restoring import Inside
from portress.run.slices import slices, until_done
from portress.session import connected

SLICE: Final = 250  # admissions put back before the loop looks after something else: some 2 ms
AT_A_STRETCH: Final = 0.1  # s that tracked flows are read without a pause
_AGAIN: Final = 0.2  # seconds


class Sentinel:
    """Keeps the guard of `doorkeeper.config` in `table`, its first knocks those that `tracker` expects."""

    def __init__(
        self,
        table: Table,
        in_force: InForce,
        doorkeeper: Doorkeeper,
        events: Events,
        clock: Callable[[], int],
        away: Away,
        ended: Path,
        catch_up: Callable[[], None],
        replaced: Callable[[], None],
    ) -> None:
        """`ended`: where the number of a trial that ended is left for the process that waits for it, too.

        `catch_up` hears what a guard that is gone has reported; `replaced` is called when it was put back.
        """
        self.guarding = True
        self.loaded_anew = False  # by this daemon, where there was no guard before
        self.restorations: Counter[str] = Counter()  # how often the guard was put back, by cause
        self.vigil = Vigil()
        self._in_force = in_force
        self._table = table
        self._doorkeeper = doorkeeper
        self._events = events
        self._clock = clock
        self._away = away
        self._ended = ended
        self._catch_up = catch_up
        self.replaced = replaced
        self._tasks: set[asyncio.Task[None]] = set()
        self._number: str | None = None  # of the trial under way
        self._seen = clock()  # when the guard was last known to be in force
        self._trial: asyncio.TimerHandle | None = None
        self._from_before: frozenset[strangers.Ends] = frozenset()  # flows without a time
        self._hours: object = None  # what the guard was told last of its doors' hours
        self._undo: Callable[[], None] | None = None  # what the end of the trial does, if not taking it away

    def ruleset(self) -> Ruleset:
        """The guard as it has to be now."""
        return self._in_force.ruleset()

    def begin(
        self, records: list[Record], admit: Iterable[Source], state: Path, last_good: LastGood
    ) -> tuple[int, int]:
        """Take over the guard and its admissions, or load it: how many were found, how many restored.

        `records` are the admissions under way by the ledger: restored if so configured, after a reboot
        or where the guard is gone. `admit`: sources admitted to every door if the guard is loaded anew.
        `last_good` knows the configuration that was in force last, or does not.
        """
        self._in_force.answers = closed_ports.known(self._in_force.config)
        before = self._table.listing()
        after_boot = rebooted(state)
        if before is None and self._away.noted():
            self.guarding = False
            self._tell_away("guard removed by hand")
            return 0, 0
        self._away.clear()
        if before is None:
            self._adopt_sessions()
        last = None if before is None else last_good.before()
        going_on = [] if last is None else self._find_newly_guarded(last, self._in_force.config)
        self._table.load(self.ruleset(), (), going_on)
        self.loaded_anew = before is None
        found = self._doorkeeper.take_over(self._table.each_admission(), records)
        restored = 0
        if self._in_force.config.restore and (before is None or after_boot):
            restored = self._doorkeeper.restore(records)
        if before is None:
            self.admit_everywhere(admit)
            self._seen = self._clock()
        self.remember_flows()
        return found, restored

    def leave_as_found(self) -> None:
        """The daemon cannot start: the doors that it has shut must not stay shut with nobody to open them."""
        if self.loaded_anew:
            self.guarding = False
            with contextlib.suppress(GuardError):
                self._table.remove()

    def _adopt_sessions(self) -> None:
        """Sessions under way go on when the doors are shut, also where nothing tracked them so far."""
        doors = self._in_force.config.doors.values()
        try:
            flows.adopt(connected(service for door in doors for service in door.services))
        except OSError as error:
            text = f"established sessions may hang: connection tracking did not accept them: {error.strerror}"
            self._events.tell("warning", text)

    async def newly_guarded(self, before: Config, now: Config) -> list[Session]:
        """The sessions that go on though `now` guards what `before` did not: in a thread, for flows may be
        many. None where no guard is in force."""
        if not self.guarding:
            return []
        return await asyncio.to_thread(self._find_newly_guarded, before, now)

    def _find_newly_guarded(self, before: Config, now: Config) -> list[Session]:
        try:
            found = newly_guarded.find(before, now)
        except OSError as error:
            self._events.tell(
                "warning", f"established sessions may be cut: they cannot be read: {error.strerror}"
            )
            return []
        if over := newly_guarded.too_many(found):
            self._events.tell(
                "warning", f"{counted(over, 'established session')} cut: only {SIZE:,} can go on"
            )
        return found

    def remember_flows(self) -> None:
        """Know the flows that began before anybody noted when: they are no strangers' of a later flush."""
        self._later(self._remember(strangers.guarded_ports(self._in_force.config, ())))

    async def _remember(self, doors: strangers.GuardedPorts) -> None:
        """In parts, in a thread. After a flood connection tracking is full: then that takes its time, and no
        more than a tenth of a core."""
        parts = strangers.without_time(doors)
        found: set[strangers.Ends] = set()
        spent = 0.0
        with contextlib.suppress(OSError):  # the next reload tries again
            begun = time.perf_counter()
            while (part := await asyncio.to_thread(next, parts, None)) is not None:
                found.update(part)
                took = time.perf_counter() - begun
                spent += took
                if spent > AT_A_STRETCH:
                    await asyncio.sleep(9 * took)
                begun = time.perf_counter()
            self._from_before = frozenset(found)

    def admit_everywhere(self, sources: Iterable[Source]) -> None:
        """Admit sources to every door: whoever loads the guard from afar must not lock himself out."""
        self.admit(grant for source in sources for grant in everywhere(self._in_force.config, source))

    def admit(self, grants: Iterable[Grant]) -> list[Admission]:
        """Admit, or renew. A guard that is gone is put back first. Raises GuardError."""
        wanted = list(grants)
        try:
            return self._doorkeeper.admit(wanted)
        except GuardError:
            self.put_back("missing")
            return self._doorkeeper.admit(wanted)

    @property
    def in_place(self) -> bool:
        """Whether the guard is in the kernel, and is meant to be."""
        try:
            return self.guarding and self._table.there()
        except GuardError:
            return False

    def look(self) -> None:
        """If others touched the guard, put it back; to be asked at every announcement, and now and then."""
        now, culprit = self._clock(), self.vigil.read()
        if culprit is None:
            self._seen = now
        elif self.guarding:
            cause = "changed" if self._table.there() else "removed"
            self.put_back(cause, f" by {culprit}" if culprit else "")

    def put_back(self, cause: str, culprit: str = "") -> None:
        """Load the guard with every admission. Tells what happened and counts it; raises nothing."""
        if self.guarding and self._away.noted():
            self.guarding = False
            self._tell_away("guard removed by hand")
        if not self.guarding:
            return
        begun = self._clock()
        self._catch_up()
        try:
            rest = self._doorkeeper.put_back(self.ruleset())
        except GuardError as error:
            self._events.tell("refused", f"the guard was {cause}{culprit} and cannot be restored: {error}")
            return
        self.restorations[cause] += 1
        self.replaced()
        self._later(self._complete(rest, begun, cause, culprit))

    def _later(self, work: Coroutine[Any, Any, None]) -> None:
        """Do it in the loop."""
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _complete(self, rest: list[Admission], begun: int, cause: str, culprit: str) -> None:
        """Have the other admissions in the guard again, and cut what got in while it was away, in a thread,
        for flows may be many; then tell it all."""
        doors = strangers.guarded_ports(self._doorkeeper.config, Inside(self._doorkeeper.register))
        since = time.time_ns() - (self._clock() - self._seen)
        cutting = asyncio.get_running_loop().run_in_executor(None, _cut, doors, since, self._from_before)
        await self._refill(rest, cause != "removed")
        took = (self._clock() - begun) / SECOND * 1000
        count = len(self._doorkeeper.register)
        done = f"the guard was {cause}{culprit}; restored with {counted(count, 'admission')} in {took:.0f} ms"
        found = await cutting
        if isinstance(found, OSError):
            more = f"; strangers' flows from meanwhile could not be cut: {found.strerror}"
        else:
            self._doorkeeper.refuse(Source.of(one.source) for one in found if one.protocol == UDP)
            more = f"; {counted(len(found), 'flow')} of strangers from meanwhile cut"
        self._events.tell("restored", f"{done}{more}", cause=cause)

    async def _refill(self, rest: list[Admission], changed: bool = False) -> None:
        """Put back a slice at a time whom no flow may let in, then admissions, and beside them what decides,
        which others may have `changed`. If the guard is gone again, the next restoration has it all."""
        filling = asyncio.ensure_future(until_done(self._table.maps.fill_part))
        with contextlib.suppress(GuardError):
            await self._put_back_rest(rest)
        with contextlib.suppress(Mistake):
            await filling
            if changed:
                await self._set_right()

    async def _set_right(self) -> None:
        """Have the guard's maps hold what they are to hold, whatever others put there or took away. They are
        read in a thread, and once more if they were changed from here meanwhile. Raises Mistake."""
        maps, loads = self._table.maps, self._table.loads
        while self._table.loads == loads and self.guarding and maps.target is not None:
            turns, wanted = maps.turns, maps.settled
            if wanted is not None and not self._in_force.changing:
                right, gone = await asyncio.to_thread(maps.look, wanted, maps.clock)
                if maps.turns == turns and maps.settled is wanted and not self._in_force.changing:
                    maps.set_right(wanted, right, gone)
                    await until_done(maps.fill_part)
                    return
            await asyncio.sleep(_AGAIN)

    async def _put_back_rest(self, rest: list[Admission]) -> None:
        loads, keeper = self._table.loads, self._doorkeeper
        refused = keeper.refused
        async for sources in slices(refused if len(refused) > AT_ONCE else (), SLICE):
            if self._table.loads != loads or not self.guarding:
                return
            keeper.refuse_again(sources)
        # Where others only changed the guard, most are in it; to refuse one more takes the kernel 8 ms.
        there = await asyncio.to_thread(self._held) if rest else ()
        async for part in slices(rest, SLICE):
            if self._table.loads != loads or not self.guarding:
                return
            keeper.put_back_part(one for one in part if (one.door, one.source) not in there)

    def _held(self) -> set[tuple[str, Source]]:
        """Door and source of every admission in the kernel, as far as that can be read."""
        try:
            return {(one.door, one.source) for one in self._table.each_admission()}
        except Mistake:
            return set()

    def answer(self, answers: Answers) -> None:
        """Have guarded ports answer as closed ones do. What others changed is dealt with elsewhere."""
        before, self._in_force.answers = self._in_force.answers, answers
        config = self._in_force.config
        chains, there = answering(config, answers), answering(config, before)
        if self.guarding and chains != there:
            try:
                self._table.answer(chains, there)
            except GuardError:
                self._in_force.answers = before  # the next look tries again

    def check(self) -> None:
        """Now and then: the guard must be there whatever was announced, and know when its doors are open."""
        if self.guarding and not self._table.present(self.ruleset()):
            self.put_back("missing")
        elif self.guarding and (ranges := self._in_force.hours()) != self._hours:
            with contextlib.suppress(GuardError):  # it is put back with them
                self._table.renew_hours(ranges)
                self._hours = ranges

    def resume(self, admit: Iterable[Source]) -> None:
        """Put the guard in force after it was taken away by hand. Raises GuardError."""
        self._away.clear()
        if not self.guarding:
            self.guarding = True
            self._adopt_sessions()
            self._later(self._refill(self._doorkeeper.put_back(self.ruleset())))
            self.look()
            self.remember_flows()
        self.admit_everywhere(admit)

    def stand_down(self, why: str) -> bool:
        """Take the guard away and leave it so. False if there was none. Raises GuardError."""
        self.keep()
        self.guarding = False
        self._away.note()
        there = self._table.remove()
        self.trial_ended()
        self._tell_away(why)
        return there

    def _tell_away(self, why: str) -> None:
        self._events.tell(
            "unguarded", f"{why}; only the host's own firewall applies. To load it again: portress guard"
        )

    def on_trial(self, seconds: float, number: str, undo: Callable[[], None] | None = None) -> None:
        """After `seconds`, unless `keep` comes first, do `undo`, or take the guard away.

        `number` is by what the process knows the trial that waits for its end, too (`trial`).
        """
        self.keep()
        self._number = number
        self._undo = undo
        self._trial = asyncio.get_running_loop().call_later(seconds, self._end_trial)

    def _end_trial(self) -> None:
        undo, self._trial, self._undo = self._undo, None, None
        if undo is not None:
            undo()
            return
        text = "the guard's trial ended without --keep"
        try:
            self.stand_down(text)
        except GuardError as error:
            self._events.tell("refused", f"{text}, but it cannot be removed: {error}")

    def trial_ended(self) -> None:
        """What the trial changed is undone: the process that waits in case it were not has nothing to do."""
        if self._number is not None:
            with contextlib.suppress(OSError):
                files.replace(self._ended, self._number)
            self._number = None

    def keep(self) -> bool:
        """End the trial, the guard stays. False if there was no trial."""
        if self._trial is None:
            return False
        self._trial.cancel()
        self._trial, self._undo = None, None
        return True

    @property
    def undo(self) -> Callable[[], None] | None:
        """What the end of the trial under way will do; None: take the guard away."""
        return self._undo

    @property
    def trial_left(self) -> float | None:
        """Seconds of the trial that are left, None if there is none."""
        if self._trial is None:
            return None
        return max(0.0, self._trial.when() - asyncio.get_running_loop().time())


def _cut(doors: strangers.GuardedPorts, since: int, known: frozenset[strangers.Ends]) -> list[Flow] | OSError:
    try:
        return strangers.cut(doors, since, known)
    except OSError as error:
        return error
