"""Durations and moments for people: `8h`, `1m 30s`, `2026-11-24 14:02:30`. Pure."""

from __future__ import annotations

from datetime import datetime, tzinfo
from typing import Final

from portress.knock import SECOND

LONGEST: Final = 366 * 86400 * SECOND  # of an admission and of a trial
_UNITS: Final = (("d", 86400), ("h", 3600), ("m", 60), ("s", 1))
_FACTORS: Final = dict(_UNITS)


def spell(ns: int) -> str:
    """`ns` in the two largest units that matter: `8h`, `2h 5m`, `12s`; below 10 s with a tenth: `1.5s`."""
    if ns < 0:
        return f"-{spell(-ns)}"
    tenths = round(ns * 10 / SECOND)
    if tenths < 100:
        whole, part = divmod(tenths, 10)
        return f"{whole}.{part}s" if part else f"{whole}s"
    left, words = round(ns / SECOND), []
    for unit, size in _UNITS:
        count, left = divmod(left, size)
        if count:
            words.append(f"{count}{unit}")
        elif words:
            break
    return " ".join(words[:2])


def counted(count: int, noun: str) -> str:
    """`1 door`, `2 doors`."""
    plural = f"{noun}es" if noun.endswith("s") else f"{noun}s"
    return f"{count:,} {noun if count == 1 else plural}"


def parse(text: str) -> int:
    """Read `30s`, `10m`, `8h`, `2d` as ns. Raises ValueError, its text saying what would be right."""
    digits, unit = text[:-1], text[-1:]
    if unit not in _FACTORS or not (digits.isascii() and digits.isdecimal()) or len(digits) > 9:
        raise ValueError("a duration is written 30s, 10m, 8h or 2d")
    return int(digits) * _FACTORS[unit] * SECOND


def moment(unix: float, zone: tzinfo | None = None) -> str:
    """A moment (unix seconds) as date and time of day in `zone` (default: the host's)."""
    return datetime.fromtimestamp(unix, zone).astimezone(zone).strftime("%Y-%m-%d %H:%M:%S")
