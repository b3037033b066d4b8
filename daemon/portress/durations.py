"""Durations and moments as they are read and written: `8h`, `1m 30s`, `2026-11-24 14:02:30`. Pure.

In: text, or ns and unix seconds, with a zone and the present where they matter. Out: the one or the other.
"""

from __future__ import annotations

import contextlib
import math
import re
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Final

from portress.knock import SECOND

DAY: Final = 86400  # seconds
YEAR: Final = 365.25 * DAY
LONGEST: Final = 366 * DAY * SECOND  # of an admission and of a trial
WRITTEN: Final = "a whole number and a unit, for example 30s 10m 8h 2d"
_UNITS: Final = (("d", DAY), ("h", 3600), ("m", 60), ("s", 1))
_FACTORS: Final = {unit: size * SECOND for unit, size in _UNITS} | {"ms": SECOND // 1000}
_MINUTES: Final = 600  # seconds up to which a pause is told in seconds
_MOMENT_WANTS: Final = "a date (2027-01-31), a time (2027-01-31T18:00), or how long ago (8h, 2d)"
_LAST: Final = 253402300799.0  # the last second of the year 9999, UTC: no date stands for a later one
_FIRST_DAY: Final = date(1970, 1, 1).toordinal()
_LAST_DAY: Final = date.max - timedelta(days=2)  # where a zone's offset, and a day more, do no harm


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


def written(ns: int) -> str:
    """`ns` as it is written in a file, in the largest unit that fits it: 30s, 10m, 8h, 2d."""
    unit = next((unit for unit, _ in _UNITS if ns % _FACTORS[unit] == 0), "ms")
    return f"{ns // _FACTORS[unit]}{unit}"


def parse(text: str) -> int:
    """Read `30s`, `10m`, `8h`, `2d` as ns. Raises ValueError, its text saying what would be right."""
    match = re.fullmatch(r"([0-9]{1,9})([dhms])", text, re.ASCII)
    if not match:
        raise ValueError("a duration is written 30s, 10m, 8h or 2d")
    return int(match[1]) * _FACTORS[match[2]]


def parse_within(text: str, what: str, most: int, least: int = 1, units: str = "s|m|h|d") -> int:
    """Read `30s 10m 8h 2d` as ns, from `least` to `most` (ns). Raises ValueError that speaks of `what`."""
    match = re.fullmatch(rf"([0-9]+)({units})", text, re.ASCII)
    if not match:
        raise ValueError(
            f"{what} is {WRITTEN}" if units == "s|m|h|d" else f"{what} is written as 100ms or 1s"
        )
    length = int(match[1][:12]) * _FACTORS[match[2]]
    if length == 0:
        raise ValueError(f"{what} is longer than 0")
    if length < least:
        raise ValueError(f"{what} is at least {written(least)}")
    if length > most or len(match[1]) > 12:
        raise ValueError(f"{what} is at most {written(most)}")
    return length


def moment(unix: float, zone: tzinfo | None = None) -> str:
    """A moment (unix seconds) as date and time of day in `zone` (default: the host's)."""
    return datetime.fromtimestamp(unix, zone).astimezone(zone).strftime("%Y-%m-%d %H:%M:%S")


def parse_moment(text: str, now: float, zone: tzinfo | None = None, end: bool = False) -> float:
    """The moment that `text` means, in unix seconds, `now` being the present.

    `zone` (default: the host's) is that of moments written without one. A date is where the day begins
    or, with `end`, ends. Raises ValueError.
    """
    try:
        if text[-1:].isalpha() and text[:-1].isdecimal():
            return now - parse(text) / SECOND
        if not text.isascii() or len(text) > 40:
            raise ValueError
        with contextlib.suppress(ValueError):  # no date alone
            day = date.fromisoformat(text)
            after = min(day, _LAST_DAY) + timedelta(days=1 if end else 0)
            return datetime.combine(after, time(), zone).timestamp()
        at = datetime.fromisoformat(text)
        return (at if at.tzinfo else at.replace(tzinfo=zone)).timestamp()
    except (ValueError, OverflowError, OSError):
        raise ValueError(_MOMENT_WANTS) from None


def utc(unix: float) -> str:
    """A moment for programs: ISO 8601 in UTC, to the millisecond."""
    seconds, thousandths = divmod(round(unix * 1000), 1000)
    return f"{_second(seconds)}.{thousandths:03}Z"


def unix(text: str) -> float:
    """What `utc` made, in unix seconds."""
    return datetime.fromisoformat(text).timestamp()


@lru_cache(maxsize=8192)
def _second(unix: int) -> str:
    """A whole second in UTC. A long list of moments names few of them, and each often."""
    days, seconds = divmod(unix, DAY)
    minutes, seconds = divmod(seconds, 60)
    day = date.fromordinal(_FIRST_DAY + days).isoformat()
    return f"{day}T{minutes // 60:02}:{minutes % 60:02}:{seconds:02}"


def expiry(text: str) -> float:
    """What a date (`2027-01-31`: the end of that day, UTC) or a time with its zone
    (`2027-01-31T18:00+01:00`) means, in unix seconds. Raises ValueError.
    """
    wants = "a date (2027-01-31), or a time with its zone (2027-01-31T18:00+01:00)"
    if not text.isascii() or len(text) > 40:
        raise ValueError(wants)
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
            day = date.fromisoformat(text)
            return _bounded(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() + DAY)
        at = datetime.fromisoformat(text)
    except (ValueError, OverflowError):
        raise ValueError(wants) from None
    if at.tzinfo is None:
        raise ValueError(f"{wants}: the zone is missing")
    return _bounded(at.timestamp())


def _bounded(until: float) -> float:
    """`until`, or the nearest moment that has a time step and a date."""
    return max(0.0, min(until, _LAST))


def expiry_text(until: float) -> str:
    """As `expiry` reads it: a date where a day ends, or else a moment in UTC."""
    at = datetime.fromtimestamp(until, UTC)
    if until % DAY == 0:
        return f"{at - timedelta(days=1):%Y-%m-%d}"
    return at.isoformat().replace("+00:00", "Z")


def pauses(pause: int, gap: int) -> tuple[str, str]:
    """Two durations (ns), the first the longer one, told so that it shows: `61.2 s` and `60 s`."""
    if max(pause, gap) >= _MINUTES * SECOND and spell(pause) != spell(gap):
        return spell(pause), spell(gap)
    for digits in range(1, 10):
        told = [f"{ns / SECOND:.{digits}f}".rstrip("0").rstrip(".") for ns in (pause, gap)]
        if told[0] != told[1] or pause == gap:
            break
    return f"{told[0]} s", f"{told[1]} s"


def pause(ns: int | None) -> str:
    """The time since the line before, in a column: `120 ms`, `1.5 s`, `12m`; empty for None."""
    if ns is None:
        return ""
    if abs(ns) < SECOND:
        return f"{round(ns / 1_000_000)} ms"
    return f"{ns / SECOND:.1f} s" if ns < _MINUTES * SECOND else spell(ns)


_LARGE: Final = (("million", 10**6), ("billion", 10**9), ("trillion", 10**12))


def count(number: float | Fraction) -> str:
    """A large number in two digits, a small one in full: `64,000`, `1.2 million`, `2.3e15`."""
    if number < 1e6:
        return f"{round(number):,}"
    rounded = Decimal(f"{Decimal(int(number)):.1e}")
    for name, size in _LARGE:
        if size <= rounded < 1000 * size:
            return f"{rounded / size:f}".removesuffix(".0") + f" {name}"
    return f"{rounded:.1e}".replace("e+", "e")


def roughly(seconds: float) -> str:
    """A time in the unit that suits it: `40 seconds`, `3.1 hours`, `36 years`, `1.2e9 years`."""
    if seconds == math.inf:
        return "over 1e300 years"
    for unit, size in (("year", YEAR), ("day", float(DAY)), ("hour", 3600.0), ("minute", 60.0)):
        if seconds >= 1.5 * size:
            number = seconds / size
            return f"{number:.2g} {unit}s" if number < 10 else f"{count(number)} {unit}s"
    return f"{seconds:.2g} seconds"
