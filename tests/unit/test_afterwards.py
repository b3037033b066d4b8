"""What waits for a moment: work that is done in order, and an event at the earliest of some moments."""

from __future__ import annotations

import asyncio
from functools import partial

import timeless
from portress.run.afterwards import MOST, Afterwards, Hurry


def test_work_that_need_not_wait_is_done_at_once() -> None:
    done: list[int] = []
    after = Afterwards(0.0)
    after.add(partial(done.append, 1))
    assert done == [1]


def test_work_waits_and_is_done_in_order_once() -> None:
    async def run() -> None:
        done: list[int] = []
        after = Afterwards(0.05)
        for number in range(3):
            after.add(partial(done.append, number))
        await asyncio.sleep(0)
        assert done == []
        await asyncio.sleep(0.2)
        assert done == [0, 1, 2]
        after.add(partial(done.append, 3))  # a moment of its own
        assert done == [0, 1, 2]
        await asyncio.sleep(0.2)
        assert done == [0, 1, 2, 3]

    timeless.run(run())


def test_it_can_be_done_sooner_and_leaves_no_moment_behind() -> None:
    async def run() -> None:
        done: list[int] = []
        after = Afterwards(0.2)
        after.add(partial(done.append, 1))
        after.done()
        assert done == [1]
        await asyncio.sleep(0.15)
        after.add(partial(done.append, 2))
        await asyncio.sleep(0.1)  # when the first would have been due
        assert done == [1]
        after.done()

    timeless.run(run())


def test_no_more_waits_than_the_loop_can_do_at_once() -> None:
    async def run() -> None:
        done: list[int] = []
        after = Afterwards(60.0)
        for number in range(MOST - 1):
            after.add(partial(done.append, number))
        assert done == []
        after.add(partial(done.append, MOST - 1))
        assert done == [*range(MOST)]

    timeless.run(run())


def test_the_earliest_of_the_moments_counts_and_the_others_are_gone_with_it() -> None:
    async def run() -> None:
        hurry = Hurry()
        begun = asyncio.get_running_loop().time()
        hurry.within(30.0)
        hurry.within(0.1)
        hurry.within(60.0)
        await asyncio.wait_for(hurry.wait(), 20)
        assert asyncio.get_running_loop().time() - begun > 0.09
        hurry.clear()
        hurry.within(0.05)
        await asyncio.wait_for(hurry.wait(), 10)

    timeless.run(run())


def test_set_at_once_it_waits_for_no_moment() -> None:
    async def run() -> None:
        hurry = Hurry()
        hurry.within(0.05)
        hurry.set()
        hurry.clear()
        await asyncio.sleep(0.15)
        assert not hurry.is_set()

    timeless.run(run())
