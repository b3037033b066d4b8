"""What follows once the guard is put back: whoever is admitted is in it again, its maps hold what they are to
hold, and what got in while it was away is cut.

In: the guard as it was loaded, the register, what others may have put into the guard. Out: all of it in parts
or in threads, so that no knock waits; then the event that tells of it.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable
from typing import Final

from attrs import define, field

from portress.admissions import Admission
from portress.durations import counted
from portress.errors import Mistake
from portress.events import Events
from portress.guard import strangers
from portress.guard.table import GuardError, Table
from portress.guard.tracked import Flow
from portress.knock import SECOND, UDP, Source
from portress.run.doorkeeper import Doorkeeper
from portress.run.in_force import InForce
from portress.run.restoring import AT_ONCE, Inside
from portress.run.slices import slices, until_done

SLICE: Final = 250  # admissions put back before the loop looks after something else: some 2 ms
AT_A_STRETCH: Final = 0.1  # s that tracked flows are read without a pause
_AGAIN: Final = 0.2  # seconds


@define(eq=False)
class Completion:
    """Completes the guard in `table`. `clock` gives ns; `guarding` is whether there is to be a guard."""

    table: Table
    in_force: InForce
    doorkeeper: Doorkeeper
    events: Events
    clock: Callable[[], int]
    guarding: Callable[[], bool]
    _from_before: frozenset[strangers.Ends] = field(factory=frozenset, init=False)  # flows without a time

    async def remember_flows(self) -> None:
        """Know the flows that began before anybody noted when: they are no strangers' of a later flush.

        In parts, in a thread. After a flood connection tracking is full: then that takes its time, and no
        more than a tenth of a core."""
        parts = strangers.without_time(strangers.guarded_ports(self.in_force.config, ()))
        found: set[strangers.Ends] = set()
        spent = 0.0
        with contextlib.suppress(OSError):  # the next reload tries again
            begun = time.perf_counter()
            while (part := await asyncio.to_thread(next, parts, None)) is not None:
                found.update(part)
                took = time.perf_counter() - begun
                spent += took
                if spent > AT_A_STRETCH:
                    await asyncio.sleep(9 * took)
                begun = time.perf_counter()
            self._from_before = frozenset(found)

    async def complete(self, rest: list[Admission], begun: int, seen: int, cause: str, culprit: str) -> None:
        """Have the other admissions in the guard again, and cut what got in since it was last `seen`, in a
        thread, for flows may be many; then tell it all."""
        doors = strangers.guarded_ports(self.doorkeeper.config, Inside(self.doorkeeper.register))
        since = time.time_ns() - (self.clock() - seen)
        cutting = asyncio.get_running_loop().run_in_executor(None, _cut, doors, since, self._from_before)
        await self.refill(rest, cause != "removed")
        took = (self.clock() - begun) / SECOND * 1000
        count = len(self.doorkeeper.register)
        done = f"the guard was {cause}{culprit}; restored with {counted(count, 'admission')} in {took:.0f} ms"
        found = await cutting
        if isinstance(found, OSError):
            more = f"; strangers' flows from meanwhile could not be cut: {found.strerror}"
        else:
            async with self.in_force.loading:
                self.doorkeeper.refuse(Source.of(one.source) for one in found if one.protocol == UDP)
            more = f"; {counted(len(found), 'flow')} of strangers from meanwhile cut"
        self.events.tell("restored", f"{done}{more}", cause=cause)

    async def refill(self, rest: list[Admission], changed: bool = False) -> None:
        """Put back a slice at a time whom no flow may let in, then admissions, and beside them what decides,
        which others may have `changed`. If the guard is gone again, the next restoration has it all."""
        filling = asyncio.ensure_future(until_done(self.table.maps.fill_part, self.in_force.loading))
        with contextlib.suppress(GuardError):
            await self.put_back_rest(rest)
        with contextlib.suppress(Mistake):
            await filling
            if changed:
                await self.set_right()

    async def set_right(self) -> None:
        """Have the guard's maps hold what they are to hold, whatever others put there or took away. They are
        read in a thread, and once more if they were changed from here meanwhile. Raises Mistake."""
        maps, loads, turn = self.table.maps, self.table.loads, self.in_force.loading
        while self.table.loads == loads and self.guarding() and maps.target is not None:
            turns, wanted = maps.turns, maps.settled
            if wanted is not None and not self.in_force.changing:
                right, gone = await asyncio.to_thread(maps.look, wanted, maps.clock)
                async with turn:
                    same = maps.turns == turns and maps.settled is wanted and not self.in_force.changing
                    if same:
                        maps.set_right(wanted, right, gone)
                if same:
                    await until_done(maps.fill_part, turn)
                    return
            await asyncio.sleep(_AGAIN)

    async def put_back_rest(self, rest: list[Admission]) -> None:
        """Have the guard know the dismissed, and let in `rest`, as far as they are not in it."""
        loads, keeper = self.table.loads, self.doorkeeper
        refused = keeper.refused
        async for sources in slices(refused if len(refused) > AT_ONCE else (), SLICE):
            async with self.in_force.loading:
                if self.table.loads != loads or not self.guarding():
                    return
                keeper.refuse_again(sources)
        # Where others only changed the guard, most are in it; to refuse one more takes the kernel 8 ms.
        there = await asyncio.to_thread(self._held) if rest else ()
        async for part in slices(rest, SLICE):
            async with self.in_force.loading:
                if self.table.loads != loads or not self.guarding():
                    return
                keeper.put_back_part(one for one in part if (one.door, one.source) not in there)

    def _held(self) -> set[tuple[str, Source]]:
        """Door and source of every admission in the kernel, as far as that can be read."""
        try:
            return {(one.door, one.source) for one in self.table.each_admission()}
        except Mistake:
            return set()


def _cut(doors: strangers.GuardedPorts, since: int, known: frozenset[strangers.Ends]) -> list[Flow] | OSError:
    try:
        return strangers.cut(doors, since, known)
    except OSError as error:
        return error
