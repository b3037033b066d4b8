"""What this gateway has to say to the fleet, until the store has it.

In: keys, values and how long they are wanted. Out: transactions of many at once, under few leases: one for
all that ends in the same minute. What changes again before it was sent is sent once. While the store is away,
all of it waits; nobody waits for it.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable
from typing import Final

from attrs import frozen

from portress.fleet.store import MANY, Store
from portress.fleet.wire import StoreError

RETRY: Final = (0.2, 0.5, 1.0, 2.0)  # seconds between two attempts to reach the store
_SHORTEST: Final = 5  # seconds that a lease lasts at least


@frozen
class _Waiting:
    value: bytes
    ends: float


class Outbox:
    """Sends to `store`. `now` gives unix seconds by the store's clock; `lost` is told each failure."""

    def __init__(self, store: Store, now: Callable[[], float], lost: Callable[[StoreError], None]) -> None:
        self.sent: dict[bytes, float] = {}  # when (monotonic seconds) a change was sent, to measure the lag
        self._store = store
        self._now = now
        self._lost = lost
        self._waiting: dict[bytes, _Waiting] = {}
        self._wanted = asyncio.Event()
        self._leases: dict[int, int] = {}

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, key: bytes, value: bytes, ends: float) -> None:
        """Have `value` at `key` until a moment (unix seconds by the store's clock)."""
        self._waiting[key] = _Waiting(value, ends)
        self._wanted.set()

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
        while self._waiting:
            some = list(self._waiting.items())[:MANY]
            begun = time.monotonic()
            try:
                await self._store.put([(key, one.value, await self.lease(one.ends)) for key, one in some])
            except StoreError as error:
                if "lease not found" not in str(error):
                    raise
                self._leases.clear()  # a store that was away for long has let them end
                continue
            self.sent = {some[-1][0]: begun}
            for key, one in some:
                if self._waiting.get(key) is one:
                    del self._waiting[key]
        self._wanted.clear()

    async def lease(self, ends: float) -> int:
        """A lease that lasts until the end of the minute in which a moment lies."""
        minute = math.ceil(ends / 60)
        if minute not in self._leases:
            now = self._now()
            self._leases = {one: lease for one, lease in self._leases.items() if one * 60 > now}
            self._leases[minute] = await self._store.grant(max(_SHORTEST, round(minute * 60 - now)))
        return self._leases[minute]
