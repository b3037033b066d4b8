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
from collections.abc import Awaitable, Iterable
from typing import Final

from attrs import evolve

from portress import lock
from portress.clock import STEP, step_at
from portress.config.model import Config
from portress.doctor.open_doors import probe
from portress.durations import counted
from portress.errors import Mistake
from portress.events import Events
from portress.fleet.stops import Stops
from portress.guard.able import settled
from portress.guard.table import GuardError, Table
from portress.keyholders.place import together
from portress.knock import Source
from portress.paths import Paths
from portress.run import gc_tuning as tuning
from portress.run import trial, use_mark
from portress.run.away import Away
from portress.run.changes import Reloading
from portress.run.control_server import Server
from portress.run.deciding import Deciding
from portress.run.doorkeeper import Doorkeeper
from portress.run.ears import Hearing
from portress.run.exposure import Exposure
from portress.run.follower import MirrorListener
from portress.run.http import Answer
from portress.run.in_force import InForce
from portress.run.interfaces import Interfaces
from portress.run.joining import fellowship
from portress.run.last_good import LastGood
from portress.run.ledger_writer import LedgerWriter
from portress.run.metrics_server import MetricsServer
from portress.run.recovery import Recovery, open_ledger
from portress.run.requests import Requests
from portress.run.sd_notify import Notify
from portress.run.sentinel import Sentinel
from portress.run.slices import until_done
from portress.run.status_answer import ready
from portress.run.steps import Steps, pause_at
from portress.run.trackers import Trackers
from portress.run.wall_clock import Timekeeper, checked, since_boot
from portress.sequence.in_force import SequencesInForce

TICK: Final = 1.0  # seconds between two rounds of housekeeping
AHEAD: Final = 10.0  # seconds before a new time step when its sequences are derived
SELDOM: Final = 60  # rounds between two looks at what changes slowly
DAILY: Final = 24 * 60 * SELDOM  # rounds between two prunings of the ledger and of the memory
SLICE: Final = 256  # ended admissions that are seen to before the loop looks after something else
REMEMBER: Final = 366 * 86400.0  # seconds that ended admissions stay in the ledger


