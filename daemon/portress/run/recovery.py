"""What the daemon knows of the time before it started: the ledger, the sequences used up, the admissions.

In: the ledger's file, and the mark that proves whether it holds every use. Out: the uses, and the last step
that is refused because nobody knows what was used. Nothing here is raised: a ledger that cannot be had is
told, and the daemon goes on without one. Without a ledger no rotating sequence is accepted: nothing would
outlast a power cut.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Final

from attrs import frozen

from portress.clock import STEP, step_at
from portress.config.model import Config
from portress.events import Events
from portress.knock import TIMELESS
from portress.ledger.ledger import Ledger, LedgerError, Record
from portress.paths import Paths
from portress.run import use_mark
from portress.run.ledger_writer import LedgerWriter
from portress.sequence.in_force import SequencesInForce, furthest
from portress.verdict import Use

Used = dict[bytes, Use]  # the last use by claim

NEVER: Final = 1 << 63  # a step that does not come
_MANY: Final = 10  # keyholders that are named

_UNMARKED: Final = "this is the first start since the host was booted"
_UNFIT: Final = "the ledger is not as the daemon left it: damaged, older or another one"
_UNRECORDED: Final = "the guard in which uses were recorded is gone"
_NONE: Final = "there is no ledger, so nothing would remember a use"


def open_ledger(paths: Paths, events: Events, unix: float) -> Ledger | None:
    """The ledger, a new one where the old one is damaged; None if there can be none. `unix`: seconds."""
    try:
        paths.state.mkdir(mode=0o700, parents=True, exist_ok=True)
        ledger = Ledger(paths.ledger, unix)
    except (LedgerError, OSError) as error:
        why = f"{paths.state}: {error.strerror}" if isinstance(error, OSError) and error.strerror else error
        events.tell("ledger", f"continuing without a ledger, and without rotating sequences: {why}")
        return None
    if ledger.set_aside is not None:
        events.tell("ledger", f"damaged ledger set aside as {ledger.set_aside}: {ledger.damage}")
    return ledger


@frozen
class Doubt:
    """No step up to `floor` is accepted, and why; `until`: the moment (unix seconds) of the first that is."""

    floor: int
    why: str
    until: float | None


class Recovery:
    """What the ledger of `ledger_writer` and the mark at `mark` say of the time before.

    `unix` gives unix seconds; `since_boot` the seconds of CLOCK_BOOTTIME, which no setting of the clock
    moves. `record` names the guard's own record of uses, which there is where the kernel decides.
    `fleets_era`: that of the fleet's paper, where there is a fleet.
    """

    def __init__(
        self,
        ledger_writer: LedgerWriter,
        events: Events,
        unix: Callable[[], float],
        since_boot: Callable[[], float],
        mark: Path,
        boot: str,
        record: str | None = None,
        fleets_era: str | None = None,
    ) -> None:
        self._ledger_writer = ledger_writer
        self._events = events
        self._unix = unix
        self._since_boot = since_boot
        self._mark = use_mark.read(mark, boot)
        self._record = record
        self._fleets_era = fleets_era
        self._doubt: float | None = None  # the moment (CLOCK_BOOTTIME) before which not all uses are known
        self._why = ""

    def used(self) -> Used:
        """Rotating sequences used up, as far as they are known; the mark is written anew."""
        ledger, mark = self._ledger_writer.ledger, self._mark
        used, whole = self._of_ledger(ledger)
        if mark is None:
            self._doubt, self._why = self._since_boot(), _UNMARKED
        elif ledger is None or not whole or not mark.fits(ledger.digest):
            self._doubt, self._why = self._since_boot(), _UNFIT
        elif self._record is not None and mark.record not in ("", self._record):
            self._doubt, self._why = self._since_boot(), _UNRECORDED
        else:
            self._doubt, self._why = mark.doubt, "an earlier daemon did not know of every use"
        owed = () if mark is None else mark.owed
        for claim, door, step, source, _ in owed:
            if claim not in used or used[claim].step < step:
                used[claim] = Use(step, source.packed, door)
        self._ledger_writer.begin(self._doubt, owed)
        return used | self.used_paper()

    @property
    def era(self) -> str:
        """The era of the paper in force; empty: none is."""
        mine = self._ledger_writer.era
        return mine if self._fleets_era is None or not mine else self._fleets_era

    async def paper_again(self, tracker_used: Used) -> bool:
        """Try again what kept paper from being in force; `tracker_used` learns what is used. True if it
        is here.
        """
        again = await self._ledger_writer.paper_again()
        tracker_used.update(self.used_paper() if again else {})
        return again

    def used_paper(self) -> Used:
        """Sequences on paper used up. Empty where that is not known: then no paper is in force."""
        paper = self._ledger_writer.paper
        try:
            some = () if paper is None else paper.used()
            return {claim: Use(TIMELESS, source, door) for claim, door, source in some}
        except LedgerError as error:
            self._ledger_writer.without_paper()
            self._events.tell("ledger", f"the uses of paper cannot be read: {error}")
            return {}

    def tell_void(self, sequences: SequencesInForce) -> None:
        """Tell whose paper is void, and why."""
        void = sequences.void_paper
        if void:
            paper = self._ledger_writer.paper
            why = paper.void if paper is not None and paper.void else "some of its uses were lost before"
            if self._fleets_era is not None:
                why = "it was not printed for this fleet, or with another secret of it"
            if paper is None or not paper.era:
                why = "no use of it can be recorded now"
            names = ", ".join(f"{name} ({door})" for name, door in void[:_MANY])
            more = f" and {len(void) - _MANY} more" if len(void) > _MANY else ""
            self._events.tell(
                "paper",
                f"paper printed before is void, {why}: {names}{more}; portress enrol NAME --door DOOR --paper"
                " prints new sheets",
            )

    def _of_ledger(self, ledger: Ledger | None) -> tuple[Used, bool]:
        """What it holds, and whether it could be read at all."""
        try:
            if ledger is not None:
                ledger.expire(self._unix())
                return {
                    claim: Use(u.step, u.source.packed, u.door) for claim, u in ledger.used().items()
                }, True
        except LedgerError as error:
            self._events.tell("ledger", f"the ledger cannot be read: {error}")
        return {}, False

    def floor(self, config: Config) -> int:
        """The last step that is refused because it may have been used unnoticed; -1 if none is.

        It belongs to a moment of a clock that is never set, and is worked out by the wall clock as it is
        now: if that was wrong and has been put right since, the steps of the right time are meant.
        """
        if self._ledger_writer.ledger is None:
            return NEVER
        if self._doubt is None:
            return -1
        moment = self._unix() - max(0.0, self._since_boot() - self._doubt)
        return step_at(max(0.0, moment)) + furthest(config)

    def doubt(self, config: Config) -> Doubt | None:
        """What is to be told of steps that are refused now; None if the present one is accepted."""
        floor = self.floor(config)
        if floor == NEVER:
            return Doubt(floor, _NONE, None)
        if floor < step_at(max(0.0, self._unix())):
            return None
        return Doubt(floor, self._why, float((floor + 1) * STEP))

    def tell_doubt(self, sequences: SequencesInForce) -> None:
        """Tell that sequences are refused because nobody knows what was used, where any rotate."""
        doubt = self.doubt(sequences.config)
        if doubt is not None and doubt.until is not None and sequences.rotates:
            left = doubt.until - self._unix()
            self._events.tell("ledger", f"rotating sequences are refused for {left:.0f} s: {doubt.why}")

    async def look_for_ledger(self, paths: Paths, tracker_used: Used) -> bool:
        """Open the ledger if it could not be opened before; `tracker_used` learns what it holds. True if it
        is here at last: what was used before this moment is not known for certain."""
        if self._ledger_writer.ledger is not None:
            return False
        with contextlib.suppress(LedgerError, OSError):
            paths.state.mkdir(mode=0o700, parents=True, exist_ok=True)
            loop = asyncio.get_running_loop()
            ledger = await loop.run_in_executor(None, Ledger, paths.ledger, self._unix())
            for claim, use in self._of_ledger(ledger)[0].items():
                if claim not in tracker_used or tracker_used[claim].step < use.step:
                    tracker_used[claim] = use
            self._doubt, self._why = self._since_boot(), _UNFIT
            await self._ledger_writer.resume(ledger, self._doubt)
            self._events.tell("ledger", f"{paths.ledger}: the ledger can be written again")
            return True
        return False

    def under_way(self) -> list[Record]:
        """The admissions that have time left."""
        try:
            return (
                []
                if self._ledger_writer.ledger is None
                else self._ledger_writer.ledger.under_way(self._unix())
            )
        except LedgerError as error:
            self._events.tell("ledger", f"the ledger cannot be read: {error}")
            return []
