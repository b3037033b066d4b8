"""A loop whose clock stands still while there is work, and then is at the next moment that is waited for."""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any, Final


class _Loop(asyncio.SelectorEventLoop):
    def __init__(self) -> None:
        self.now = 0.0  # seconds
        super().__init__(_Selector(self))

    def time(self) -> float:
        return self.now


class _Selector(selectors.DefaultSelector):
    def __init__(self, loop: _Loop) -> None:
        super().__init__()
        self._of: Final = loop

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        self._of.now += timeout or 0.0
        return super().select(0)


def run(work: Coroutine[Any, Any, None]) -> None:
    """Like asyncio.run, for work that waits for nothing but moments."""
    with asyncio.Runner(loop_factory=_Loop) as runner:
        runner.run(work)
