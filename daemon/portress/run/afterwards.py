"""What can wait for a moment, so that doors open first: the journal's line, the ledger's row.

In: work, and how long it may wait. Out: the same work, in order, once for many.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from typing import Final

LATER: Final = 0.01  # seconds; by then a change has reached every gateway of a fleet
MOST: Final = 64  # works that wait: each takes some 50 us of the loop


class Afterwards:
    """Does work `wait` seconds later, at once if that is 0: `done` does it sooner."""

    def __init__(self, wait: float) -> None:
        self._wait = wait
        self._works: deque[Callable[[], None]] = deque()
        self._timer: asyncio.TimerHandle | None = None

    def add(self, work: Callable[[], None]) -> None:
        """Have this done, after what was added before."""
        self._works.append(work)
        if not self._wait or len(self._works) >= MOST:
            self.done()
        elif self._timer is None:
            self._timer = asyncio.get_running_loop().call_later(self._wait, self.done)

    def done(self) -> None:
        """Do all that waits."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        while self._works:
            self._works.popleft()()


class Hurry(asyncio.Event):
    """An event that is set at once, or at the earliest of the moments that were asked for."""

    def __init__(self) -> None:
        super().__init__()
        self._timer: asyncio.TimerHandle | None = None

    def within(self, seconds: float) -> None:
        """Have it set no later than in so many seconds."""
        loop = asyncio.get_running_loop()
        if self._timer is None or loop.time() + seconds < self._timer.when():
            self._put_off()
            self._timer = loop.call_later(seconds, self.set)

    def set(self) -> None:
        """Set it now."""
        self._put_off()
        super().set()

    def _put_off(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
