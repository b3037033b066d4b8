"""The roll of admissions: chosen, sorted and told a slice at a time, so that no question holds up the loop.

In: the register, which may change meanwhile, and what is asked for. Out: admissions in order, and lines of
JSON. Between two slices the loop looks after everything else.
"""

from __future__ import annotations

import asyncio
import heapq
from collections import Counter, deque
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from itertools import islice
from typing import Any, Final

from attrs import frozen

from portress.admissions import Admission, Register
from portress.narrow import Narrow, near
from portress.run import status_answer as answers
from portress.run.listener import Listener

LOOKED: Final = 4000  # admissions looked at, or sorted, at once: some 2 ms
TOLD: Final = 512  # admissions made JSON of at once: some 3 ms


async def chosen(register: Register, narrow: Narrow, now: int) -> list[Admission]:
    """The admissions in force at `now` (ns) that are meant, in no order."""
    keyholder = narrow.keyholder
    candidates = list(register) if keyholder is None else register.held_by(keyholder)
    found: list[Admission] = []
    for first in range(0, len(candidates), LOOKED):
        part = candidates[first : first + LOOKED]
        if narrow:
            part = [one for one in part if narrow.covers(one.door, one.source, one.keyholder)]
        found += [one for one in part if one.until > now]
        await asyncio.sleep(0)
    return found


async def by_door(found: list[Admission]) -> dict[str, int]:
    """How many of them each door has."""
    counts: Counter[str] = Counter()
    for first in range(0, len(found), LOOKED):
        counts.update(one.door for one in found[first : first + LOOKED])
        await asyncio.sleep(0)
    return counts


async def ordered(found: list[Admission], narrow: Narrow) -> Iterator[Admission]:
    """Those in the order that is asked for: slices are sorted here, and merged as it is read."""
    slices: list[list[Admission]] = []
    for first in range(0, len(found), LOOKED):
        part = found[first : first + LOOKED]
        part.sort(key=narrow.key, reverse=narrow.backwards)
        slices.append(part)
        await asyncio.sleep(0)
    return heapq.merge(*slices, key=narrow.key, reverse=narrow.backwards)


async def skip(listed: Iterator[Admission], count: int) -> None:
    """Pass so many over."""
    while count > 0:
        deque(islice(listed, min(count, LOOKED // 4)), maxlen=0)
        count -= LOOKED // 4
        await asyncio.sleep(0)


async def lines(found: Iterable[Admission], limit: int | None, now: int, unix: float) -> AsyncIterator[Any]:
    """A line of JSON for each, `limit` at the most; at last one that says that this was all of it."""
    left = islice(found, limit)
    while part := list(islice(left, TOLD)):
        text = "\n".join([answers.admission_line(one, now, unix) for one in part])
        yield text.encode() + b"\n"
        await asyncio.sleep(0)
    yield {"end": True}


@frozen
class Around:
    """Those who are not admitted: the first of the callers and of the shunned, and how many there are."""

    callers: list[dict[str, Any]]
    callers_total: int
    shunned: list[dict[str, Any]]
    shunned_total: int


async def around(listener: Listener, narrow: Narrow, now: int) -> Around:
    """Callers and shunned sources that are meant. Whose they are is not known: none is any keyholder's."""
    if narrow.keyholder is not None:
        return Around([], 0, [], 0)
    callers, shunned = list(listener.tracker.callers(now)), list(listener.tracker.shunned(now))
    if narrow.source is not None:
        wanted = narrow.source
        callers = await _kept(callers, lambda one: near(wanted, listener.source(one[0])))
        shunned = await _kept(shunned, lambda one: near(wanted, listener.source(one[0])))
    if narrow.door is not None:
        callers, shunned = await _kept(callers, lambda one: narrow.door in one[1].doors), []
    return Around(
        [answers.caller(listener, *one) for one in callers[: answers.MOST]],
        len(callers),
        [answers.shunned(listener, packed, until - now) for packed, until in shunned[: answers.MOST]],
        len(shunned),
    )


async def _kept(everyone: list[Any], wanted: Callable[[Any], bool]) -> list[Any]:
    """Those that are wanted, looked at a slice at a time."""
    found: list[Any] = []
    for first in range(0, len(everyone), LOOKED):
        found += [one for one in everyone[first : first + LOOKED] if wanted(one)]
        await asyncio.sleep(0)
    return found
