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
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import Final, Protocol

from attrs import define, evolve

from portress.fleet.memory import Memory, Seen
from portress.fleet.outbox import RETRY, Outbox
from portress.fleet.records import GATEWAYS, KEYHOLDERS, Admitted, Alive, Codec, Holder, Record, Spent
from portress.fleet.seal import Forged
from portress.fleet.store import Store
from portress.fleet.wire import Compacted, StoreError, StoreFull
from portress.knock import Source

ALIVE: Final = 10  # seconds that a gateway counts as alive after its last sign
BEAT: Final = 2.0  # seconds between two signs
USED: Final = 3600.0  # seconds that a use stays in the store: longer than any step is accepted
GRACE: Final = 60.0  # seconds that an ended admission stays there
FIRST_LOOK: Final = 5.0  # seconds that a start waits for the store


class Outcome(enum.Enum):
    """What became of a claim."""

    FIRST = "first"  # the sequence is this gateway's
    TAKEN = "taken"  # another use of it was there before
    AWAY = "away"  # the store does not answer


class Doors(Protocol):
    """What the fleet wants of the daemon."""

    def admit(self, admissions: list[Admitted]) -> None:
        """Let these in for the time left (`until` is by this host's clock)."""

    def dismiss(self, record: Admitted) -> None:
        """End an admission."""

    def use(self, spent: Spent) -> None:
        """Know a sequence as used, and all before it."""

    def know(self, holders: tuple[Holder, ...]) -> None:
        """These are the fleet's keyholders now."""

    def collide(self, mine: Spent, first: Spent | None) -> None:
        """A sequence was used here alone, and at another gateway as well."""

    def current(self) -> Iterable[Admitted]:
        """This gateway's own admissions (`until` by this host's clock), for a store that has lost them."""

    def tell(self, text: str, trouble: bool) -> None:
        """Report what became of the fleet."""


