"""The guard is put back in a thread: what happens meanwhile is neither lost nor taken for its end."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from portress.guard.table import GuardError
from portress.run.sentinel import Sentinel


class House:
    """A sentinel between stubs; `told` are the events, `log` what was done with the guard."""

    def __init__(self) -> None:
        self.log: list[str] = []
        self.told: list[tuple[str, str]] = []
        self.touched: list[str | None] = []
        self.during: Callable[[], object] = lambda: None
        self.error: GuardError | None = None
        self.is_deaf = False
        self.now, self.there = 0, True
        self.seen: list[int] = []
        self.in_force: Any = SimpleNamespace(
            answers="before", turn=asyncio.Lock(), loading=asyncio.Lock(), ruleset=lambda: "rules", hours=dict
        )
        table: Any = SimpleNamespace(
            there=lambda: self.there,
            remove=lambda: self.log.append("removed"),
            present=lambda rules: False,
            answer=lambda chains, there: self.log.append("answers"),
        )
        doorkeeper: Any = SimpleNamespace(put_back=self.beside, admit=self.admit)
        events: Any = SimpleNamespace(tell=lambda event, text, **more: self.told.append((event, text)))
        self.away = SimpleNamespace(noted=lambda: False)
        away: Any = self.away
        self.keeper = Sentinel(
            table,
            self.in_force,
            doorkeeper,
            events,
            lambda: self.now,
            away,
            Path("/nowhere/ended"),
            self.hear,
            self.deaf,
            int,
        )
        self.keeper.vigil = self.vigil = SimpleNamespace(read=self.read)  # type: ignore[assignment]
        self.keeper._completion = SimpleNamespace(complete=self.complete)  # type: ignore[assignment]

    def read(self) -> str | None:
        return self.touched.pop(0) if self.touched else None

    def hear(self) -> None:
        self.log.append("heard")

    @contextlib.contextmanager
    def deaf(self) -> Iterator[None]:
        self.is_deaf = True
        yield
        self.is_deaf = False

    async def beside(self, rules: str) -> list[Any]:
        self.log.append(f"begun with {rules}")
        assert self.is_deaf and self.in_force.loading.locked()
        await asyncio.sleep(0)
        self.during()
        if self.error is not None:
            raise self.error
        self.log.append("loaded")
        self.there = True
        return []

    def admit(self, grants: list[Any]) -> list[Any]:
        self.log.append("admit" if self.there else "no guard")
        if not self.there:
            raise GuardError("no such table")
        return grants

    async def complete(self, rest: list[Any], begun: int, seen: int, cause: str, by: str) -> None:
        self.log.append(f"{cause}{by}")
        self.seen.append(seen)

    async def refill(self, rest: list[Any]) -> None:
        self.log.append("refilled")

    def run(self, deed: Callable[[], object]) -> None:
        async def work() -> None:
            deed()
            while self.keeper._tasks:
                await asyncio.gather(*self.keeper._tasks)

        asyncio.run(work())


def test_it_is_loaded_in_a_thread_after_what_was_reported_is_heard() -> None:
    house = House()
    house.touched, house.now = ["nft (process 7)"], 5
    house.keeper._seen = 3
    house.run(house.keeper.look)
    assert house.log == ["heard", "begun with rules", "loaded", "changed by nft (process 7)"]
    assert house.seen == [3]  # strangers that came since then are cut
    assert house.keeper.restorations == {"changed": 1}


@pytest.mark.parametrize("others", ["", "ufw (process 9)"])
def test_who_touches_it_meanwhile_has_it_put_back_once_more(others: str) -> None:
    house = House()
    house.touched = ["nft (process 7)"]

    def touch() -> None:
        house.during = lambda: None
        house.touched = [others, None]
        house.keeper.look()
        assert house.log[-1] == "begun with rules"  # not beside the other
        house.keeper.look()  # nothing new: the first is not forgotten
        house.keeper.check()

    house.during = touch
    house.run(house.keeper.look)
    assert house.log.count("loaded") == 2
    assert house.log[-1] == ("changed by ufw (process 9)" if others else "changed")


def test_what_failed_because_others_touched_it_meanwhile_is_tried_again_at_once() -> None:
    """Another flush while it is being loaded: not only at the next check are the doors shut again."""
    house = House()
    house.touched, house.there = ["nft (process 7)"], False

    def touch() -> None:
        house.during, house.error = recover, GuardError("no such table")
        house.touched = ["nft (process 9)"]
        house.keeper.look()

    def recover() -> None:
        assert house.keeper._loading  # nothing else begins to load it beside
        house.error = None

    house.during = touch
    house.run(house.keeper.look)
    assert house.log.count("begun with rules") == 2
    assert house.log[-1] == "removed by nft (process 9)" and house.told == []


def test_what_failed_though_nobody_touched_it_is_told_and_not_tried_without_end() -> None:
    house = House()
    house.touched, house.there, house.error = ["nft (process 7)"], False, GuardError("no room")
    house.run(house.keeper.look)
    assert house.log.count("begun with rules") == 1
    assert [event for event, _ in house.told] == ["refused"]


def test_what_was_never_touched_again_is_put_back_once() -> None:
    house = House()
    house.touched = ["nft (process 7)", None, None, None]
    house.run(house.keeper.look)
    assert house.log.count("loaded") == 1


def test_removed_by_hand_meanwhile_it_does_not_come_back() -> None:
    house = House()
    house.touched = [""]
    house.during = lambda: setattr(house.keeper, "guarding", False)
    house.run(house.keeper.look)
    assert house.log[-2:] == ["loaded", "removed"] and not house.keeper.restorations


def test_where_it_is_noted_as_removed_by_hand_it_is_not_loaded() -> None:
    house = House()
    house.touched = [""]
    house.away.noted = lambda: True
    house.run(house.keeper.look)
    assert house.log == [] and [event for event, _ in house.told] == ["unguarded"]
    assert not house.keeper.guarding and not house.keeper._loading


def test_what_cannot_be_loaded_is_told_and_the_next_look_tries_again() -> None:
    house = House()
    house.touched = ["nft (process 7)", "nft (process 8)"]
    house.error = GuardError("no room")
    house.run(house.keeper.look)
    text = "the guard was changed by nft (process 7) and cannot be restored: no room"
    assert house.told == [("refused", text)]
    house.error = None
    house.run(house.keeper.look)
    assert house.log[-1] == "changed by nft (process 8)"


def test_while_sequences_change_it_waits_for_them() -> None:
    house = House()
    house.touched = [""]

    async def work() -> None:
        async with house.in_force.turn:
            house.keeper.look()
            await asyncio.sleep(0.01)
            assert house.log == []
        while house.keeper._tasks:
            await asyncio.sleep(0)

    asyncio.run(work())
    assert house.log == ["heard", "begun with rules", "loaded", "changed"] and not house.keeper._loading


@pytest.mark.parametrize("refused", [False, True])
def test_whoever_needs_the_guard_has_it_when_it_is_loaded_in_a_thread(refused: bool) -> None:
    house = House()
    house.there = False
    house.error = GuardError("no room") if refused else None

    async def work() -> None:
        await house.keeper.put_back_first()
        house.log.append("goes on")

    asyncio.run(work())
    assert house.log[:3] == ["heard", "begun with rules", "goes on" if refused else "loaded"]
    assert "goes on" in house.log and not house.keeper._loading
    assert house.keeper.restorations["missing"] == (0 if refused else 1)


def test_whoever_finds_no_guard_while_it_is_put_back_waits_for_that() -> None:
    house = House()
    house.touched, house.there = [""], False
    house.during = lambda: house.keeper._later(house.keeper.put_back_first())
    house.run(house.keeper.look)
    assert house.log.count("loaded") == 1 and house.keeper.restorations == {"removed": 1}


@pytest.mark.parametrize("refused", [False, True])
def test_who_is_admitted_where_the_guard_is_gone_is_in_when_it_is_back(refused: bool) -> None:
    house = House()
    house.there, house.error = False, GuardError("no room") if refused else None
    house.run(lambda: house.keeper.admit([1, 2]))  # type: ignore[list-item]
    assert [one for one in house.log if one != "missing"] == [
        *("no guard", "heard", "begun with rules"),
        *(["no guard"] if refused else ["loaded", "admit"]),
    ]
    assert [one for one, _ in house.told] == (["refused", "warning"] if refused else [])
    assert not refused or house.told[-1][1] == "2 not admitted: no such table"


def test_who_is_admitted_while_the_guard_is_loaded_waits_for_it() -> None:
    house, admitted = House(), list[Any]()

    async def work() -> None:
        await house.in_force.loading.acquire()
        waiting = asyncio.create_task(house.keeper.admit_now([1]))  # type: ignore[list-item]
        await asyncio.sleep(0.01)
        assert house.log == []
        house.in_force.loading.release()
        admitted.extend(await waiting)

    asyncio.run(work())
    assert admitted == [1] and house.log == ["admit"]


def test_while_another_configuration_comes_into_force_the_one_before_is_not_put_back() -> None:
    house = House()

    async def work() -> None:
        async with house.in_force.loading:
            house.touched = ["nft (process 7)"]
            house.keeper.look()
            house.keeper.check()
            assert not house.keeper._tasks
        house.keeper.look()  # what was seen meanwhile is not lost
        while house.keeper._tasks:
            await asyncio.sleep(0)

    asyncio.run(work())
    assert house.log.count("loaded") == 1


@pytest.mark.parametrize("what", ["replacing", "loading"])
def test_how_closed_ports_answer_is_not_changed_meanwhile(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    house = House()
    house.in_force.config = None
    monkeypatch.setattr("portress.run.sentinel.answering", lambda config, answers: answers)
    house.keeper._loading = what == "loading"
    after: Any = "after"

    async def meanwhile() -> None:
        if what == "replacing":
            await house.in_force.loading.acquire()
        house.keeper.answer(after)
        assert house.log == [] and house.in_force.answers == "before"
        if what == "replacing":
            house.in_force.loading.release()

    asyncio.run(meanwhile())
    house.keeper._loading = False
    house.keeper.answer(after)
    assert house.log == ["answers"] and house.in_force.answers == "after"


def test_two_looks_at_a_stroke_do_not_load_it_side_by_side() -> None:
    house = House()
    house.touched = ["nft (process 7)", "nft (process 8)"]

    def twice() -> None:
        house.keeper.look()
        house.keeper.look()

    house.run(twice)
    assert [one for one in house.log if one.startswith("begun")] == ["begun with rules"] * 2


@pytest.mark.parametrize(("there", "cause"), [(True, "changed"), (False, "removed")])
def test_a_guard_that_is_gone_was_removed(there: bool, cause: str) -> None:
    house = House()
    house.touched, house.there = ["nft (process 7)"], there
    house.run(house.keeper.look)
    assert house.keeper.restorations == {cause: 1}


def test_now_and_then_it_is_looked_whether_it_is_there() -> None:
    house = House()
    house.run(house.keeper.check)
    assert house.log == ["heard", "begun with rules", "loaded", "missing"]


def test_where_there_is_no_guard_no_answer_is_changed(monkeypatch: pytest.MonkeyPatch) -> None:
    house = House()
    house.in_force.config, house.keeper.guarding = None, False
    monkeypatch.setattr("portress.run.sentinel.answering", lambda config, answers: answers)
    after: Any = "after"
    house.keeper.answer(after)
    assert house.log == [] and house.in_force.answers == "after"


def test_a_guard_that_was_taken_away_is_loaded_again_and_nobody_takes_it_for_missing() -> None:
    house, wanted = House(), list[bool]()
    keeper: Any = house.keeper
    keeper.guarding, house.there, house.away.clear = False, False, lambda: None
    keeper._adopt_sessions = lambda: wanted.append(keeper.guarding)
    keeper._completion.refill = house.refill
    keeper.remember_flows = lambda: house.log.append("flows")
    house.during = keeper.check

    async def work() -> None:
        await keeper.resume([])
        while keeper._tasks:
            await asyncio.gather(*keeper._tasks)

    asyncio.run(work())
    assert wanted == [False] and keeper.guarding and not keeper.restorations
    assert house.log == ["begun with rules", "loaded", "flows", "admit", "refilled"]


def test_who_is_admitted_by_command_where_the_guard_is_gone_is_told_of_when_it_is_back() -> None:
    house, admitted = House(), list[Any]()
    house.there = False

    async def work() -> None:
        admitted.extend(await house.keeper.admit_now([1]))  # type: ignore[list-item]

    asyncio.run(work())
    assert admitted == [1]


def test_a_trial_that_ends_takes_the_guard_away() -> None:
    house = House()
    house.away.note = lambda: house.log.append("noted")

    async def work() -> None:
        house.keeper.on_trial(0.0, "7")
        await asyncio.sleep(0.01)
        while house.keeper._tasks:
            await asyncio.gather(*house.keeper._tasks)

    asyncio.run(work())
    assert house.log == ["noted", "removed"] and not house.keeper.guarding
    assert [event for event, _ in house.told] == ["unguarded"]
