"""The change of the time step: what is used while the guard is given the next plan is withdrawn after it."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from types import SimpleNamespace
from typing import Any

import pytest

from portress.clock import STEP
from portress.guard.table import GuardError
from portress.run.steps import Steps
from waiting import beside


class Scene:
    """A change of the step from 10 to 11, in which the kernel takes the new plan or refuses it."""

    def __init__(self, used: int, *, floor: int = -1, refused: bool = False) -> None:
        self.withdrawn: list[tuple[str, list[bytes]]] = []
        self.seen: list[bool] = []
        self.refused = refused
        sequences: Any = SimpleNamespace(rotates=True)
        self.old: Any = SimpleNamespace(name="old", floor=-1, ends={}, contents={})
        self.new: Any = SimpleNamespace(name="new", floor=-1, ends={b"all": ()}, contents={}, changes=None)
        tree = SimpleNamespace(root=SimpleNamespace(children={}), over={})
        tracker = SimpleNamespace(used={b"%d" % one: 10 for one in range(used)}, floor=floor, trie=tree)
        tracker.replace = lambda trie: None
        self.in_force: Any = SimpleNamespace(
            loading=asyncio.Lock(),
            sequences=sequences,
            tracker=tracker,
            plan=self.old,
            changing=False,
            turn=asyncio.Lock(),
        )
        self.parts = [0, 1, 1]  # of what the guard is still to hold by the old plan
        maps = SimpleNamespace(
            fill_part=self.parts.pop, change_contents=self.change, forget=lambda held: None
        )
        deciding: Any = SimpleNamespace(stale=lambda plan, floor: False, withdraw=self.withdraw)
        table: Any = SimpleNamespace(maps=maps, loads=0)
        unix = [10.0 * STEP]
        self.steps = Steps(self.in_force, table, deciding, lambda: unix[0], lambda: 0)
        self.steps.let_go = lambda trie, plan: None  # type: ignore[method-assign]
        self.steps._ready = (sequences, 11, tree, self.new)  # type: ignore[assignment]
        unix[0] += STEP

    def change(self, contents: object, changes: object) -> None:
        assert not self.parts
        self.seen.append(self.in_force.changing)
        if self.refused:
            self.in_force.tracker.used[b"meanwhile"] = 10
            raise GuardError("no")

    def withdraw(self, plan: Any, claims: Iterable[bytes], used: object, floor: int) -> None:
        assert not self.in_force.changing
        self.withdrawn.append((plan.name, [*claims]))

    def run(self) -> None:
        try:
            asyncio.run(self.steps.change())
        finally:
            self.steps.close()


def test_what_was_used_is_withdrawn_from_the_new_plan_some_at_a_time() -> None:
    scene = Scene(230)
    scene.run()
    assert scene.in_force.plan is scene.new
    assert [(name, len(claims)) for name, claims in scene.withdrawn] == [
        ("new", 100),
        ("new", 100),
        ("new", 30),
    ]
    assert len({claim for _, claims in scene.withdrawn for claim in claims}) == 230
    assert scene.seen == [True]


def test_all_is_looked_at_where_other_steps_are_refused_than_when_it_was_planned() -> None:
    scene = Scene(2, floor=9)
    scene.run()
    assert scene.withdrawn == [("new", [b"all"])]


def test_where_the_kernel_refuses_the_plan_it_is_withdrawn_from_the_one_that_stays() -> None:
    scene = Scene(1, refused=True)
    with pytest.raises(GuardError, match="no"):
        scene.run()
    assert scene.in_force.plan is scene.old and not scene.in_force.changing
    assert scene.withdrawn == [("old", [b"0", b"meanwhile"])]


def test_nothing_is_withdrawn_while_the_guard_is_loaded() -> None:
    scene = Scene(230)
    seen = beside(
        scene.in_force.loading,
        lambda: scene.steps.withdraw_since(scene.old),
        lambda: sum(len(claims) for _, claims in scene.withdrawn),
    )
    scene.steps.close()
    assert seen == (0, 230)