@define
class Counts:
    """For status and metrics, since the start."""

    claims: int = 0
    conflicts: int = 0
    errors: int = 0  # of the store
    refused: int = 0  # values that were forged or old
    heard: int = 0


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
        self.counts = Counts()
        self.holders: dict[str, Holder] = {}
        self.gateways: dict[str, Alive] = {}
        self.seen = 0  # the revision up to which everything has been heard
        self.lag = 0.0  # seconds from a change made here until it was heard here, the last time
        self.outbox = Outbox(store, self.now, self._lost)
        self._codec = codec
        self._store = store
        self._memory = memory
        self._pen = ThreadPoolExecutor(1, "fleet")
        self._doors = doors
        self._unix = unix
        self._since = unix()
        self._life: int | None = None  # the lease of one's sign of life
        self._tasks: list[asyncio.Task[None]] = []
        self._watching: asyncio.Task[None] | None = None
        self._refusals: dict[bytes, str] = {}

    # Coming and going

    async def start(self) -> None:
        """Read everything, for FIRST_LOOK seconds at the most; then go on beside the daemon's work."""
        try:
            await asyncio.wait_for(self._catch_up(), FIRST_LOOK)
        except StoreError as error:
            self._lost(error)
        except TimeoutError:
            self._lost(StoreError("no answer in time"))
        work = (self._listen(), self.outbox.run(), self._beat())
        self._tasks = [asyncio.create_task(one) for one in work]

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
        self._pen.shutdown()
        self._memory.close()

    def recall(self) -> tuple[Holder, ...]:
        """The keyholders as they were when this gateway last heard of them, to begin with."""
        for key, value in self._memory.values(self._codec.key(KEYHOLDERS) + b"/"):
            with contextlib.suppress(Forged):
                holder = self._codec.read(key, value)
                if isinstance(holder, Holder) and not holder.gone:
                    self.holders[holder.name] = holder
        return tuple(self.holders.values())

    @property
    def ahead(self) -> float:
        """Seconds that this host's clock is ahead of the store's; 0 within what its answers can show."""
        clock = self._store.clock
        return 0.0 if clock.low <= 0.0 <= clock.high else clock.ahead

    def now(self) -> float:
        """Unix seconds by the store's clock."""
        return self._unix() - self.ahead

    # Speaking

    def admitted(self, door: str, source: Source, until: float, keyholder: str | None) -> None:
        """Tell the others of an admission that lasts until a moment (unix seconds by this host's clock)."""
        self._say(Admitted(door, source, until - self.ahead, self.name, 0, keyholder))

    def dismissed(self, door: str, source: Source, until: float, how: str) -> None:
        """Tell the others that an admission, which would have lasted until then, has ended."""
        self._say(Admitted(door, source, max(until - self.ahead, self.now()), self.name, 0, None, how))

    async def publish(self, holder: Holder) -> None:
        """Put a keyholder into the store, or out of it (`gone`), at once. Raises StoreError."""
        key, value = self._next(holder)
        await self._store.put([(key, value, None)])

    def _say(self, record: Admitted) -> None:
        key, value = self._next(record)
        self.outbox.put(key, value, record.until + GRACE)

    def _next(self, record: Admitted | Holder) -> tuple[bytes, bytes]:
        """A record under a version higher than any seen at its key."""
        key = self._codec.at(record)
        version = max(self._memory.versions.get(key, 0) + 1, round(self.now() * 1000))
        self._memory.note([Seen(key, version)])
        return self._codec.written(evolve(record, version=version))

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
            there = await self._store.claim(key, value, await self.outbox.lease(self.now() + USED))
        except StoreError as error:
            self._lost(error)
            if owe:
                self._pen.submit(self._memory.owe, key, value, self._unix() + USED)
            return Outcome.AWAY, None
        if there is None:
            return Outcome.FIRST, None
        self.counts.conflicts += 1
        return Outcome.TAKEN, self._use_at(key, there.value)

    def _use_at(self, key: bytes, value: bytes) -> Spent | None:
        try:
            record = self._codec.read(key, value)
        except Forged as why:
            self._refuse(key, str(why))
            return None
        return record if isinstance(record, Spent) else None

    async def _pay(self) -> None:
        """Tell the store of the uses that it was not there for. Raises StoreError."""
        loop = asyncio.get_running_loop()
        for key, value, ends in await loop.run_in_executor(self._pen, self._memory.owed):
            if ends > self._unix():
                there = await self._store.claim(key, value, await self.outbox.lease(self.now() + USED))
                mine = self._use_at(key, value)
                if there is not None and mine is not None:
                    self.counts.conflicts += 1
                    self._doors.collide(mine, self._use_at(key, there.value))
            self._pen.submit(self._memory.paid, key)

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
                self._doors.tell("the store has forgotten what was missed: everything is read again", False)
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
            self._take([(change.key, change.value) for change in changes])
            if changes:
                self.seen = max(self.seen, revision)
            if self.away:
                await self._back()

    async def _catch_up(self) -> None:
        """Reads all that there is. Raises StoreError."""
        first, there = 0, set[bytes]()
        self.gateways.clear()
        async for revision, entries in self._store.read(self._codec.prefix):
            first = revision
            there.update(entry.key for entry in entries)
            self._take([(entry.key, entry.value) for entry in entries])
            await asyncio.sleep(0)
        self.seen = first
        for one in self._doors.current():  # a store that was made anew has lost them
            if self._codec.at(one) not in there:
                self.admitted(one.door, one.source, one.until, one.keyholder)
        await self._back()

    async def _back(self) -> None:
        """The store answers: say what was left unsaid."""
        await self._pay()
        self.away = False
        if self.trouble:
            self.trouble = ""
            waiting = len(self.outbox)
            self._doors.tell(f"the store answers again: caught up, {waiting} changes to send", False)
        self.outbox.hurry()

    def _lost(self, error: StoreError) -> None:
        self.counts.errors += 1
        if not self.trouble:
            self._doors.tell(f"the store is away, this gateway goes on alone: {error}", True)
        self.trouble = str(error) or "no answer"
        self.away = self.away or not isinstance(error, StoreFull)

    def _take(self, values: list[tuple[bytes, bytes | None]]) -> None:
        """Does what others have said. Values that are forged or old are refused."""
        admitted: list[Admitted] = []
        seen: list[Seen] = []
        before = dict(self.holders)
        for key, value in values:
            if value is None:
                self._gone(key)
                continue
            try:
                record = self._codec.read(key, value)
                if not isinstance(record, (Spent, Alive)) and self._memory.is_old(key, record.version):
                    raise Forged("an old value, put back by somebody")
            except Forged as why:
                self._refuse(key, str(why))
                continue
            self.counts.heard += 1
            seen += self._do(key, value, record, admitted)
        self._memory.note(seen)
        if seen:
            self._pen.submit(self._memory.write, seen)
        if admitted:
            self._doors.admit(admitted)
        if self.holders != before:
            self._doors.know(tuple(self.holders.values()))

    def _do(self, key: bytes, value: bytes, record: Record, admitted: list[Admitted]) -> list[Seen]:
        """One record; what is to be remembered of it. Admissions are gathered."""
        if isinstance(record, Alive):
            self.gateways[record.gateway] = record
        elif isinstance(record, Spent):
            self._doors.use(record)
        elif isinstance(record, Holder):
            if record.gone:
                self.holders.pop(record.name, None)
            else:
                self.holders[record.name] = record
            return [Seen(key, record.version, None, value)]
        else:
            local = evolve(record, until=record.until + self.ahead)
            if record.ended is None and local.until > self._unix():
                admitted.append(local)
            elif record.ended is not None and record.gateway != self.name:
                admitted[:] = [one for one in admitted if self._codec.at(one) != key]
                self._doors.dismiss(local)
            return [Seen(key, record.version, local.until + USED)]
        return []

    def _gone(self, key: bytes) -> None:
        """A gateway's lease has ended. That anything else is gone changes no door."""
        with contextlib.suppress(Forged):
            parts = self._codec.parts(key)
            if parts[0] == GATEWAYS:
                self.gateways.pop(parts[1], None)

    def _refuse(self, key: bytes, why: str) -> None:
        self.counts.refused += 1
        if self._refusals.get(key) != why:
            self._refusals[key] = why
            name = key.removeprefix(self._codec.prefix).decode(errors="backslashreplace")
            self._doors.tell(f"a value in the store is refused: {name}: {why}", True)

    # Signs of life

    async def _beat(self) -> None:
        while True:
            try:
                if self._life is None or not await self._store.keep(self._life):
                    if self._life is not None:
                        self.seen = 0  # away for long, or the store has lost what it had
                    await self._sign()
                elif await self._store.now(self._codec.prefix) < self.seen:
                    self.seen = 0  # restored from a backup
                if (self.away or self.seen == 0) and self._watching is not None:
                    self._watching.cancel()  # it may wait for ever at a member that is cut off
            except StoreError as error:
                self._lost(error)
                self._life = None if isinstance(error, StoreFull) else self._life
            await asyncio.sleep(BEAT)

    async def _sign(self) -> None:
        self._life = await self._store.grant(ALIVE)
        alive = Alive(self.name, round(self.now() * 1000), self._since - self.ahead)
        key, value = self._codec.written(alive)
        await self._store.put([(key, value, self._life)])
