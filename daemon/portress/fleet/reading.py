"""All that the store has below a prefix, as it was at one revision; and its changes, line by line.

In: how the store is asked. Out: entries in parts, in the order of their keys. Of parts whose ends are known
several are asked for at once: the store makes one while another is on its way and a third is worked on here.
However much there is, no more than AHEAD parts of PAGE entries wait.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterable, AsyncIterator, Awaitable, Callable, Coroutine, Sequence
from itertools import pairwise
from typing import Any, Final

from portress.fleet.wire import Entry, entry_of, text_of, until_after

PAGE: Final = 10_000  # entries read in one request
AHEAD: Final = 2  # parts that are asked for at once

Ask = Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]  # answers a range request
_Part = tuple[list[Entry], bool, int]  # entries, whether there are more, how many in all


async def in_parts(
    ask: Ask, revision: int, prefix: bytes, cuts: Sequence[bytes]
) -> AsyncIterator[list[Entry]]:
    """All that begins with `prefix`, at a revision. `cuts`: keys, in order, that part it into some of much
    the same size. Raises what `ask` raises."""
    waiting = deque(pairwise((prefix, *cuts, until_after(prefix))))
    asked = deque[tuple[asyncio.Task[_Part], bytes]]()

    def begin(start: bytes, end: bytes) -> tuple[asyncio.Task[_Part], bytes]:
        return _begun(_part(ask, start, end, revision)), end

    try:
        while waiting or asked:
            while waiting and len(asked) < AHEAD:
                asked.append(begin(*waiting.popleft()))
            entries, more, count = await asked[0][0]
            _, end = asked.popleft()
            if more:
                asked.appendleft(begin(entries[-1].key + b"\0", end))
            elif waiting and count * len(cuts) < PAGE:  # there is little: the rest is one part
                waiting = deque([(waiting[0][0], waiting[-1][1])])
            if waiting and len(asked) < AHEAD:
                asked.append(begin(*waiting.popleft()))
            yield entries
    finally:
        for task, _ in asked:
            task.cancel()


def _begun(part: Coroutine[Any, Any, _Part]) -> asyncio.Task[_Part]:
    """It, begun at once; that it fails is an error only for who waits for it."""
    task = asyncio.get_running_loop().create_task(part)
    task.add_done_callback(lambda done: done.cancelled() or done.exception())
    return task


async def _part(ask: Ask, start: bytes, end: bytes, revision: int) -> _Part:
    """The entries from `start` on and before `end`, PAGE of them at the most."""
    body = {"key": text_of(start), "range_end": text_of(end), "limit": str(PAGE), "revision": str(revision)}
    answer = await ask(body)
    entries = [entry_of(kv) for kv in answer.get("kvs", [])]
    return entries, bool(answer.get("more")), int(answer.get("count", 0))


async def lines(chunks: AsyncIterable[bytes]) -> AsyncIterator[bytes]:
    """The lines of a stream, of any length: aiohttp's own reading by lines has a limit."""
    rest = b""
    async for chunk in chunks:
        *whole, rest = (rest + chunk).split(b"\n")
        for line in whole:
            if line.strip():
                yield line
