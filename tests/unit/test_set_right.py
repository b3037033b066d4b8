"""What others put into the guard's maps is put right, if nothing was changed from here while they were read:
what was read before a use was withdrawn must not bring it back.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Sequence
from types import SimpleNamespace
from typing import Any

import pytest

from portress.errors import Mistake
from portress.guard import maps as module
from portress.guard.elements import ElementChanges
from portress.guard.maps import Maps
from portress.run import completing
from portress.run.completing import Completion
from portress.run.slices import until_done
from waiting import beside

KEY, WRONG, MISSING = b"\0\0\0\1right", b"\0\0\0\2wrong", b"\0\0\0\3other"
NODE, VERDICT = b"\0\0\0\4", b"goto claim"


def made(maps: Maps, changing: bool = False) -> Any:
    table: Any = SimpleNamespace(maps=maps, loads=1)
    in_force: Any = SimpleNamespace(changing=changing, loading=asyncio.Lock())
    nothing: Any = None
    return Completion(table, in_force, nothing, nothing, lambda: 0, lambda: True)


def held_by(monkeypatch: pytest.MonkeyPatch, *meanwhile: Callable[[], object]) -> list[int]:
    """What the kernel holds; while it is read for the first time this happens, and so on. The readings."""
    readings: list[int] = []
    happening = iter(meanwhile)

    def read(_: str, __: object) -> dict[str, dict[bytes, tuple[bytes, None]]]:
        next(happening, lambda: None)()
        readings.append(1)
        return {"next": {KEY: (NODE, None), WRONG: (NODE, None)}, "ends": {}}

    monkeypatch.setattr(module.upkeep, "read", read)
    monkeypatch.setattr(completing, "_AGAIN", 0)
    return readings


def holding() -> tuple[Maps, list[ElementChanges]]:
    changes: list[ElementChanges] = []
    maps = Maps(changes.append)
    maps.holding = {
        "next": {KEY: (NODE, None), MISSING: (NODE, None)},
        "ends": {KEY: (VERDICT, None)},
    }
    return maps, changes


def test_what_is_there_too_much_goes_and_what_is_missing_comes(monkeypatch: pytest.MonkeyPatch) -> None:
    maps, changes = holding()
    wanted = maps.holding
    readings = held_by(monkeypatch)
    asyncio.run(made(maps).set_right())
    assert len(readings) == 1 and maps.settled is wanted
    sent = b"".join(payload for one in changes for _, _, payload in one._messages)
    assert b"wrong" in sent and b"other" in sent and sent.count(b"right") == 1  # the end alone


@pytest.mark.parametrize(
    ("meanwhile", "waits"),
    [
        (lambda maps, keeper: maps.withdraw([(KEY, b"goto used")]), False),
        (lambda maps, keeper: setattr(maps, "holding", dict(maps.holding)), False),
        (lambda maps, keeper: setattr(maps, "_wanted", maps.holding), True),
        (lambda maps, keeper: setattr(keeper.in_force, "changing", True), True),
    ],
)
def test_what_was_changed_from_here_meanwhile_has_it_read_again(
    monkeypatch: pytest.MonkeyPatch, meanwhile: Callable[[Maps, Any], object], waits: bool
) -> None:
    maps, changes = holding()
    keeper = made(maps)
    readings = held_by(monkeypatch, lambda: meanwhile(maps, keeper))

    async def see() -> None:
        task = asyncio.create_task(keeper.set_right())
        while not readings:
            await asyncio.sleep(0)
        before = len(changes)
        await asyncio.sleep(0.01)
        if waits:
            assert not task.done() and len(changes) == before
            maps._wanted, keeper.in_force.changing = None, False
        await asyncio.wait_for(task, 5)

    asyncio.run(see())
    assert len(readings) == 2


def test_maps_of_which_nothing_is_known_are_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    maps, changes = holding()
    maps.holding = None
    readings = held_by(monkeypatch)
    asyncio.run(asyncio.wait_for(made(maps).set_right(), 5))
    assert not readings and not changes


def test_admissions_that_the_guard_still_has_are_not_put_back() -> None:
    """The kernel takes milliseconds to refuse one that is there: a thousand would take seconds."""
    keeper = made(Maps(lambda _: None))
    rest = [SimpleNamespace(door="ssh", source=number) for number in range(600)]
    keeper.table.each_admission = lambda: (one for one in rest if one.source % 3)
    back: list[int] = []
    keeper.doorkeeper = SimpleNamespace(
        refused=[], put_back_part=lambda part: back.extend(one.source for one in part)
    )
    asyncio.run(keeper.put_back_rest(rest))
    assert back == [*range(0, 600, 3)]


def test_what_cannot_be_read_is_put_back_whole_and_told_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    maps, _ = holding()
    keeper = made(maps)
    rest = [SimpleNamespace(door="ssh", source=number) for number in range(300)]

    def refused(*_: object) -> Any:
        raise Mistake("the guard cannot be read")

    monkeypatch.setattr(module.upkeep, "read", refused)
    keeper.table.each_admission = refused
    back: list[int] = []
    keeper.doorkeeper = SimpleNamespace(
        refused=[], put_back_part=lambda part: back.extend(one.source for one in part)
    )
    asyncio.run(asyncio.wait_for(keeper.refill(rest, True), 5))
    assert back == [*range(300)]


def test_nothing_is_set_right_while_the_guard_is_loaded(monkeypatch: pytest.MonkeyPatch) -> None:
    maps, changes = holding()
    held_by(monkeypatch)
    keeper = made(maps)
    assert beside(keeper.in_force.loading, keeper.set_right, lambda: bool(changes)) == (False, True)


@pytest.mark.parametrize(("refused", "wanted"), [(range(1000), 1300), ((), 300)])
def test_nobody_is_put_back_while_the_guard_is_loaded(refused: Sequence[int], wanted: int) -> None:
    keeper, back = made(Maps(lambda _: None)), list[int]()
    rest = [SimpleNamespace(door="ssh", source=number) for number in range(300)]
    keeper.table.each_admission = lambda: iter(())
    keeper.doorkeeper = SimpleNamespace(
        refused=refused,
        refuse_again=lambda some: back.extend(some),
        put_back_part=lambda part: back.extend(one.source for one in part),
    )
    seen = beside(keeper.in_force.loading, lambda: keeper.put_back_rest(rest), lambda: len(back))
    assert seen == (0, wanted)


def test_a_part_of_the_maps_is_filled_in_its_turn_until_there_is_no_more() -> None:
    turn, left = asyncio.Lock(), [False, True, True]

    def part() -> bool:
        assert turn.locked()
        return left.pop()

    assert beside(turn, lambda: until_done(part, turn), lambda: len(left)) == (3, 0)


@pytest.mark.parametrize(("refused", "wanted"), [(range(1000), 250), ((), 250)])
def test_what_is_put_back_ends_where_the_guard_is_loaded_once_more(
    refused: Sequence[int], wanted: int
) -> None:
    """That has it all."""
    keeper, back = made(Maps(lambda _: None)), list[int]()
    rest = [SimpleNamespace(door="ssh", source=number) for number in range(600)]

    def put(some: Iterable[Any]) -> None:
        back.extend(getattr(one, "source", one) for one in some)
        keeper.table.loads += 1

    keeper.table.each_admission = lambda: iter(())
    keeper.doorkeeper = SimpleNamespace(refused=refused, refuse_again=put, put_back_part=put)
    asyncio.run(keeper.put_back_rest(rest))
    assert len(back) == wanted
