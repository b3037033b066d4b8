"""The daemon: wires the stops together. The only place that knows them all, and that asks for the time.

    watcher -> Tracker -> Verdict -> Doorkeeper -> guard's admitted sets, ledger, journal, metrics

One asyncio loop does everything but two things: the ledger is written by a thread of its own
(`ledger_writer`), and the sequences of the next time step are derived in another, ahead of time (`steps`).
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import time
from collections.abc import Awaitable, Callable, Iterable
from typing import Final

from portress import lock
from portress.admissions import Admission
from portress.config import load as configuration
from portress.config.model import Config
from portress.control import Server
from portress.doctor.open_doors import probe
from portress.durations import counted
from portress.errors import Mistake
from portress.events import Events
from portress.guard.ruleset import build
from portress.guard.table import GuardError, Table
from portress.keyholders import file as keyholding
from portress.keyholders.file import Keyholder
from portress.knock import Source
from portress.paths import Paths
from portress.run import gc_tuning as tuning
from portress.run import trial, use_mark
from portress.run.away import Away
from portress.run.doorkeeper import Doorkeeper
from portress.run.exposure import Exposure
from portress.run.http import Answer
from portress.run.interfaces import Interfaces
from portress.run.last_good import LastGood
from portress.run.ledger_writer import Books
from portress.run.listener import Listener
from portress.run.metrics_server import Publisher
from portress.run.recovery import Past, Used, open_ledger
from portress.run.requests import Requests
from portress.run.sd_notify import Notify
from portress.run.sentinel import Sentinel
from portress.run.steps import Steps, pause_at
from portress.run.wall_clock import Timekeeper, checked, since_boot
from portress.sequence.in_force import Rota
from portress.sequence.rotating import STEP, step_at
from portress.tracker import Tracker
from portress.watch import Watcher, watcher

TICK: Final = 1.0  # seconds between two rounds of housekeeping
AHEAD: Final = 10.0  # seconds before a new time step when its sequences are derived
SELDOM: Final = 60  # rounds between two looks at what changes slowly
DAILY: Final = 24 * 60 * SELDOM  # rounds between two prunings of the ledger and of the memory
SLICE: Final = 256  # ended admissions that are seen to before the loop looks after something else
REMEMBER: Final = 366 * 86400.0  # seconds that ended admissions stay in the ledger


class Service:
    """One daemon. `run` returns when it is told to stop, and raises Mistake if it cannot start."""

    def __init__(self, paths: Paths, events: Events, last_good: bool = False) -> None:
        self.paths = paths
        self.events = events
        self.last_good = LastGood(paths, events, last_good)
        self.clock = time.monotonic_ns
        self.unix = time.time
        self.stamps = time.time_ns  # the clock that the kernel stamps packets by
        self.begun = self.clock()
        self.notify = Notify()
        self.reloads = {"done": 0, "refused": 0}
        self._interfaces = Interfaces(events)
        self.timekeeper = Timekeeper(events, self.unix, self.clock)
        self._publisher = Publisher(self._metrics)
        self._stack = contextlib.AsyncExitStack()
        self._hearing = contextlib.ExitStack()
        self._tasks: set[asyncio.Task[None]] = set()
        self._expiring: asyncio.Task[None] | None = None
        self._rounds = 0
        self._stopped = asyncio.Event()
        self._changing = asyncio.Lock()  # one change of configuration or keyholders after the other

    async def run(self, admit: Iterable[Source] = ()) -> None:
        """Start, serve until SIGTERM or SIGINT, stop. The guard stays.

        `admit`: sources that are admitted to every door if the guard has to be loaded.
        """
        async with self._stack:
            await self._start(admit)
            await self._stopped.wait()
            self.notify.stopping()
            await self._stop()

    # The beginning

    async def _start(self, admit: Iterable[Source]) -> None:
        for number in (signal.SIGTERM, signal.SIGINT):
            asyncio.get_running_loop().add_signal_handler(number, self._stopped.set)
        signal.signal(signal.SIGHUP, signal.SIG_IGN)  # what it would reload is being read right now
        if (held := lock.take()) is not None:
            self._stack.enter_context(held)
        checked(self.unix())
        self.config = self.last_good.config(self._try_to_hear)
        rota = Rota(self.config, self.last_good.keyholders(self.config))
        for line in self.config.warnings:
            self.events.tell("warning", line)
        self.table = Table(own=True)
        mark, boot = self.paths.socket.parent / use_mark.NAME, use_mark.boot()
        ledger = open_ledger(self.paths, self.events, self.unix())
        self.books = Books(ledger, self.events, self.unix, self.clock, mark, boot)
        self._stack.push_async_callback(self.books.close)
        self.past = Past(self.books, self.events, self.unix, since_boot, mark, boot)
        self.tracker = self._track(rota, self.past.used())
        self.doorkeeper = Doorkeeper(self.config, self.table, self.books, self.events, self.clock, self.unix)
        away, ended = Away(self.paths.socket), trial.ended_file(self.paths.socket)
        self.sentinel = Sentinel(
            self.table, self.tracker, self.doorkeeper, self.events, self.clock, away, ended
        )
        self.exposure = Exposure(probe, lambda: self.config, lambda: self.sentinel.guarding, self.events)
        self.doorkeeper.repair = self.sentinel.put_back
        self.doorkeeper.until = rota.until
        self.steps = Steps(rota, self.tracker, self.table, self.unix, self.clock)
        self._stack.callback(self.steps.close)
        self._stack.callback(self._hearing.close)
        hearing = self._open_watcher(self.config)
        self.listener = Listener(
            hearing, self.tracker, self.doorkeeper, self.table, self.books, self.events, self.clock
        )
        self._hear(hearing)
        found, restored = self.sentinel.begin(self.past.under_way(), admit, self.paths.state)
        if not self.last_good.no_keyholders:
            self.doorkeeper.keep_only(rota.keys)  # those unenrolled while no daemon ran are dismissed
        try:
            await self._serve()
        except Mistake:
            self.sentinel.leave_as_found()
            raise
        tuning.spare_the_loop()
        self.last_good.keep(self.config)
        self.last_good.mark()
        self._tell_ready(found, restored)
        self._interfaces.look(self.config.inside)
        self._judge_clock()
        self.past.tell_doubt(rota)
        self.later(self.books.prune(self.unix() - REMEMBER))

    def load_keyholders(self, config: Config) -> tuple[Keyholder, ...]:
        """The keyholders in the file or credential. Raises Mistake."""
        some = bool(self.steps.rota.keyholders) or self.last_good.no_keyholders
        return keyholding.load(keyholding.locate(self.paths.config), config.doors, some=some)

    def _track(self, rota: Rota, used: Used) -> Tracker:
        trie = rota.trie(step_at(self.unix()))
        floor = self.past.floor(rota.config)
        return Tracker(trie, limit=rota.config.callers, misses=rota.config.misses, used=used, floor=floor)

    def _open_watcher(self, config: Config) -> Watcher:
        hearing = watcher(config, self.clock, self.stamps, self.paths.state)
        self._hearing.enter_context(hearing)
        return hearing

    def _try_to_hear(self, config: Config) -> None:
        with watcher(config, self.clock, self.stamps, self.paths.state):
            pass

    def _hear(self, hearing: Watcher) -> None:
        """Listen to a watcher: when its descriptor says so, or at its interval."""
        self.listener.turn_to(hearing)
        loop = asyncio.get_running_loop()
        if hearing.interval is None:
            descriptor = hearing.fileno()
            loop.add_reader(descriptor, self.listener.listen)
            self._hearing.callback(loop.remove_reader, descriptor)
        else:
            polling = loop.create_task(self._poll(hearing.interval))
            self._hearing.callback(polling.cancel)

    async def _poll(self, interval: float) -> None:
        while True:
            await asyncio.sleep(interval)
            self.listener.listen()

    async def _serve(self) -> None:
        loop = asyncio.get_running_loop()
        vigil = self._stack.enter_context(self.sentinel.vigil)
        self._watching = self._stack.enter_context(self.exposure.watch(vigil, self.sentinel.look))
        self._stack.callback(self._publisher.close)
        if not self.last_good.wanted:
            self._publisher.publish(self.config.metrics)
        elif trouble := self._publisher.publish_if_possible(self.config.metrics):
            self.events.tell("refused", f"going on without metrics: {trouble}")
        # Before the socket is there: whoever sees it may ask for a reload.
        loop.add_signal_handler(signal.SIGHUP, lambda: self.later(self._reload_by_signal()))
        server = Server(self.paths.socket, Requests(self).handle)
        await server.start()
        self._stack.push_async_callback(server.stop)
        loop.call_later(TICK, self._tick)
        if self.notify.watchdog is not None:
            self._feed(self.notify.watchdog / 2)

    def _metrics(self) -> Answer:
        from portress.run.metrics import Metrics  # with the Prometheus client: only where it is wanted

        return Metrics(self).answer

    def _tell_ready(self, found: int, restored: int) -> None:
        doors = ", ".join(
            f"{door.name} ({' '.join(str(service) for service in door.services)})"
            for door in self.config.doors.values()
        )
        admissions = f"; {counted(found, 'admission')} taken over" if found else ""
        admissions += f"; {counted(restored, 'admission')} restored" if restored else ""
        self.events.tell("ready", f"ready, watching by {self.config.watch}; doors: {doors}{admissions}")
        self.notify.status(self.in_a_line())
        self.notify.ready()

    def in_a_line(self) -> str:
        """Doors and admissions, for `systemctl status`."""
        counts = self.doorkeeper.register.counts()
        doors = ", ".join(f"{name}: {counts.get(name, 0)} admitted" for name in self.config.doors)
        if self.last_good.falling_back:
            doors = f"NOT AS CONFIGURED (portress check); {doors}"
        if not self.sentinel.guarding:
            return f"UNGUARDED, no guard loaded; {doors}"
        return f"{self.exposure.in_a_line()}{doors}"

    # The middle

    def later(self, work: Awaitable[None]) -> asyncio.Task[None]:
        """Do `work` in the loop; what goes wrong in it is told."""

        async def told() -> None:
            try:
                await work
            except Mistake as mistake:
                for line in mistake.lines:
                    self.events.tell("refused", line)

        task = asyncio.get_running_loop().create_task(told())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    def _feed(self, interval: float) -> None:
        """Signs of life from the loop itself: a loop that hangs gives none."""
        self.notify.alive()
        asyncio.get_running_loop().call_later(interval, self._feed, interval)

    def _tick(self) -> None:
        asyncio.get_running_loop().call_later(pause_at(self.unix(), TICK), self._tick)
        self._rounds += 1
        self.sentinel.look()
        self.listener.tidy()
        if self._expiring is None or self._expiring.done():
            self._expiring = self.later(self._expire())
        self.doorkeeper.settle()
        self.events.settle()
        self.exposure.tick(minute=self._rounds % SELDOM == 0)
        self.notify.status(self.in_a_line())
        self.timekeeper.look()
        self.tracker.floor = self.past.floor(self.config)
        self._interfaces.look(self.config.inside)
        if self.sentinel.guarding:
            self.listener.look_for_room()
        if self.steps.rota.rotates and self.sentinel.guarding:
            self.later(self._turn_steps())
        if self._rounds % SELDOM == 0:
            self.later(self._seldom())

    async def _expire(self) -> None:
        """See to the admissions that are over, a few at a time: many may end in one moment."""
        while self.doorkeeper.expire(SLICE) == SLICE:
            await asyncio.sleep(0)

    async def _turn_steps(self) -> None:
        await self.steps.change()
        if STEP - self.unix() % STEP <= AHEAD:
            await self.steps.prepare()

    async def _seldom(self) -> None:
        self.sentinel.check()
        self._publisher.try_again()
        await self.books.settle()
        if await self.past.look_for_ledger(self.paths, self.tracker.used):
            self.past.tell_doubt(self.steps.rota)
        await self.books.prune(self.unix() - REMEMBER)
        if self._rounds % DAILY == 0:
            tuning.tidy()
        self._judge_clock()

    def _judge_clock(self) -> None:
        """Tell of a clock too far off for what rotates."""
        if self.steps.rota.rotates:
            self.timekeeper.judge(self.config)

    # Changes

    async def _reload_by_signal(self) -> None:
        self.notify.reloading(self.clock())
        try:
            with contextlib.suppress(Mistake):  # it is told
                await self.reload()
        finally:
            self.notify.ready()

    async def reload(self) -> None:
        """Take the configuration and the keyholders anew, whole or not at all.

        Raises Mistake, which is told and counted: the one way of reloading, whoever asks for it.
        """
        try:
            async with self._changing:
                config = configuration.load(self.paths.config, here=True)
                await self._take(config, self.load_keyholders(config))
                self.last_good.taken(config)
        except Mistake as mistake:
            self.reloads["refused"] += 1
            for line in (*mistake.lines, "not reloaded: what was in force before goes on"):
                self.events.tell("refused", line)
            raise
        self.reloads["done"] += 1
        for line in config.warnings:
            self.events.tell("warning", line)
        self.notify.status(self.in_a_line())
        self.events.tell("reloaded", f"reloaded {self.paths.config}: {counted(len(config.doors), 'door')}")

    def go_back(self, config: Config, keyholders: tuple[Keyholder, ...]) -> None:
        """A trial has ended and nobody kept it: what was in force before it is so again."""

        async def take() -> None:
            await self._take(config, keyholders)
            self.sentinel.trial_ended()
            text = "the configuration was on trial and nobody kept it: the one before is in force again"
            self.events.tell("reloaded", text)

        self.later(take())

    async def take_keyholders(
        self, choose: Callable[[tuple[Keyholder, ...]], tuple[Keyholder, ...]]
    ) -> list[Admission]:
        """Expect the sequences of those that `choose` makes of the present keyholders from now on.

        Returns the admissions of others, which end. Raises GuardError.
        """
        async with self._changing:
            unknown = self.last_good.no_keyholders
            known = self.load_keyholders(self.config) if unknown else self.steps.rota.keyholders
            keyholders = choose(known)
            self._know_again()
            if self.sentinel.guarding:
                rota = Rota(self.config, keyholders)
                try:
                    await self.steps.change(rota)
                except GuardError:
                    self.sentinel.put_back("missing")
                    await self.steps.change(rota)
                self.doorkeeper.until = rota.until
                ended = self.doorkeeper.keep_only(rota.keys)
            else:
                ended = await self._take(self.config, keyholders)
        self.events.tell("keyholders", f"{counted(len(keyholders), 'keyholder')} now")
        return ended

    def _know_again(self) -> None:
        """Keyholders that could not be read at the start are known from now on."""
        if self.last_good.no_keyholders:
            self.last_good.no_keyholders = False
            self.last_good.mark()

    async def _take(self, config: Config, keyholders: tuple[Keyholder, ...]) -> list[Admission]:
        async with self.steps.busy:
            return await self._take_whole(config, keyholders)

    async def _take_whole(self, config: Config, keyholders: tuple[Keyholder, ...]) -> list[Admission]:
        old, rota, step = self.config, Rota(config, keyholders), step_at(self.unix())
        trie = await asyncio.get_running_loop().run_in_executor(None, rota.trie, step)
        other_ears = config.ears != old.ears
        with contextlib.ExitStack() as undo:
            if other_ears:
                self._change_ears(config, old)
                undo.callback(self._change_ears, old, old)
            if config.metrics != old.metrics:
                undo.callback(self._publisher.publish_if_possible, old.metrics)
                self._publisher.publish(config.metrics)
            ended = self.table.load(build(config, trie.opening)) if self.sentinel.guarding else []
            undo.pop_all()
        self.config = config
        self._know_again()
        self.last_good.keep(config)
        self.doorkeeper.reconfigure(config, ended)
        if config.widths == old.widths:
            self.tracker.limit, self.tracker.misses = config.callers, config.misses
            self.tracker.replace(trie)
        else:  # sources are not what they were
            self.tracker = Tracker(trie, limit=config.callers, misses=config.misses, used=self.tracker.used)
            self.sentinel.tracker = self.steps.tracker = self.listener.tracker = self.tracker
        self.tracker.floor = self.past.floor(config)
        self.steps.adopt(rota, step)
        self.doorkeeper.until = rota.until
        return self.doorkeeper.keep_only(rota.keys)

    def _change_ears(self, config: Config, old: Config) -> None:
        """Listen as `config` wants; if that cannot be had, as `old` does, and raise Mistake."""
        self._hearing.close()
        try:
            self._hear(self._open_watcher(config))
        except Mistake:
            self._hearing.close()
            self._hear(self._open_watcher(old))
            raise

    # The end

    async def _stop(self) -> None:
        self._watching.close()
        self._hearing.close()
        count = len(self.doorkeeper.register)
        stays = f"; the guard stays, {counted(count, 'admission')} in force"
        self.events.tell("stopped", f"stopped{stays if self.sentinel.guarding else ''}")