class Daemon:
    """One daemon. `run` returns when it is told to stop, and raises Mistake if it cannot start."""

    def __init__(self, paths: Paths, events: Events, last_good: bool = False) -> None:
        self._paths = paths
        self._events = events
        self._last_good = LastGood(paths, events, last_good)
        self._clock = time.monotonic_ns
        self._unix = time.time
        self._begun = self._clock()
        self._notify = Notify()
        self._interfaces = Interfaces(events)
        self._timekeeper = Timekeeper(events, self._unix, self._clock)
        self._metrics_server = MetricsServer(self._metrics)
        # The kernel stamps packets by the wall clock.
        self._ears = Hearing(self._clock, time.time_ns, paths.state)
        self._stack = contextlib.AsyncExitStack()
        self._tasks: set[asyncio.Task[None]] = set()
        self._expiring: asyncio.Task[None] | None = None
        self._rounds = 0
        self._stopped = asyncio.Event()

    async def run(self, admit: Iterable[Source] = ()) -> None:
        """Start, serve until SIGTERM or SIGINT, stop. The guard stays.

        `admit`: sources that are admitted to every door if the guard has to be loaded.
        """
        async with self._stack:
            await self._start(admit)
            await self._stopped.wait()
            self._notify.stopping()
            await self._stop()

    # The beginning

    async def _start(self, admit: Iterable[Source]) -> None:
        for number in (signal.SIGTERM, signal.SIGINT):
            asyncio.get_running_loop().add_signal_handler(number, self._stopped.set)
        signal.signal(signal.SIGHUP, signal.SIG_IGN)  # what it would reload is being read right now
        if (held := lock.take()) is not None:
            self._stack.enter_context(held)
        checked(self._unix())
        config = settled(self._last_good.config(self._ears.try_out))
        self._join(config)
        fellows = self._gate.recalled(config.doors) if self._gate is not None else ()
        sequences = SequencesInForce(config, together(self._last_good.keyholders(config), fellows))
        for line in config.warnings:
            self._events.tell("warning", line)
        self._wire(config, sequences)
        under_way, state, last_good = self._recovery.under_way(), self._paths.state, self._last_good
        found, restored = self._sentinel.begin(under_way, admit, state, last_good)
        self._sentinel.replaced()
        if not self._last_good.no_keyholders:
            self._doorkeeper.keep_only(sequences.keys)  # those unenrolled while no daemon ran are dismissed
        try:
            await self._serve()
        except Mistake:
            self._sentinel.leave_as_found()
            raise
        await self._meet_fellows()
        tuning.spare_the_loop()
        self._last_good.keep(config)
        self._last_good.mark()
        self._tell_ready(found, restored)
        self._interfaces.look(config.inside)
        self._judge_clock()
        self._recovery.tell_doubt(sequences)
        self._recovery.tell_void(self._in_force.sequences)
        self._later(self._ledger_writer.prune(self._unix() - REMEMBER))

    async def _meet_fellows(self) -> None:
        """Do what happened at the other gateways, before anything is said to be ready."""
        if self._gate is not None:
            with tuning.many_that_stay():
                await self._gate.join()
            self._stack.push_async_callback(self._gate.leave)

    def _join(self, config: Config) -> None:
        """Know the fleet's other gateways, if there are any. Raises Mistake."""
        self._gate, self._fellows = fellowship(
            config.fleet,
            self._paths.state,
            self._events,
            self._clock,
            self._unix,
            self._stops,
            last_good=self._last_good.wanted,
        )

    def _stops(self) -> Stops:
        return Stops(
            self._in_force, self._doorkeeper, self._listener, self._changes, self._ledger_writer, self._later
        )

    def _wire(self, config: Config, sequences: SequencesInForce) -> None:
        """Make the stops, each with those it needs."""
        events, clock, unix, paths = self._events, self._clock, self._unix, self._paths
        table = Table(own=True)
        mark, boot = paths.socket.parent / use_mark.NAME, use_mark.boot()
        ledger = open_ledger(paths, events, unix())
        in_fleet = self._gate is not None
        self._ledger_writer = writer = LedgerWriter(
            ledger, events, unix, clock, mark, boot, paths.witnesses, in_fleet=in_fleet
        )
        self._stack.push_async_callback(writer.close)
        record = table.record() if config.decide == "kernel" else None
        fleets_era = self._gate.era if self._gate is not None else None
        self._recovery = recovery = Recovery(writer, events, unix, since_boot, mark, boot, record, fleets_era)
        sequences = evolve(sequences, era=recovery.era)
        trie, used = sequences.trie(step_at(unix())), recovery.used()
        deciding = Deciding(table.maps, unix, clock)
        trackers = Trackers(deciding, lambda: self._in_force.plan)
        tracker = trackers.make(config, trie, used, recovery.floor(config))
        recalled = self._gate.recalled(config.doors) if self._gate is not None else ()
        self._in_force = now = InForce(config, sequences, tracker, recalled, unix=unix)
        self._doorkeeper = doorkeeper = Doorkeeper(now, table, writer, events, clock, unix, self._fellows)
        self._stack.callback(doorkeeper.after.done)
        self._sentinel = sentinel = self._sentry(table)
        guarding, follow = lambda: sentinel.guarding, sentinel.answer
        self._exposure = Exposure(probe, lambda: now.config, guarding, events, follow)
        self._steps = Steps(now, table, deciding, unix, clock)
        self._stack.callback(self._steps.close)
        self._stack.callback(self._ears.close)
        hearing = self._ears.open(config)
        admit, fellows = sentinel.admit, self._fellows
        self._listener = MirrorListener(
            clock, table, events, now, hearing, doorkeeper, writer, admit, fellows, deciding
        )
        self._listener.begin()
        self._ears.turn(self._listener, hearing)
        self._changes = self._reloading(table, trackers)

    def _sentry(self, table: Table) -> Sentinel:
        return Sentinel(
            table,
            self._in_force,
            self._doorkeeper,
            self._events,
            self._clock,
            Away(self._paths.socket),
            trial.ended_file(self._paths.socket),
            catch_up=lambda: self._listener.listen(),
            deaf=self._ears.paused,
            replaced=lambda: self._record(table),
        )

    def _reloading(self, table: Table, trackers: Trackers) -> Reloading:
        return Reloading(
            self._paths,
            self._events,
            self._unix,
            self._in_force,
            table,
            self._doorkeeper,
            self._sentinel,
            self._listener,
            self._steps,
            trackers,
            self._ears,
            self._metrics_server,
            self._last_good,
            self._recovery,
        )

    def _record(self, table: Table) -> None:
        """The mark names the guard's own record of uses, where there is one."""
        kernel = self._in_force.config.decide == "kernel" and self._sentinel.guarding
        with contextlib.suppress(GuardError):
            self._ledger_writer.records(table.record() if kernel else "")

    def _requests(self) -> Requests:
        return Requests(
            self._paths,
            self._events,
            self._clock,
            self._unix,
            self._begun,
            self._in_force,
            self._doorkeeper,
            self._sentinel,
            self._listener,
            self._steps,
            self._ledger_writer,
            self._last_good,
            self._exposure,
            self._recovery,
            self._changes,
            self._later,
            self._fellows,
        )

    async def _serve(self) -> None:
        loop = asyncio.get_running_loop()
        vigil = self._stack.enter_context(self._sentinel.vigil)
        self._watching = self._stack.enter_context(self._exposure.watch(vigil, self._sentinel.look))
        self._stack.callback(self._metrics_server.close)
        where = self._in_force.config.metrics
        if not self._last_good.wanted:
            self._metrics_server.publish(where)
        elif trouble := self._metrics_server.publish_if_possible(where):
            self._events.tell("refused", f"running without metrics: {trouble}")
        # Before the socket is there: whoever sees it may ask for a reload.
        loop.add_signal_handler(signal.SIGHUP, lambda: self._later(self._reload_by_signal()))
        server = Server(self._paths.socket, self._requests().handle)
        await server.start()
        self._stack.push_async_callback(server.stop)
        loop.call_later(TICK, self._tick)
        if self._notify.watchdog is not None:
            self._feed(self._notify.watchdog / 2)

    def _metrics(self) -> Answer:
        from portress.run.metrics import Metrics  # with the Prometheus client: only where it is wanted

        return Metrics(
            self._clock,
            self._in_force,
            self._doorkeeper,
            self._sentinel,
            self._listener,
            self._steps,
            self._ledger_writer,
            self._last_good,
            self._timekeeper,
            self._exposure,
            self._changes.reloads,
            self._fellows,
        ).answer

    def _tell_ready(self, found: int, restored: int) -> None:
        self._events.tell("ready", ready(self._in_force.config, found, restored))
        self._notify.status(self._in_a_line())
        self._notify.ready()

    def _in_a_line(self) -> str:
        """Doors and admissions, for `systemctl status`."""
        counts = self._doorkeeper.register.counts()
        doors = ", ".join(f"{name}: {counts.get(name, 0)} admitted" for name in self._in_force.config.doors)
        if self._last_good.falling_back:
            doors = f"LAST GOOD CONFIGURATION, current files invalid (portress check); {doors}"
        if not self._sentinel.guarding:
            return f"UNGUARDED, no guard loaded; {doors}"
        return f"{self._exposure.in_a_line()}{doors}"

    # The middle

    def _later(self, work: Awaitable[None]) -> asyncio.Task[None]:
        """Do `work` in the loop; what goes wrong in it is told."""

        async def told() -> None:
            try:
                await work
            except Mistake as mistake:
                for line in mistake.lines:
                    self._events.tell("refused", line)

        task = asyncio.get_running_loop().create_task(told())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    def _feed(self, interval: float) -> None:
        """Signs of life from the loop itself: a loop that hangs gives none."""
        self._notify.alive()
        asyncio.get_running_loop().call_later(interval, self._feed, interval)

    def _tick(self) -> None:
        if self._stopped.is_set():
            return
        if self._in_force.loading.locked():  # what there is to do in the guard waits
            asyncio.get_running_loop().call_later(TICK / 100, self._tick)
            return
        asyncio.get_running_loop().call_later(pause_at(self._unix(), TICK), self._tick)
        self._rounds += 1
        self._sentinel.look()
        self._listener.tidy()
        if self._expiring is None or self._expiring.done():
            some = until_done(lambda: self._doorkeeper.expire(SLICE) == SLICE, self._in_force.loading)
            self._expiring = self._later(some)  # many may end in one moment
        self._doorkeeper.settle()
        self._events.settle()
        self._exposure.tick(minute=self._rounds % SELDOM == 0)
        self._notify.status(self._in_a_line())
        self._timekeeper.look()
        self._in_force.tracker.floor = self._recovery.floor(self._in_force.config)
        self._interfaces.look(self._in_force.config.inside)
        if self._sentinel.guarding:
            self._listener.look_for_room()
        if self._in_force.sequences.rotates and self._sentinel.guarding:
            self._later(self._turn_steps())
        if self._rounds % SELDOM == 0:
            self._later(self._seldom())

    async def _turn_steps(self) -> None:
        await self._steps.change()
        if STEP - self._unix() % STEP <= AHEAD:
            await self._steps.prepare()

    async def _seldom(self) -> None:
        self._sentinel.check()
        self._metrics_server.try_again()
        await self._ledger_writer.settle()
        if await self._recovery.look_for_ledger(self._paths, self._in_force.tracker.used):
            self._recovery.tell_doubt(self._in_force.sequences)
        await self._changes.look_for_paper()
        await self._ledger_writer.prune(self._unix() - REMEMBER)
        if self._rounds % DAILY == 0:
            tuning.tidy()
        self._judge_clock()

    def _judge_clock(self) -> None:
        """Tell of a clock too far off for what rotates."""
        if self._in_force.sequences.rotates:
            self._timekeeper.judge(self._in_force.config)

    async def _reload_by_signal(self) -> None:
        self._notify.reloading(self._clock())
        try:
            with contextlib.suppress(Mistake):  # it is told
                await self._changes.reload()
        finally:
            self._notify.status(self._in_a_line())
            self._notify.ready()

    # The end

    async def _stop(self) -> None:
        self._watching.close()
        self._ears.close()
        stays = f"; the guard stays, {counted(len(self._doorkeeper.register), 'admission')} in force"
        self._events.tell("stopped", f"stopped{stays if self._sentinel.guarding else ''}")
