"""A long list, a part at a time: between two parts, the loop looks after everything else.

In: what there is to do, which may be very much. Out: parts of it, none so large that a knock would wait.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable
from itertools import islice
from typing import TypeVar

One = TypeVar("One")


async def slices(everything: Iterable[One], size: int) -> AsyncIterator[list[One]]:
    """`everything` in parts of `size`."""
    left = iter(everything)
    while part := list(islice(left, size)):
        yield part
        await asyncio.sleep(0)


async def let_go(everything: list[One], size: int) -> None:
    """Free what is in a list a part at a time, where nobody else has it: very much at once takes long."""
    while everything:
        del everything[-size:]
        await asyncio.sleep(0)


async def until_done(part: Callable[[], bool], turn: asyncio.Lock) -> None:
    """Do a part after the other, each in its `turn`, until there is none left: `part` is False then."""
    more = True
    while more:
        async with turn:
            more = part()
        await asyncio.sleep(0)
