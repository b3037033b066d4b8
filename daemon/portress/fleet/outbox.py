"""What this gateway has to say to the fleet, until the store has it.

In: keys, values and how long they are wanted. Out: transactions of many at once, several in flight, under
few leases: one for all that ends in the same minute. What changes again before it was sent is sent once,
what is over is not sent. A transaction goes through only if nobody has changed its keys since they were heard
last: else what was said there is heard first, and may outweigh what waits. While the store is away, all of it
waits; nobody waits for it.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable
from typing import Final

from attrs import frozen

from portress.fleet.records import Admitted
from portress.fleet.store import MANY, Store
from portress.fleet.wire import NoLease, StoreError

RETRY: Final = (0.2, 0.5, 1.0, 2.0)  # seconds between two attempts to reach the store
FOR_EVER: Final = math.inf
FLIGHTS: Final = 4  # transactions in flight at once
_SHORTEST: Final = 5  # seconds that a lease lasts at least
_HEARING: Final = 1.0  # seconds that a change of others may take to be heard


@frozen
class _Waiting:
    value: bytes
    ends: float
    record: Admitted | None


class Outbox:
    """Sends to `store`. `now` gives unix seconds by the store's clock; `lost` is told each failure.

    `heard` gives the revision up to which all changes were heard.
    """

    def __init__(
        self,
        store: Store,
        now: Callable[[], float],
        lost: Callable[[StoreError], None],
        heard: Callable[[], int],
    ) -> None:
        self.sent: dict[bytes, float] = {}  # when (monotonic seconds) a change was sent, to measure the lag
        self._heard = heard
        self._store = store
        self._now = now
        self._lost = lost
        self._waiting: dict[bytes, _Waiting] = {}
        self._flying: set[bytes] = set()
        self._wanted = asyncio.Event()
        self._leases: dict[int, asyncio.Future[int]] = {}

    def __len__(self) -> int:
        return len(self._waiting)

    def __contains__(self, key: bytes) -> bool:
        return key in self._waiting

    def put(self, key: bytes, value: bytes, ends: float, record: Admitted | None) -> None:
        """Have `value` at `key` until a moment (unix seconds by the store's clock); it says `record`."""
        self._waiting[key] = _Waiting(value, ends, record)
        self._wanted.set()

    def record(self, key: bytes) -> Admitted | None:
        """What waits to be said there."""
        one = self._waiting.get(key)
        return None if one is None else one.record

    def drop(self, key: bytes) -> None:
        """What waits to be said there is not to be said any more."""
        self._waiting.pop(key, None)

    def hurry(self) -> None:
        """The store answers again: do not wait for the next attempt."""
        self._wanted.set()

    async def run(self) -> None:
        """Send what waits, as fast as the store takes it, for as long as the daemon runs."""
        failures = 0
        while True:
            await self._wanted.wait()
            try:
                await self.empty()
                failures = 0
            except StoreError as error:
                self._lost(error)
                await asyncio.sleep(RETRY[min(failures, len(RETRY) - 1)])
                failures += 1

    async def empty(self) -> None:
        """Send all that waits. Raises StoreError; what was not sent goes on waiting."""
        self._wanted.clear()
        flights = max(1, min(FLIGHTS, -(-len(self._waiting) // MANY)))
        try:
            if flights == 1:  # as most are: it does not wait for a task's turn
                await self._drain()
                return
            done = await asyncio.gather(*(self._drain() for _ in range(flights)), return_exceptions=True)
            for error in done:
                if isinstance(error, BaseException):
                    raise error
        except BaseException:
            self._wanted.set()
            raise

    async def _drain(self) -> None:
        while len(self._flying) < len(self._waiting):
            if not (some := self._next()):
                continue  # those were over
            self._flying.update(some)
            try:
                await self._send(some)
            finally:
                self._flying.difference_update(some)

    def _next(self) -> dict[bytes, _Waiting]:
        """The next that are to be sent; what is over is dropped."""
        now, over, some = self._now(), [], dict[bytes, _Waiting]()
        for key, one in self._waiting.items():
            if key in self._flying:
                continue
            if one.ends < now:
                over.append(key)
            else:
                some[key] = one
            if len(some) + len(over) == MANY:
                break
        for key in over:
            del self._waiting[key]
        return some

    async def _send(self, some: dict[bytes, _Waiting]) -> None:
        begun, heard = time.monotonic(), self._heard()
        if not heard:
            raise StoreError("not everything was read yet")
        changes = [(key, one.value, await self._lease_of(one)) for key, one in some.items()]
        try:
            there = await self._store.put_unless_changed(changes, heard)
        except StoreError as error:
            if not self.forgot_leases(error):
                raise
            return
        if there:
            await self._until_heard(there)
            return
        self.sent = {next(iter(some)): begun}
        for key, one in some.items():
            if self._waiting.get(key) is one:
                del self._waiting[key]

    async def _until_heard(self, revision: int) -> None:
        end = time.monotonic() + _HEARING
        while self._heard() < revision:
            if time.monotonic() > end:
                raise StoreError("the store has changes not received yet")
            await asyncio.sleep(0.001)

    def forgot_leases(self, error: StoreError) -> bool:
        """Whether the store has let the leases end, as one that was away for long, or recreated: others are
        taken from now on."""
        if not isinstance(error, NoLease):
            return False
        self._leases.clear()
        return True

    async def _lease_of(self, one: _Waiting) -> int | None:
        return None if one.ends == FOR_EVER else await self.lease(one.ends)

    async def lease(self, ends: float) -> int:
        """A lease that lasts until the end of the minute in which a moment lies."""
        minute = math.ceil(ends / 60)
        known = self._leases.get(minute)
        if known is None:
            now = self._now()
            self._leases = {one: lease for one, lease in self._leases.items() if one * 60 > now}
            known = asyncio.ensure_future(self._store.grant(max(_SHORTEST, round(minute * 60 - now))))
            self._leases[minute] = known
        try:
            return await asyncio.shield(known)
        except StoreError:
            self._leases.pop(minute, None)
            raise
