"""Time steps: at each new one the expected sequences and the guard's first knocks are replaced together.

The next step's tree is made ahead of time in a thread, so that the loop goes on hearing knocks; the
change itself is one transaction in the kernel and one assignment in the tracker.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Final

from portress.clock import STEP, step_at
from portress.guard.table import GuardError, Table
from portress.knock import SECOND
from portress.run.deciding import Deciding, Plan
from portress.run.gc_tuning import many_that_stay
from portress.run.in_force import InForce
from portress.run.slices import slices, until_done
from portress.run.timing import Timing
from portress.sequence.in_force import SequencesInForce
from portress.sequence.trie import Node, Trie

_WITHDRAWN: Final = 100  # uses in one transaction


def pause_at(unix: float, most: float) -> float:
    """Seconds until the next round of housekeeping, `most` at the most: it never comes late for a step."""
    return min(most, STEP - unix % STEP + 0.005)


class Steps:
    """Keeps what is `in_force` and `table` at the present step. `unix` gives unix seconds, `clock` ns."""

    def __init__(
        self,
        in_force: InForce,
        table: Table,
        deciding: Deciding,
        unix: Callable[[], float],
        clock: Callable[[], int],
    ) -> None:
        self.step = step_at(unix())
        self.changing = Timing(0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 5)
        self._in_force = in_force
        self._table = table
        self._unix = unix
        self._clock = clock
        self._thread = ThreadPoolExecutor(1, "steps")
        self._ready: tuple[SequencesInForce, int, Trie, Plan | None] | None = None
        self.deciding = deciding
        self.busy = asyncio.Lock()  # held while sequences are derived or change; a reload holds it, too

    def adopt(self, sequences: SequencesInForce, step: int) -> None:
        """Take `sequences` as it was loaded elsewhere, for time step `step`."""
        ready, self._ready = self._ready, None
        self._in_force.sequences, self.step = sequences, step
        if ready is not None:
            self.let_go(*ready[2:])

    def let_go(self, trie: Trie, plan: Plan | None) -> None:
        """Free a tree and a plan that are in force no longer, in the thread: they are very many objects."""
        branches = [*trie.root.children.values(), *trie.over.values()]
        trie.root.children, trie.over = {}, {}
        if plan is not None:
            self._table.maps.forget(plan.contents)
        self._thread.submit(_let_go, branches, plan)

    async def prepare(self) -> None:
        """Derive the next step's sequences, unless that is done."""
        if self.busy.locked() or not self._in_force.sequences.rotates:
            return
        async with self.busy:
            sequences, step, ready = self._in_force.sequences, self.step + 1, self._ready
            if ready is not None and ready[0] is sequences and ready[1] == step:
                return
            made = await asyncio.get_running_loop().run_in_executor(self._thread, self._plan, sequences, step)
            self._ready = (sequences, step, *made)
            if ready is not None:
                self.let_go(*ready[2:])
            ready = None

    async def change(self, sequences: SequencesInForce | None = None) -> bool:
        """Bring into force what the present moment, or `sequences`, wants. True if anything changed.

        Raises GuardError if the guard's first knocks cannot be replaced; then nothing is.
        """
        step = step_at(self._unix())
        now = self._in_force
        wanted = now.sequences if sequences is None else sequences
        stale = self.deciding.stale(now.plan, now.tracker.floor)
        if sequences is None and ((step == self.step and not stale) or not wanted.rotates):
            return False
        begun = self._clock()
        async with self.busy:
            if sequences is None and ((step == self.step and not stale) or wanted is not now.sequences):
                return False
            loop, ready = asyncio.get_running_loop(), self._ready
            if ready is not None and ready[0] is wanted and ready[1] == step:
                trie, plan = ready[2:]
            else:
                trie, plan = await loop.run_in_executor(self._thread, self._plan, wanted, step)
            ready = None
            async with now.turn:
                await self._bring_into_force(wanted, step, trie, plan)
        self.changing.observe((self._clock() - begun) / SECOND)
        return True

    async def _bring_into_force(
        self, sequences: SequencesInForce, step: int, trie: Trie, plan: Plan | None
    ) -> None:
        """Have guard and tracker at that step. Raises GuardError; then they are as they were."""
        now = self._in_force
        old, gone = now.tracker.trie, now.plan
        if plan is None:
            loop = asyncio.get_running_loop()
            await loop.run_in_executor(self._thread, self._change_opening, old.opening, trie.opening)
        else:
            await self._fill(plan)
        now.tracker.replace(trie)
        now.plan = plan
        await self.withdraw_since(plan)
        self.let_go(old, gone)
        del old, gone
        now.sequences, self.step, self._ready = sequences, step, None

    async def _fill(self, plan: Plan) -> None:
        """Have the guard's maps hold what is planned. Raises GuardError; then what they held is in force."""
        now, maps = self._in_force, self._table.maps
        await until_done(maps.fill_part, now.loading)
        loop = asyncio.get_running_loop()
        now.changing = True
        try:
            await loop.run_in_executor(self._thread, maps.change_contents, plan.contents, plan.changes)
        except GuardError:
            now.changing = False
            with contextlib.suppress(GuardError):
                await self.withdraw_since(now.plan)
            raise
        finally:
            now.changing = False

    async def withdraw_since(self, plan: Plan | None) -> None:
        """Have the guard refuse what was used since the plan was made, some at a time. Raises GuardError."""
        if plan is None:
            return
        used, floor = self._in_force.tracker.used, self._in_force.tracker.floor
        async for claims in slices(list(used if floor == plan.floor else plan.ends), _WITHDRAWN):
            async with self._in_force.loading:
                self.deciding.withdraw(plan, claims, used, floor)

    def _plan(self, sequences: SequencesInForce, step: int) -> tuple[Trie, Plan | None]:
        with many_that_stay():
            trie = sequences.trie(step)
            if sequences.config.decide == "daemon":
                return trie, None
            ahead = max(0.0, step * STEP - self._unix())
            tracker = self._in_force.tracker
            return trie, self.deciding.plan_for(sequences, trie, dict(tracker.used), tracker.floor, ahead)

    def _change_opening(self, before: frozenset[int], after: frozenset[int]) -> None:
        self._table.change_opening(before - after, after - before)

    def close(self) -> None:
        self._thread.shutdown(wait=False)


def _let_go(branches: list[Node], plan: Plan | None) -> None:
    """Free an old tree and plan piece by piece: at a stroke, thousands of them would hold up the loop."""
    while branches:
        branches.pop()
    if plan is not None:
        plan.crumble()
