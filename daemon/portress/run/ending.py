"""Ends very many admissions a part at a time, so that no knock waits for it; their flows are cut in a thread.

In: whose admissions are to end, or have ended in the guard, and why. Out: the guard, the register, the ledger
and the events know.
"""

from __future__ import annotations

import asyncio
from collections.abc import Container
from typing import Final

from portress.admissions import Admission, Ending
from portress.run.doorkeeper import Doorkeeper
from portress.run.slices import let_go, slices

AT_ONCE: Final = 64  # admissions: some 2 ms
_KEYHOLDERS: Final = 20  # whose admissions are looked through at once


async def dismiss(keeper: Doorkeeper, meant: list[Admission], how: Ending) -> list[Admission]:
    """End these, those of them that are in force yet: which. `meant` is empty then. Raises GuardError."""
    gone: list[Admission] = []
    async for part in slices(meant, AT_ONCE):
        async with keeper.loading:
            gone += keeper.dismiss_part(part, how)
    meant.clear()
    await _cut_and_tell(keeper, gone, how, "dismissed")
    return gone


async def keep_only(keeper: Doorkeeper, keys: Container[tuple[str, str]]) -> list[Admission]:
    """End the admissions of keyholders at doors other than these `keys` (keyholder, door): which. Raises
    GuardError."""
    others: list[Admission] = []
    async for names in slices(keeper.register.keyholders(), _KEYHOLDERS):
        others += keeper.not_among(keys, names)
    return await dismiss(keeper, others, Ending.UNENROLLED) if others else others


async def ended(keeper: Doorkeeper, gone: list[Admission], how: Ending) -> None:
    """These have ended in the guard, and are in the register no more. `gone` is empty then."""
    async for part in slices(gone, AT_ONCE):
        keeper.write_ended(part, how)
    await _cut_and_tell(keeper, gone, how, "ended")
    await let_go(gone, AT_ONCE)


async def _cut_and_tell(keeper: Doorkeeper, gone: list[Admission], how: Ending, event: str) -> None:
    if gone:
        cut = await asyncio.to_thread(keeper.cut_flows, gone, how)
        async for part in slices(gone, AT_ONCE):
            keeper.tell_ended(part, how, event, cut)
