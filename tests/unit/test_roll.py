"""The roll of admissions in slices, against what plain sorting and filtering gives."""

from __future__ import annotations

import asyncio
import json
import random
from itertools import islice

import pytest

from portress.admissions import Admission
from portress.knock import Source
from portress.narrow import SORTS, Narrow
from portress.register import Register
from portress.run import roll
from portress.run.slices import slices

SEED = 20261126
NOW = 1_000


def crowd(count: int, seed: int = SEED) -> Register:
    """So many, in three /16 and two /48 and a few wider ones, of keyholders at three doors; some over."""
    seeded, register = random.Random(seed), Register()
    for _ in range(count):
        head = seeded.choice(("c6336401", "cb007101", "c0000201", "20010db8000c0001", "20010db8000d0001"))
        packed = bytes.fromhex(head)
        if len(packed) == 4:
            packed = packed[:2] + seeded.randbytes(2)
        else:
            packed += bytes(6) + seeded.randbytes(2)
        source = Source.of(packed, seeded.choice((None, None, None, 12, 40)))
        keyholder = seeded.choice((None, "ana", "ben", "cleo"))
        until = NOW + seeded.choice((-1, 0, 5, seeded.randrange(1, 10_000)))
        door = seeded.choice(("ssh", "vpn", "wiki"))
        register.put(Admission(door, source, seeded.randrange(9), until, keyholder))
    return register


def narrows() -> list[Narrow]:
    sources = (None, "198.51.100.1", "198.51.0.0/16", "203.0.0.0/9", "0.0.0.0/0", "2001:db8:c::/112", "::/0")
    return [
        Narrow(door, keyholder, None if text is None else Source.parse(text))
        for door in (None, "vpn", "gone")
        for keyholder in (None, "ben", "gone")
        for text in sources
    ]


@pytest.mark.parametrize("narrow", narrows(), ids=lambda narrow: narrow.words or "all")
def test_the_chosen_are_those_that_a_walk_through_all_finds(narrow: Narrow) -> None:
    register = crowd(3000)
    wanted = [one for one in register if one.until > NOW]
    wanted = [one for one in wanted if narrow.covers(one.door, one.source, one.keyholder)]
    found = asyncio.run(roll.chosen(register, narrow, NOW))
    assert len(found) == len(wanted) and {id(one) for one in found} == {id(one) for one in wanted}


@pytest.mark.parametrize("count", [0, 1, 7, 300, 9000])
@pytest.mark.parametrize("sort", [*SORTS, *(f"-{one}" for one in SORTS)])
def test_the_order_is_that_of_sorting_all_at_once(sort: str, count: int) -> None:
    found, narrow = list(crowd(count)), Narrow(sort=sort)
    ordered = list(asyncio.run(roll.ordered(list(found), narrow)))
    assert ordered == sorted(found, key=narrow.key, reverse=narrow.backwards)


def test_no_part_that_is_sorted_at_once_is_large() -> None:
    found, narrow = list(crowd(60_000)), Narrow(sort="left")
    for number, one in enumerate(found):
        one.until = number  # one crowd after another
    listed = asyncio.run(roll.ordered(found, narrow))
    parts = listed.gi_frame.f_locals["parts"]  # type: ignore[attr-defined]  # what it is made of
    assert max(map(len, parts)) <= 2 * roll.LOOKED and sum(map(len, parts)) == len(found)


def test_skipping_and_a_limit_choose_a_window() -> None:
    async def window() -> list[str]:
        found, narrow = list(crowd(9000)), Narrow(sort="source")
        listed = await roll.ordered(found, narrow)
        await roll.skip(listed, 2500)
        parts = [part async for part in roll.lines(listed, 450, NOW, 1.8e9)]
        assert parts[-1] == {"end": True}
        wanted = [str(one.source) for one in islice(sorted(found, key=narrow.key), 2500, 2950)]
        told = [json.loads(line)["source"] for part in parts[:-1] for line in part.splitlines()]
        assert told == wanted
        return told

    assert len(asyncio.run(window())) == 450


def test_between_two_slices_the_loop_does_other_work() -> None:
    async def work() -> tuple[list[list[int]], int]:
        turns = 0

        async def other() -> None:
            nonlocal turns
            while True:
                turns += 1
                await asyncio.sleep(0)

        task = asyncio.create_task(other())
        parts = [part async for part in slices(range(25), 10)]
        task.cancel()
        return parts, turns

    parts, turns = asyncio.run(work())
    assert parts == [list(range(10)), list(range(10, 20)), list(range(20, 25))]
    assert turns >= 3


def test_counts_and_sources_are_those_of_all() -> None:
    found = list(crowd(5000))
    counts, sources = asyncio.run(roll.by_door(found)), asyncio.run(roll.sources(found))
    assert counts == {door: sum(one.door == door for one in found) for door in ("ssh", "vpn", "wiki")}
    assert sources == {one.source for one in found}
