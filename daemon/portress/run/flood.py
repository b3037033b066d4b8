"""Room for honest callers in a flood of first knocks, where the daemon decides.

In: the guard's counter of first knocks that found no room. Out: the callers that came with the flood are gone
from the guard and the tracker; what was turned away is told, with a count.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Final

from attrs import define, field

from portress.durations import counted
from portress.events import Events
from portress.guard.report import MARGIN
from portress.guard.table import GuardError, Table
from portress.knock import SECOND
from portress.run.in_force import InForce
from portress.tracker import Tracker

CROWD: Final = 100  # first knocks a second that find no room, and are no flood (common practice, no source)
FRESH: Final = SECOND // 2  # ns that a caller of a flood has for its second knock
SOON: Final = 0.1  # seconds until the next look for room in a flood
CATCH_UP: Final = 32  # reads of what waits, before room is made
MINUTE: Final = 60 * SECOND


@define(eq=False, slots=False)
class RoomKeeper:
    """The part of a listener that looks for room among the callers, with what the listener has."""

    _clock: Callable[[], int]
    _table: Table
    _events: Events
    _in_force: InForce
    no_room: int = field(default=0, init=False)  # first knocks that found no room in the kernel
    _looked: int | None = field(default=None, init=False)
    _turned_away: int = field(default=0, init=False)  # since it was told last
    _crowded_out: int = field(default=0, init=False)
    _tell_next: int = field(default=0, init=False)
    _again: asyncio.TimerHandle | None = field(default=None, init=False)

    @property
    def tracker(self) -> Tracker:
        """The tracker in force."""
        return self._in_force.tracker

    def _catch_up(self, reads: int) -> None:
        """Hear what waits to be read by now."""
        raise AssertionError(reads)  # the listener's own

    def look_for_room(self) -> None:
        """Once a second: whether first knocks found no room in the kernel's callers. In a flood, make some.

        The kernel forgets a caller only when its time is over, so that a flood from forged sources would keep
        all others from beginning.
        """
        now = self._clock()
        try:
            no_room = self._table.found_no_room()
        except GuardError:
            return
        before, self._looked = self._looked, now
        more, self.no_room = max(0, no_room - self.no_room), no_room
        if before is None:
            return  # what was counted under another daemon is told already
        self._turned_away += more
        config = self._in_force.config
        hold = -(-(config.longest_gap + MARGIN) // SECOND)
        bearable = max(CROWD, config.callers // hold)  # first knocks a second
        if more * SECOND > bearable * (now - before):
            self._make_room(bearable)
            self._look_again()
        self._tell_turned_away(now)

    def _make_room(self, bearable: int) -> None:
        """The callers at their first knock that came in the flood go, and those that are none any more."""
        self._catch_up(CATCH_UP)
        now = self._clock()
        self._crowded_out += self.tracker.thin(now, bearable, FRESH)
        kept = [(packed, left + MARGIN) for packed, _, left in self.tracker.callers(now)]
        if len(kept) > self._in_force.config.callers * 9 // 10:
            return  # nobody to speak of would go
        try:
            self._table.keep_callers((packed, ns) for packed, ns in kept if isinstance(packed, bytes))
        except GuardError as error:
            self._events.tell("warning", f"could not evict flood callers: {error}")

    def _look_again(self) -> None:
        """Soon, while a flood lasts."""

        def look() -> None:
            self._again = None
            self.look_for_room()

        if self._again is None:
            self._again = asyncio.get_running_loop().call_later(SOON, look)

    def _tell_turned_away(self, now: int) -> None:
        """What found no room, at once and then once a minute."""
        if not self._turned_away or now < self._tell_next:
            return
        text = f"{counted(self._turned_away, 'first knock')} dropped: caller table full (raise `callers`)"
        if self._crowded_out:
            text += f"; {counted(self._crowded_out, 'caller')} of a flood evicted"
        self._events.tell("full", text, count=self._turned_away)
        self._turned_away = self._crowded_out = 0
        self._tell_next = now + MINUTE
