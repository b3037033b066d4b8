"""The roll of admissions: chosen, sorted and told a slice at a time, so that no question holds up the loop.

In: the register, which may change meanwhile, and what is asked for. Out: admissions in order, and lines of
JSON. Between two slices the loop looks after everything else.
"""

from __future__ import annotations

import asyncio
from bisect import bisect_right
from collections import Counter, deque
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from itertools import islice
from operator import attrgetter
from typing import Any, Final

from attrs import frozen

from portress.admissions import Admission
from portress.knock import Source
from portress.narrow import Narrow, near
from portress.register import Register
from portress.run import status_answer as answers
from portress.run.listener import Listener
from portress.run.slices import slices

LOOKED: Final = 2000  # admissions looked at, or sorted, at once: 0.5 ms
TOLD: Final = 200  # admissions made JSON of at once: 1 ms
_SAMPLES: Final = 8  # of each slice that is sorted, by which they are told apart


async def chosen(register: Register, narrow: Narrow, now: int) -> list[Admission]:
    """The admissions in force at `now` (ns) that are meant, in no order."""
    found: list[Admission] = []
    async for part in slices(_candidates(register, narrow), LOOKED):
        found += [one for one in narrow.kept(part) if one.until > now]
    return found


def _candidates(register: Register, narrow: Narrow) -> Iterable[Admission]:
    """All that are meant, and as few others as can be."""
    if narrow.keyholder is not None:
        return register.held_by(narrow.keyholder)
    if narrow.source is not None:
        return register.near(narrow.source)
    return list(register) if narrow.door is None else register.through(narrow.door)


async def by_door(found: list[Admission]) -> dict[str, int]:
    """How many of them each door has."""
    counts: Counter[str] = Counter()
    async for part in slices(found, LOOKED):
        counts.update(map(attrgetter("door"), part))
    return counts


async def sources(found: list[Admission]) -> set[Source]:
    """The sources that they are of."""
    different: set[Source] = set()
    async for part in slices(found, LOOKED):
        different.update([one.source.whole for one in part])
    return different


async def ordered(found: list[Admission], narrow: Narrow) -> Iterator[Admission]:
    """Those in the order that is asked for: parted here, by a few of them that are sorted; each part is
    sorted when it is read."""
    key, backwards = narrow.key, narrow.backwards
    every = LOOKED // _SAMPLES
    bounds = sorted(key(one) for one in found[::every])[_SAMPLES::_SAMPLES]
    parts: list[list[Admission]] = [[] for _ in range(len(bounds) + 1)]
    async for some in slices(found, LOOKED):
        for one in some:
            parts[bisect_right(bounds, key(one))].append(one)
    if backwards:
        parts.reverse()

    def read() -> Iterator[Admission]:
        for part in parts:
            part.sort(key=key, reverse=backwards)
            yield from part

    return read()


async def skip(listed: Iterator[Admission], count: int) -> None:
    """Pass so many over."""
    while count > 0:
        deque(islice(listed, min(count, LOOKED)), maxlen=0)
        count -= LOOKED
        await asyncio.sleep(0)


async def lines(found: Iterable[Admission], limit: int | None, now: int, unix: float) -> AsyncIterator[Any]:
    """A line of JSON for each, `limit` at the most; at last one that says that this was all of it."""
    async for part in slices(islice(found, limit), TOLD):
        yield answers.admission_lines(part, now, unix).encode()
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
    callers = await _kept(listener.tracker.callers(now), lambda _: True)
    shunned = await _kept(listener.tracker.shunned(now), lambda _: True)
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


async def _kept(everyone: Iterable[Any], wanted: Callable[[Any], bool]) -> list[Any]:
    """Those that are wanted, looked at a slice at a time."""
    return [one async for part in slices(everyone, LOOKED) for one in part if wanted(one)]
