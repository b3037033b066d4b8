"""Whether something waits for a lock: for the guard that a thread is loading."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

Seen = TypeVar("Seen")


def beside(
    lock: asyncio.Lock, work: Callable[[], Coroutine[Any, Any, object] | None], seen: Callable[[], Seen]
) -> tuple[Seen, Seen]:
    """What is seen of `work`, begun while the lock is held, before it is let go and when all is done."""

    async def both() -> tuple[Seen, Seen]:
        async with asyncio.timeout(20):
            async with lock:
                begun = work()
                tasks = set() if begun is None else {asyncio.create_task(begun)}
                await asyncio.sleep(0.03)  # a thread may be at work
                before = seen()
            while others := tasks | asyncio.all_tasks() - {asyncio.current_task()}:
                await asyncio.gather(*others)
                tasks = set()
            return before, seen()

    return asyncio.run(both())
