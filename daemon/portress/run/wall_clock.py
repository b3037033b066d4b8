"""Looks after the wall clock: when it is set, and whether it is right enough for what changes with time.

Admissions run by the monotonic clock and do not mind; rotating sequences do.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final

from portress.config.model import Config
from portress.doctor.probe import clock
from portress.errors import Mistake
from portress.events import Events
from portress.knock import SECOND

EARLIEST: Final = 0.0  # unix seconds: time steps begin in 1970
STEP: Final = 2.0  # seconds by which the clock must jump to be told


def since_boot() -> float:
    """The seconds of CLOCK_BOOTTIME: they go on while the host sleeps, and nothing sets them."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def checked(unix: float) -> float:
    """`unix` (seconds), if a daemon can go by it. Raises Mistake."""
    if unix < EARLIEST:
        raise Mistake(
            f"the clock is {-unix:.0f} s before 1970, where time steps begin: set it (timedatectl set-time),"
            " then start again"
        )
    return unix


class Timekeeper:
    """`unix` gives the wall clock's seconds, `monotonic` the other clock's ns."""

    def __init__(self, events: Events, unix: Callable[[], float], monotonic: Callable[[], int]) -> None:
        self._events = events
        self._unix = unix
        self._monotonic = monotonic
        self._offset = self._ahead()
        self._seen: clock.ClockState | None = None

    def _ahead(self) -> float:
        return self._unix() - self._monotonic() / SECOND

    @property
    def error(self) -> float | None:
        """How far off the clock may be (s) by the kernel's estimate; None if that is not known."""
        return None if self._seen is None else self._seen.error

    def judge(self, config: Config) -> None:
        """Tell of a clock too far off for the sequences of `config` that rotate."""
        self._seen = clock.read()
        for finding in clock.judge(config, self._seen):
            self._events.tell("clock", f"{finding.what}: {finding.why}", door=finding.door)

    def look(self) -> None:
        """Tell if the clock was set since the last look."""
        offset = self._ahead()
        jump = offset - self._offset
        if abs(jump) > STEP:
            text = f"the clock was set {'forward' if jump > 0 else 'back'} by {abs(jump):.1f} s"
            self._events.tell("clock", f"{text}; admissions keep the time they have left", jump=f"{jump:.3f}")
        self._offset = offset
