"""Moments as people write them: a date, an ISO 8601 moment, or how long ago. Pure.

In: text, the present and a zone. Out: unix seconds.
"""

from __future__ import annotations

import contextlib
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Final

from portress import durations
from portress.knock import SECOND

_WANTS: Final = "a date (2027-01-31), a time (2027-01-31T18:00), or how long ago (8h, 2d)"

_LAST: Final = date.max - timedelta(days=2)  # where a zone's offset, and a day more, do no harm


def read(text: str, now: float, zone: tzinfo | None = None, end: bool = False) -> float:
    """The moment that `text` means, in unix seconds, `now` being the present.

    `zone` (default: the host's) is that of moments written without one. A date is where the day begins
    or, with `end`, ends. Raises ValueError.
    """
    try:
        if text[-1:].isalpha() and text[:-1].isdecimal():
            return now - durations.parse(text) / SECOND
        if not text.isascii() or len(text) > 40:
            raise ValueError
        with contextlib.suppress(ValueError):  # no date alone
            day = date.fromisoformat(text)
            after = min(day, _LAST) + timedelta(days=1 if end else 0)
            return datetime.combine(after, time(), zone).timestamp()
        moment = datetime.fromisoformat(text)
        return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).timestamp()
    except (ValueError, OverflowError, OSError):
        raise ValueError(_WANTS) from None


def utc(unix: float) -> str:
    """A moment for programs: ISO 8601 in UTC, to the millisecond."""
    return datetime.fromtimestamp(unix, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
