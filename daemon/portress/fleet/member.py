"""This gateway as one of the fleet: tells the others what it does, and hears what they do.

In: admissions, dismissals and uses of this gateway. Out, over `Doors`: those of the others, in order.
Nothing here holds up the daemon's loop, and nothing that the store does keeps a fixed sequence from opening:
while it is away, what is to be said waits (uses on the disk), and all of it is said afterwards.

Times in the store are by the store's own clock, so that a gateway whose clock is off does no harm to others.
"""

from __future__ import annotations

import asyncio
import contextlib
import enum
import sqlite3
import time
from collections.abc import Callable, Coroutine, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final

from attrs import evolve

from portress.fleet.heard import USED, Counts, Doors, Heard
from portress.fleet.memory import Known, Memory
from portress.fleet.outbox import RETRY, Outbox
from portress.fleet.records import Admitted, Alive, Codec, Holder, Spent
from portress.fleet.store import Store
from portress.fleet.wire import Compacted, Entry, StoreError, StoreFull, told_of_clock
from portress.knock import TIMELESS, Source

ALIVE: Final = 10  # seconds that a gateway counts as alive after its last sign
BEAT: Final = 2.0  # seconds between two signs
FIRST_LOOK: Final = 5.0  # seconds that a start waits for the store
LATER: Final = 0.5  # seconds that what was heard may wait until it is written to the disk
SLICE: Final = 250  # values that are done before the loop looks after something else
OFF: Final = 10.0  # seconds that this clock may differ from the store's before it is reported
_TIDY: Final = 60.0  # seconds between two times that what is over is forgotten


class Outcome(enum.Enum):
    """What became of a claim."""

    FIRST = "first"  # the sequence is this gateway's
    TAKEN = "taken"  # another use of it was there before
    AWAY = "away"  # the store does not answer


