"""The clock: rotating sequences and codes need one that is right to within the steps accepted."""

from __future__ import annotations

import ctypes
import json
import struct
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from attrs import frozen

from portress.clock import STEP
from portress.config.model import Config
from portress.doctor.probe.finding import Fact, Finding

# struct timex of adjtimex(2) as far as it matters: modes, offset, freq, maxerror (µs), esterror (µs), status.
_LAYOUT: Final = struct.Struct("@Illlli")
_LARGEST: Final = 512  # bytes, more than any struct timex
_UNSYNCHRONISED: Final = 0x40  # STA_UNSYNC
NOTE: Final = Path("/run/portress/clock")  # written by portress-clock.service, outside the daemon's sandbox
_STALE: Final = 15 * 60  # seconds, three times that unit's interval

_DO: Final = (
    "run a time service: apt install chrony, or systemctl enable --now systemd-timesyncd; see timedatectl"
)


@frozen
class ClockState:
    """The kernel's own estimate: whether a time service steers the clock, and the most it may be off (s)."""

    synchronised: bool
    error: float


def read() -> ClockState | None:
    """Ask adjtimex(2), or read what portress-clock.service noted where a system-call filter forbids that.

    None where neither is to be had, as in many containers.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    buffer = ctypes.create_string_buffer(_LARGEST)
    if libc.adjtimex(buffer) < 0:
        return noted(NOTE, time.time())
    _, _, _, most, _, status = _LAYOUT.unpack_from(buffer)
    return ClockState(not status & _UNSYNCHRONISED, most / 1e6)


def noted(path: Path, now: float) -> ClockState | None:
    """What the note at `path` says; None if there is none of the last 15 minutes. `now`: unix seconds."""
    try:
        note = json.loads(path.read_bytes())
        if not 0 <= now - note["at"] <= _STALE:
            return None
        return ClockState(bool(note["synchronised"]), float(note["error"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def facts(clock: ClockState | None) -> Iterator[Fact]:
    if clock is None:
        yield Fact("clock", "its accuracy is unknown: the kernel does not report it")
    else:
        steered = "synchronised" if clock.synchronised else "not synchronised"
        yield Fact("clock", f"{steered}, at most {clock.error:.3g} s off by the kernel's estimate")


def judge(config: Config, clock: ClockState | None) -> Iterator[Finding]:
    """How far off the clock may be: as far as the steps accepted before and after reach, 30 s each; half of
    that for this host, half for the client, and a second where none is accepted."""
    if clock is None:
        return
    for door in config.doors.values():
        skews = [rule.skew for rule in door.by_time.values()]
        if not skews:
            continue
        allowed = max(STEP * min(skews) / 2, 1)
        if not clock.synchronised:
            yield Finding(
                "clock-unsynchronised",
                "warning",
                "no time service keeps the clock right",
                f"if host and client differ by more than {2 * allowed:g} s, right sequences are refused",
                _DO,
                door.name,
            )
        elif clock.error > allowed:
            yield Finding(
                "clock-error",
                "warning",
                f"the clock may be {clock.error:.1f} s off",
                f"{2 * allowed:g} s between host and client are accepted, {allowed:g} s for each: beyond "
                "that right sequences may be refused",
                _DO,
                door.name,
            )
