"""Keeps the guard in force: loads it or takes it over at the start, puts it back when others throw it away,
takes it away when told to, on trial or for good.

While guard removed by hand, a note says so (`away`): a daemon that starts then leaves the doors
open. Only `portress guard`, or a reboot, ends that.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import Counter
from collections.abc import Callable, Coroutine, Iterable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from portress import files
from portress.admissions import Admission, Grant, everywhere
from portress.config.model import Config
from portress.doctor.probe import closed_ports
from portress.durations import counted
from portress.events import Events
from portress.guard import flows, newly_guarded
from portress.guard.closed import Answers
from portress.guard.continuing import SIZE, Session
from portress.guard.ruleset import Ruleset, answering
from portress.guard.table import GuardError, Table
from portress.guard.vigil import Vigil
from portress.knock import Source
from portress.ledger.ledger import Record
from portress.run.away import Away
from portress.run.completing import Completion
from portress.run.doorkeeper import Doorkeeper
from portress.run.in_force import InForce
from portress.run.last_good import LastGood
from portress.run.rebooted import rebooted
from portress.session import connected


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
        deaf: Callable[[], AbstractContextManager[None]],
        replaced: Callable[[], None],
    ) -> None:
        """`ended`: where the number of a trial that ended is left for the process that waits for it, too.
        `catch_up` hears what a guard that is gone has reported; `deaf`: what is reported meanwhile waits;
        `replaced` is called when the guard was put back."""
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
        self._deaf = deaf
        self.replaced = replaced
        self._completion = Completion(table, in_force, doorkeeper, events, clock, lambda: self.guarding)
        self._tasks: set[asyncio.Task[None]] = set()
        self._loading = False  # the guard is about to be put back, or is being
        self._touched: str | None = None  # by whom, meanwhile or while it is being replaced
        self._number: str | None = None  # of the trial under way
        self.over: str | None = None  # the number of the trial whose time was over last
        self._seen = clock()  # when the guard was last known to be in force
        self._trial: asyncio.TimerHandle | None = None
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
        records = self._doorkeeper.counted_now(records)
        last = None if before is None else last_good.before()
        going_on = [] if last is None else self._find_newly_guarded(last, self._in_force.config)
        self._table.load(self.ruleset(), (), going_on)
        self.loaded_anew = before is None
        found = self._doorkeeper.take_over(self._table.each_admission(), records)
        restored = 0
        if self._in_force.config.restore and (before is None or after_boot):
            restored = self._doorkeeper.restore(records)
        if before is None:
            self._doorkeeper.admit(self._everywhere(admit))
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
        self._later(self._completion.remember_flows())

    def _everywhere(self, sources: Iterable[Source]) -> list[Grant]:
        """Sources at every door: whoever loads the guard from afar must not lock himself out."""
        return [grant for source in sources for grant in everywhere(self._in_force.config, source)]

    def admit(self, grants: Iterable[Grant]) -> None:
        """Admit, or renew: at once, or when a guard that is gone is back. What is refused is told."""
        wanted = list(grants)
        try:
            self._doorkeeper.admit(wanted)
        except GuardError:
            self._later(self._admit_then(wanted))

    async def _admit_then(self, wanted: list[Grant]) -> None:
        try:
            await self._admit_when_back(wanted)
        except GuardError as error:
            self._events.tell("warning", f"{len(wanted)} not admitted: {error}")

    async def admit_now(self, wanted: list[Grant]) -> list[Admission]:
        """Admit, or renew: who is in then. A guard that is gone is put back first. Raises GuardError."""
        with contextlib.suppress(GuardError):
            async with self._in_force.loading:
                return self._doorkeeper.admit(wanted)
        return await self._admit_when_back(wanted)

    async def _admit_when_back(self, wanted: list[Grant]) -> list[Admission]:
        await self.put_back_first()
        async with self._in_force.loading:
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
        culprit = culprit if self._touched is None else self._touched
        if self._loading or self._in_force.loading.locked():
            self._touched = culprit  # it is looked at when that is done
            return
        self._touched = None
        if culprit is None:
            self._seen = now
        elif self.guarding:
            self._put_back_soon("changed" if self._table.there() else "removed", culprit)

    def _put_back_soon(self, cause: str, culprit: str = "") -> None:
        """Load the guard with every admission, in a thread: for the kernel that may be much work. It is told,
        and counted."""
        self._loading = True
        self._later(self._put_back(cause, culprit))

    async def put_back_first(self) -> None:
        """Something needs the guard, which is missing: it is there then, unless the kernel refuses it."""
        self._loading = True
        await self._put_back("missing", "", lambda: not self._table.there())

    async def _put_back(self, cause: str, culprit: str, gone: Callable[[], bool] = lambda: True) -> None:
        """Put it back if it is still `gone`. What is reported meanwhile waits, and so does what else there is
        to do in the guard."""
        refusal: GuardError | None = None
        try:
            async with self._in_force.turn:
                if not self._is_wanted() or not gone():
                    return
                begun, seen = self._clock(), self._seen
                self._catch_up()
                rest = await self._load()
        except GuardError as error:
            refusal = error
        finally:
            self._loading = False
        if refusal is not None:
            if self._touched is None:
                self._tell_refused(refusal, cause, culprit)
            else:  # others touched it meanwhile, which may be why: once more, now
                self.look()
            return
        if not self.guarding:  # it was removed by hand meanwhile
            with contextlib.suppress(GuardError):
                self._table.remove()
            return
        self._is_back(rest, begun, seen, cause, culprit)
        self.look()

    async def _load(self) -> list[Admission]:
        """Load the guard with the first admissions: the others. Raises GuardError."""
        async with self._in_force.loading:
            with self._deaf():
                return await self._doorkeeper.put_back(self.ruleset())

    def _is_wanted(self) -> bool:
        """Whether there is to be a guard."""
        if self.guarding and self._away.noted():
            self.guarding = False
            self._tell_away("guard removed by hand")
        return self.guarding

    def _is_back(self, rest: list[Admission], begun: int, seen: int, cause: str, culprit: str) -> None:
        """The guard is loaded again, without `rest` yet."""
        self.restorations[cause] += 1
        self.replaced()
        by = f" by {culprit}" if culprit else ""
        self._later(self._completion.complete(rest, begun, seen, cause, by))

    def _tell_refused(self, error: GuardError, cause: str, culprit: str) -> None:
        by = f" by {culprit}" if culprit else ""
        self._events.tell("refused", f"the guard was {cause}{by} and cannot be restored: {error}")

    def _later(self, work: Coroutine[Any, Any, None]) -> None:
        """Do it in the loop."""
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def answer(self, answers: Answers) -> None:
        """Have guarded ports answer as closed ones do. What others changed is dealt with elsewhere."""
        before, self._in_force.answers = self._in_force.answers, answers
        config = self._in_force.config
        chains, there = answering(config, answers), answering(config, before)
        if self._loading or self._in_force.loading.locked():
            self._in_force.answers = before  # the next look tries again
        elif self.guarding and chains != there:
            try:
                self._table.answer(chains, there)
            except GuardError:
                self._in_force.answers = before  # the next look tries again

    def check(self) -> None:
        """Now and then: the guard must be there whatever was announced, and know when its doors are open."""
        if self._loading or self._in_force.loading.locked():
            return
        if self.guarding and not self._table.present(self.ruleset()):
            self._put_back_soon("missing")
        elif self.guarding and (ranges := self._in_force.hours()) != self._hours:
            with contextlib.suppress(GuardError):  # it is put back with them
                self._table.renew_hours(ranges)
                self._hours = ranges

    async def resume(self, admit: Iterable[Source]) -> None:
        """Put the guard in force after it was taken away by hand. Raises GuardError."""
        self._away.clear()
        if not self.guarding:
            await asyncio.to_thread(self._adopt_sessions)
            async with self._in_force.turn:
                self.guarding = True
                rest = await self._load()
            self._later(self._completion.refill(rest))
            self.look()
            self.remember_flows()
        await self.admit_now(self._everywhere(admit))

    async def stand_down(self, why: str) -> bool:
        """Take the guard away and leave it so. False if there was none. Raises GuardError."""
        self.keep()
        self.guarding = False
        self._away.note()
        async with self._in_force.loading:
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
        undo, self._trial, self._undo, self.over = self._undo, None, None, self._number
        if undo is not None:
            undo()
        else:
            self._later(self._take_away())

    async def _take_away(self) -> None:
        text = "the guard's trial ended without --keep"
        try:
            await self.stand_down(text)
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
