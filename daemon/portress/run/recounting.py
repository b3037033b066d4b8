"""Another configuration: doors are gone, or other widths of addresses count as a source. The register follows
a part at a time: `begin` before that configuration is in force, `adopt` when it is, `finish` after it.

In: the configuration, and what the guard did not carry over. Out: the register by the sources that count now;
what ended is in the ledger and the events.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final

from attrs import define, field

from portress.admissions import Admission, Ending
from portress.config.model import Config
from portress.guard.table import Held
from portress.knock import Widths
from portress.register import Recount
from portress.run import ending
from portress.run.doorkeeper import Doorkeeper
from portress.run.slices import let_go, slices

_AT_ONCE: Final = 250  # admissions: some 2 ms


@define(eq=False)
class Recounting:
    """One change of what counts, for the `keeper`'s register."""

    keeper: Doorkeeper
    # What the guard did not carry over: of doors that are gone, and of other doors.
    _doors_gone: list[Admission] = field(factory=list, init=False)
    _too_wide: list[Admission] = field(factory=list, init=False)
    _recount: Recount | None = field(default=None, init=False)
    _before: list[dict[Any, Any]] = field(factory=list, init=False)

    async def begin(self, config: Config, ended: list[Held]) -> None:
        """Take out what has `ended`, which is empty then, and where `config` has other widths than the one in
        force, count all others again."""
        register, widths = self.keeper.register, config.widths
        async for those in slices(ended, _AT_ONCE):
            found = (one for held in those if (one := register.get(held.door, held.source)))
            self._take_out(found, config)
        await let_go(ended, _AT_ONCE)
        if widths == self.keeper.config.widths:
            return
        self._recount = recount = register.recount(widths)
        async for part in slices(list(register), _AT_ONCE):
            there = [one for one in part if register.get(one.door, one.source) is one]
            self._take_out((one for one in there if _too_wide(one, widths)), config)
            for one in there:
                if not _too_wide(one, widths):
                    recount.put(one)

    def _take_out(self, some: Iterable[Admission], config: Config) -> None:
        for one in some:
            self.keeper.register.remove(one.door, one.source)
            (self._too_wide if one.door in config.doors else self._doors_gone).append(one)

    def adopt(self) -> None:
        """The other configuration is in force now."""
        if self._recount is not None:
            self._before = self.keeper.register.adopt(self._recount)
            self.keeper.recreated()

    async def finish(self) -> None:
        """Have everything else know it."""
        if self._recount is not None:
            await self._settle(self._recount)
        await ending.ended(self.keeper, self._too_wide, Ending.PREFIX_CHANGED)
        await ending.ended(self.keeper, self._doors_gone, Ending.DOOR_REMOVED)

    async def _settle(self, recount: Recount) -> None:
        register = self.keeper.register
        async for part in slices(list(register), _AT_ONCE):
            register.settle(part)
            late = [one for one in part if _too_wide(one, recount.widths)]  # admitted meanwhile, by command
            self.keeper.dismiss_part(late, Ending.PREFIX_CHANGED)
        register.settled()
        async for part in slices(list(recount.merged.values()), _AT_ONCE):
            register.forget(part)
            self.keeper.write_merged(part)
        async for refused in slices(self.keeper.refused, _AT_ONCE):
            self.keeper.count_refused(refused)
        async for _ in slices(_emptied([{0: recount.merged}, *self._before]), _AT_ONCE):
            pass


def _too_wide(one: Admission, widths: Widths) -> bool:
    return one.source.length < widths.of(one.source.family)


def _emptied(indexes: list[dict[Any, Any]]) -> Iterator[None]:
    """Take out of these what is in what is in them: to free very much at once takes long."""
    for index in indexes:
        for inside in index.values():
            while inside:
                inside.popitem()
                yield