class Member:
    """One gateway, `name`, of a fleet. `unix` gives unix seconds by this host's clock."""

    def __init__(
        self,
        name: str,
        codec: Codec,
        store: Store,
        memory: Memory,
        doors: Doors,
        unix: Callable[[], float] = time.time,
    ) -> None:
        self.name = name
        self.away = True
        self.trouble = ""  # what is wrong with the store, in one line
        self.seen = 0  # the revision up to which everything has been heard
        self.lag = 0.0  # seconds from a change made here until it was heard here, the last time
        self.outbox = Outbox(store, self.now, self._lost, lambda: self.seen)
        self._codec = codec
        self._store = store
        self._memory = memory
        self._pen = ThreadPoolExecutor(1, "fleet")
        self._doors = doors
        self._unix = unix
        self._life: int | None = None  # the lease of one's sign of life
        self._tasks: list[asyncio.Task[None]] = []
        self._watching: asyncio.Task[None] | None = None
        self._clock_off = False
        self._warned = self._tidied = 0.0
        self._unwritten: list[Known] = []
        self._owing = 0  # uses that the store was not there for, ever since the start
        self._reading = False  # everything, when what was heard waits until that is done
        self.heard = Heard(name, codec, memory, doors, self.outbox, unix, lambda: self.ahead, self._remember)

    @property
    def counts(self) -> Counts:
        """For status and metrics."""
        return self.heard.counts

    @property
    def gateways(self) -> dict[str, Alive]:
        """Those that are alive."""
        return self.heard.gateways

    def recall(self) -> tuple[Holder, ...]:
        """The keyholders as they were when this gateway last heard of them, to begin with."""
        return self.heard.recall()

    # Coming and going

    async def start(self) -> None:
        """Read everything, if the store answers within FIRST_LOOK seconds; then go on beside the daemon.

        However much there is, it is read before this returns: the daemon is not ready before that.
        """
        try:
            await asyncio.wait_for(self._store.now(self._codec.prefix), FIRST_LOOK)
            await self._store.seek_leader()
            await self._catch_up()
        except StoreError as error:
            self._lost(error)
        except TimeoutError:
            self._lost(StoreError("no answer in time"))
        work = (self._listen, self.outbox.run, self._beat)
        self._tasks = [asyncio.create_task(self._kept(one)) for one in work]

    async def _kept(self, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Do this for as long as the daemon runs: a fault in it is told, and does not end it."""
        while True:
            try:
                await work()
            except Exception as error:
                self.counts.errors += 1
                text = f"an error in the fleet connection, which continues: {type(error).__name__}: {error}"
                self._doors.tell(text, True)
                self.seen = 0
                await asyncio.sleep(RETRY[-1])

    def _write(self, work: Callable[..., None], *words: Any) -> None:
        """Do something to the memory, in its thread; that it fails is told."""

        def done() -> None:
            try:
                work(*words)
            except sqlite3.Error as error:
                text = f"the fleet's state cannot be saved: {error}"
                loop.call_soon_threadsafe(self._doors.tell, text, True)

        loop = asyncio.get_running_loop()
        with contextlib.suppress(RuntimeError):  # it is being stopped
            self._pen.submit(done)

    def _remember(self, seen: list[Known], at_once: bool) -> None:
        """Have these in the memory on the disk, at once or soon: what comes until then costs no more."""
        if not self._unwritten and not at_once and not self._reading:
            asyncio.get_running_loop().call_later(LATER, self._write_unwritten)
        self._unwritten += seen
        if at_once:
            self._write_unwritten()

    def _write_unwritten(self) -> None:
        if self._unwritten:
            self._write(self._memory.write, self._unwritten)
            self._unwritten = []

    async def stop(self) -> None:
        """Say what is still to be said, as far as the store takes it within a second, and go."""
        with contextlib.suppress(StoreError, TimeoutError):
            await asyncio.wait_for(self.outbox.empty(), 1.0)
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        if self._life is not None:
            with contextlib.suppress(StoreError, TimeoutError):
                await asyncio.wait_for(self._store.revoke(self._life), 0.5)
        self._write_unwritten()
        self._pen.shutdown()
        self._memory.close()

    @property
    def ahead(self) -> float:
        """Seconds that this host's clock is ahead of the store's; 0 within what its answers can show."""
        clock = self._store.clock
        return 0.0 if clock.low <= 0.0 <= clock.high else clock.ahead

    def now(self) -> float:
        """Unix seconds by the store's clock."""
        return self._unix() - self.ahead

    # Speaking

    def admitted(
        self, door: str, source: Source, until: float, keyholder: str | None, since: float | None = None
    ) -> None:
        """Tell the others of an admission, `since` a moment (None: now) until another (unix seconds by this
        host's clock)."""
        record = Admitted(door, source, until - self.ahead, self.name, 0, keyholder)
        self.heard.say(record, None if since is None else since - self.ahead)

    def dismissed(self, door: str, source: Source, until: float, how: str) -> None:
        """Tell the others that an admission, which would have lasted until then, has ended."""
        self.heard.say(Admitted(door, source, max(until - self.ahead, self.now()), self.name, 0, None, how))

    async def publish(self, holder: Holder) -> None:
        """Put a keyholder into the store, or out of it (`gone`), at once. Raises StoreError."""
        key, value, _ = self.heard.next(holder)
        await self._store.put([(key, value, None)])

    # Claiming

    async def claim(self, spent: Spent, owe: bool = True) -> tuple[Outcome, Spent | None]:
        """Make a sequence this gateway's own. With TAKEN, the use that was first, where it can be read.

        `owe`: if the store is away, tell it later, and find out then whether there was another use.
        """
        self.counts.claims += 1
        key, value = self._codec.written(evolve(spent, gateway=self.name, version=1))
        try:
            if self.away:
                raise StoreError(self.trouble or "the store is away")
            there = await self._claim_at(key, value, spent.step == TIMELESS)
        except StoreError as error:
            self._lost(error)
            if owe:
                self._owing += 1
                self._write(self._memory.owe, key, value, self._unix() + USED)
            return Outcome.AWAY, None
        if there is None:
            return Outcome.FIRST, None
        self.counts.conflicts += 1
        return Outcome.TAKEN, self.heard.use_at(key, there.value)

    async def _claim_at(self, key: bytes, value: bytes, lasting: bool = False) -> Entry | None:
        try:
            return await self._store.claim(key, value, await self._lease(lasting))
        except StoreError as error:
            if not self.outbox.forgot_leases(error):
                raise
        return await self._store.claim(key, value, await self._lease(lasting))

    async def _lease(self, lasting: bool) -> int | None:
        return None if lasting else await self.outbox.lease(self.now() + USED)

    async def _pay(self) -> None:
        """Tell the store of the uses that it was not there for. Raises StoreError."""
        loop = asyncio.get_running_loop()
        for key, value, ends in await loop.run_in_executor(self._pen, self._memory.owed):
            if ends > self._unix():
                there = await self._claim_at(key, value)
                mine = self.heard.use_at(key, value)
                if there is not None and mine is not None:
                    self.counts.conflicts += 1
                    self._doors.collide(mine, self.heard.use_at(key, there.value))
            self._write(self._memory.paid, key)

    # Listening

    async def _listen(self) -> None:
        """Hears every change, from where it was left off, for as long as the daemon runs."""
        failures = 0
        while True:
            self._watching = asyncio.create_task(self._hear())
            try:
                await self._watching
            except asyncio.CancelledError:
                task = asyncio.current_task()
                if task is not None and task.cancelling():
                    self._watching.cancel()
                    raise
            except Compacted:
                self.seen = 0
                self._doors.tell(
                    "the store has compacted the missed changes: reading everything again", False
                )
            except StoreError as error:
                self._lost(error)
                await asyncio.sleep(RETRY[min(failures, len(RETRY) - 1)])
                failures += 1
                continue
            failures = 0

    async def _hear(self) -> None:
        if self.seen == 0:
            await self._catch_up()
        async for revision, changes in self._store.watch(self._codec.prefix, self.seen + 1):
            for change in changes:
                if change.key in self.outbox.sent:
                    self.lag = time.monotonic() - self.outbox.sent.pop(change.key)
            if await self._take([(change.key, change.value) for change in changes]):
                self.heard.know()
            if changes and self.seen:  # or else everything has to be read again first
                self.seen = max(self.seen, revision)
            if self.heard.twin is not None:
                await self._tell_twin(self.heard.twin)
            if self.away:
                await self._back()

    async def _take(
        self, values: Sequence[tuple[bytes, bytes | None]], there: dict[bytes, int] | None = None
    ) -> bool:
        """Do what these say, a slice at a time; whether the keyholders have changed."""
        changed = False
        for begin in range(0, len(values), SLICE):
            changed |= self.heard.take(values[begin : begin + SLICE], there)
            if begin + SLICE < len(values):
                await asyncio.sleep(0)
        return changed

    async def _catch_up(self) -> None:
        """Reads all that there is. Raises StoreError."""
        self.gateways.clear()
        self._reading = True
        try:
            try:
                first, there, changed = await self._read_all()
            except Compacted:  # while it was read: what is there now is read instead
                first, there, changed = await self._read_all()
        finally:
            self._reading = False
            asyncio.get_running_loop().call_later(LATER, self._write_unwritten)
        if changed:
            self.heard.know()
        self.heard.twin = None  # this gateway's own sign, from before it was started
        self.seen = first
        self.heard.restore(there)
        await self._back()

    async def _read_all(self) -> tuple[int, dict[bytes, int], bool]:
        """Do all that the store says: as of which revision, the versions there, whether keyholders are."""
        first, there, changed = 0, dict[bytes, int](), False
        async for revision, entries in self._store.read(self._codec.prefix, self._codec.cuts):
            first = revision
            await asyncio.sleep(0)  # the next part is asked for before this one is done
            changed |= await self._take(entries, there)
        return first, there, changed

    async def _back(self) -> None:
        """The store answers: say what was left unsaid, and what is left unsaid while that is being said."""
        owing = -1
        while owing != self._owing:
            owing = self._owing
            await self._pay()
            if owing == self._owing:
                self.away = False
                if self.trouble:
                    await self._store.grant(ALIVE)  # a full store answers, and takes nothing: not well yet
        if self.trouble:
            self.trouble = ""
            self._doors.tell(f"the store answers again: {len(self.outbox)} changes to send", False)
        self.outbox.hurry()

    def _lost(self, error: StoreError) -> None:
        self.counts.errors += 1
        if not self.trouble:
            self._doors.tell(f"the store is unreachable, this gateway works alone: {error}", True)
        self.trouble = str(error) or "no answer"
        self.away = self.away or not isinstance(error, StoreFull)
        if self.away and self._life is None:
            self.seen = 0  # no lease will tell whether it is another store that answers next

    # Signs of life

    async def _beat(self) -> None:
        while True:
            seen = self.seen  # before the store is asked: more may be heard until it answers
            try:
                if self._life is None or not await self._store.keep(self._life):
                    if self._life is not None:
                        self.seen = 0  # away for long, or the store has lost what it had
                    await self._sign()
                elif await self._store.now(self._codec.prefix) < seen:
                    self.seen = 0  # restored from a backup
                if self._store.standing != self._store.settled:
                    await self._store.seek_leader()
                moved = self._store.watched != self._store.endpoint  # the other one may be cut off
                if (self.away or self.seen == 0 or moved) and self._watching is not None:
                    self._watching.cancel()  # it may wait for ever at a member that is cut off
                elif self.trouble:
                    await self._sign()  # not before it takes something is all well again
                    await self._back()
            except StoreError as error:
                self._lost(error)
                self._life = None if isinstance(error, StoreFull) else self._life
            self._judge_clock()
            if self._unix() - self._tidied > _TIDY:
                self._tidied, self._store.settled = self._unix(), None
                self.heard.prune()
                self._write(self._memory.prune, self._unix())
            await asyncio.sleep(BEAT)

    async def _sign(self) -> None:
        self._life = await self._store.grant(ALIVE)
        key, value, _ = self.heard.next(Alive(self.name, 0, self.heard.since - self.ahead))
        await self._store.put([(key, value, self._life)])

    async def _tell_twin(self, twin: Alive) -> None:
        """Another gateway calls itself the same: tell it here, and let the other one know."""
        self.heard.twin = None
        if self._unix() - self._warned > _TIDY:
            self._warned = self._unix()
            text = f"another gateway is also called {twin.gateway}: give each its own name (fleet.gateway)"
            self._doors.tell(text, True)
            await self._sign()

    def _judge_clock(self) -> None:
        off = abs(self.ahead) > OFF
        if off != self._clock_off:
            self._clock_off = off
            self._doors.tell(told_of_clock(self.ahead, off), off)
