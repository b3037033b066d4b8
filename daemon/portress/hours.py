"""When a door is open by the calendar: days of the week, a time of day, a time zone. Pure.

In: windows and a moment (unix seconds). Out: whether it is inside one, when the next one begins and when this
one ends. The zone's rules come from `zoneinfo`.

Daylight saving, by RFC 5545, 3.3.5, as `zoneinfo` has it (PEP 495, fold=0): a time of day that comes twice is
the first of the two; one that never comes is as long after the change as it would have been without it, so
that 02:30 on the night when 02:00 becomes 03:00 is 03:30. A window is the time between its two ends: it is an
hour longer or shorter on such a night, and is not there where its end would not come after its beginning.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from itertools import chain
from typing import Final
from zoneinfo import ZoneInfo

from attrs import frozen

DAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
EVERY_DAY: Final = frozenset(range(7))
MIDNIGHT: Final = 24 * 60  # of the end of a day, in minutes since its beginning
AHEAD: Final = 14 * 86400  # s for which the guard is told when its doors are open
_FAR: Final = 400 * 86400  # s ahead that the next opening is looked for
_DAY: Final = 86400
_LOOK: Final = 8 * _DAY
_MONDAY: Final = 1_767_571_200  # 2026-01-05 00:00 UTC; no zone changes its clocks in that week
_LATEST: Final = 253370764800.0  # the year 9999
_WANTS_DAYS: Final = "days are written mon-fri, or sat,sun, or mon"

Range = tuple[int, int]  # unix seconds: from, to (no longer inside)


@frozen(cache_hash=True)
class Window:
    """From `begin` to `end` (minutes since the beginning of the day) on those `days` (0: Monday) in `zone`.

    An `end` that is not after `begin` is the next day's.
    """

    days: frozenset[int]
    begin: int
    end: int
    zone: str

    def __str__(self) -> str:
        return f"{days_text(self.days)} {clock_text(self.begin)}-{clock_text(self.end)} {self.zone}"


Hours = tuple[Window, ...]


def days(text: str) -> frozenset[int]:
    """`mon-fri`, `sat,sun`, `fri-mon`: numbers of days, Monday 0. Raises ValueError."""
    found: set[int] = set()
    for part in text.replace(" ", "").split(","):
        first, dash, last = part.partition("-")
        if first not in DAYS or (dash and last not in DAYS):
            raise ValueError(_WANTS_DAYS)
        begin, end = DAYS.index(first), DAYS.index(last if dash else first)
        found |= {(begin + n) % 7 for n in range((end - begin) % 7 + 1)}
    return frozenset(found)


def days_text(some: Iterable[int]) -> str:
    """As `days` reads it: runs of three and more as a range."""
    left, words = sorted(some), []
    while left:
        run = [left[0]]
        while run[-1] + 1 in left:
            run.append(run[-1] + 1)
        left = left[len(run) :]
        words += [f"{DAYS[run[0]]}-{DAYS[run[-1]]}"] if len(run) > 2 else [DAYS[one] for one in run]
    return ",".join(words)


def clock(text: str, *, end: bool = False) -> int:
    """`06:00` in minutes; `end`: 24:00, too. Raises ValueError."""
    match = re.fullmatch(r"([0-9]{2}):([0-9]{2})", text, re.ASCII)
    minutes = int(match[1]) * 60 + int(match[2]) if match else -1
    if not match or int(match[2]) > 59 or not 0 <= minutes <= (MIDNIGHT if end else MIDNIGHT - 1):
        raise ValueError(f'a time of day is written "06:00", from "00:00" to "{"24:00" if end else "23:59"}"')
    return minutes


def clock_text(minutes: int) -> str:
    """As `clock` reads it."""
    return f"{minutes // 60:02}:{minutes % 60:02}"


def zone(text: str) -> str:
    """The name of a time zone that this host knows the rules of. Raises ValueError."""
    wants = "a time zone's name, for example Europe/Berlin or UTC (see timedatectl list-timezones)"
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_+/-]{0,63}", text, re.ASCII) or text in (
        "localtime",
        "posixrules",
    ):
        raise ValueError(wants)
    try:
        ZoneInfo(text)
    except (OSError, ValueError, KeyError):  # ZoneInfoNotFoundError is a KeyError
        raise ValueError(f"{_other_case(text)}: {wants}") from None
    return text


def _other_case(text: str) -> str:
    try:
        ZoneInfo("Etc/UTC")
    except (OSError, ValueError, KeyError):
        return "this host has no time zones: apt install tzdata"
    return "this host knows no such time zone"


def window(text: str) -> Window:
    """`mon-fri 06:00-20:00 Europe/Berlin`, as a window is shown (without days: all). Raises ValueError."""
    found = re.fullmatch(r"(?:(\S+) +)?([0-9:]+)-([0-9:]+) +(\S+)", text.strip())
    if found is None:
        raise ValueError("hours are written 'mon-fri 06:00-20:00 Europe/Berlin'")
    begin, end = clock(found[2]), clock(found[3], end=True)
    if begin == end:
        raise ValueError("the two times are the same: for the whole day write 00:00-24:00")
    return Window(days(found[1] or "mon-sun"), begin, end, zone(found[4]))


def is_open(hours: Hours, unix: float) -> bool:
    """Whether `unix` is inside. Without any windows it always is."""
    return not hours or any(begin <= unix < end for begin, end in _from_day(hours, int(unix // _DAY)))


def opens(hours: Hours, unix: float) -> float | None:
    """The first moment from `unix` on that is inside; None: none for more than a year."""
    look = unix
    while hours and look < min(unix + _FAR, _LATEST):
        for begin, end in ranges(hours, look, look + _LOOK):
            if end > unix:
                return max(unix, float(begin))
        look += _LOOK
    return None if hours else unix


def closes(hours: Hours, unix: float) -> int | None:
    """When what is open at `unix` closes next; None: it does not, or is closed."""
    if not hours:
        return None
    for begin, end in _from_day(hours, int(unix // _DAY)):
        if begin <= unix < end:
            return end if end < unix + 2 * _LOOK else None
    return None


def opens_for(several: Iterable[Hours], unix: float) -> float | None:
    """The first moment from `unix` on that is inside each of `several`; None: none for more than a year."""
    all_of_them, moment = list(several), unix
    while moment < unix + _FAR:
        later = [opens(one, moment) for one in all_of_them]
        found = [one for one in later if one is not None]
        if len(found) < len(later):
            return None
        latest = max(found, default=moment)
        if latest == moment:
            return moment
        moment = latest
    return None


@lru_cache(maxsize=256)
def _from_day(hours: Hours, day: int) -> list[Range]:
    """The ranges from that day (of UTC, since 1970) on, as far as `closes` looks: asked at every knock."""
    return ranges(hours, day * _DAY, (day + 1) * _DAY + 2 * _LOOK)


def ranges(hours: Hours, since: float, until: float) -> list[Range]:
    """The ranges that reach into the time from `since` to before `until`, in order, none touching another."""
    found = sorted(chain.from_iterable(_of(window, since, until) for window in hours))
    merged: list[Range] = []
    for begin, end in found:
        if merged and begin <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((begin, end))
    return [(begin, end) for begin, end in merged if begin < until and end > since]


def _of(window: Window, since: float, until: float) -> Iterable[Range]:
    """The window's own, a few days around the time too, so that what touches it is merged."""
    first = datetime.fromtimestamp(min(max(0.0, since), _LATEST), UTC).date() - timedelta(days=3)
    for number in range(int((min(until, _LATEST) - since) // 86400) + 7):
        day = first + timedelta(days=number)
        if day.weekday() in window.days and (found := _on(window, day)):
            yield found


@lru_cache(maxsize=4096)
def _on(window: Window, day: date) -> Range | None:
    """The window that begins on that day; None if there is none on it."""
    begin = _moment(day, window.begin, window.zone)
    end = _moment(day, window.end + (MIDNIGHT if window.end <= window.begin else 0), window.zone)
    return (begin, end) if begin < end else None


def _moment(day: date, minutes: int, name: str) -> int:
    days_on, rest = divmod(minutes, MIDNIGHT)
    on = day + timedelta(days=days_on)
    local = datetime(on.year, on.month, on.day, rest // 60, rest % 60, tzinfo=ZoneInfo(name))
    return round(local.timestamp())


def a_week(hours: Hours) -> float:
    """How many hours of a week in which no clock changes are inside."""
    found = ranges(hours, _MONDAY, _MONDAY + 7 * _DAY)
    week = sum(min(end, _MONDAY + 7 * _DAY) - max(begin, _MONDAY) for begin, end in found)
    return week / 3600 if hours else 168.0


def closed_since(hours: Hours, unix: float) -> float:
    """When what is closed at `unix` closed, or a week before if that is longer ago."""
    over = ranges(hours, unix - _LOOK, unix)
    return over[-1][1] if over else unix - _LOOK


def told(unix: float, name: str, now: float) -> str:
    """A moment by the clock of a zone: `at 06:00 (Europe/Berlin)`, with its day where that is not today."""
    there, here = (datetime.fromtimestamp(one, ZoneInfo(name)) for one in (unix, now))
    day = "" if there.date() == here.date() else f"{DAYS[there.weekday()].capitalize()} {there:%Y-%m-%d} "
    return f"at {day}{there:%H:%M} ({name})"
