"""Another configuration: doors are gone, or other widths of addresses count as a source. The register follows
a part at a time: `begin` before that configuration is in force, `adopt` when it is, `finish` after it.

In: the widths, and what the guard did not carry over. Out: the register by the sources that count now; what
ended is in the ledger and the events.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final

from attrs import define, field

from portress.admissions import Admission, Ending
from portress.guard.table import Held
from portress.knock import Widths
from portress.register import Recount
from portress.run import ending
from portress.run.doorkeeper import Doorkeeper
from portress.run.slices import slices

_AT_ONCE: Final = 250  # admissions: some 2 ms


@define(eq=False)
class Recounting:
    """One change of what counts, for the `keeper`'s register."""

    keeper: Doorkeeper
    _over: list[Admission] = field(factory=list, init=False)  # the guard did not carry them over
    _recount: Recount | None = field(default=None, init=False)
    _before: list[dict[Any, Any]] = field(factory=list, init=False)

    async def begin(self, widths: Widths, ended: Iterable[Held]) -> None:
        """Take out what has `ended` and, where other `widths` count than so far, count all others again."""
        register = self.keeper.register
        async for those in slices(ended, _AT_ONCE):
            self._take_out(one for held in those if (one := register.get(held.door, held.source)))
        if widths == self.keeper.config.widths:
            return
        self._recount = recount = register.recount(widths)
        async for part in slices(list(register), _AT_ONCE):
            there = [one for one in part if register.get(one.door, one.source) is one]
            self._take_out(one for one in there if one.source.length < widths.of(one.source.family))
            for one in there:
                if one.source.length >= widths.of(one.source.family):
                    recount.put(one)

    def _take_out(self, some: Iterable[Admission]) -> None:
        for one in some:
            self.keeper.register.remove(one.door, one.source)
            self._over.append(one)

    def adopt(self) -> None:
        """The other configuration is in force now."""
        if self._recount is not None:
            self._before = self.keeper.register.adopt(self._recount)
            self.keeper.recreated()

    async def finish(self) -> None:
        """Have everything else know it."""
        if self._recount is not None:
            await self._settle(self._recount)
        doors = self.keeper.config.doors
        for how in (Ending.PREFIX_CHANGED, Ending.DOOR_REMOVED):
            gone = [one for one in self._over if (one.door in doors) == (how is Ending.PREFIX_CHANGED)]
            await ending.ended(self.keeper, gone, how)

    async def _settle(self, recount: Recount) -> None:
        register = self.keeper.register
        async for part in slices(list(register), _AT_ONCE):
            register.settle(part)
        register.settled()
        async for part in slices(list(recount.merged.values()), _AT_ONCE):
            register.forget(part)
            self.keeper.write_merged(part)
        async for refused in slices(self.keeper.refused, _AT_ONCE):
            self.keeper.count_refused(refused)
        recount.merged.clear()
        async for _ in slices(_emptied(self._before), _AT_ONCE):
            pass


def _emptied(indexes: list[dict[Any, Any]]) -> Iterator[None]:
    """Take out of these what is in what is in them: to free very much at once takes long."""
    for index in indexes:
        for inside in index.values():
            while inside:
                inside.popitem()
                yield
