"""What a request on the control socket says, read strictly.

In: values from JSON, of whoever may write to the socket. Out: values of the daemon's types; raises Mistake.
"""

from __future__ import annotations

import os
from typing import Any

from portress.durations import LONGEST
from portress.errors import Mistake
from portress.knock import SECOND, Source

Request = dict[str, Any]


def words(request: Request, key: str) -> list[str]:
    """A list of words in a request; empty if there is none. Raises Mistake."""
    found = request.get(key, [])
    if not isinstance(found, list) or not all(isinstance(one, str) for one in found):
        raise Mistake(f"'{key}' is a list of words")
    return found


def trusted(uid: int) -> bool:
    """Root, or the daemon's own user: who can read and change its files anyway."""
    return uid in (0, os.geteuid())


def trial_seconds(value: object) -> float | None:
    """How long a trial lasts (s), None if there is none. Raises Mistake: else a guard on trial would stay."""
    if value is None:
        return None
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 < value <= LONGEST / SECOND:
        return float(value)
    raise Mistake("a trial lasts a number of seconds, up to 366 days")


def read_source(text: object) -> Source:
    try:
        return Source.parse(str(text))
    except ValueError as error:
        raise Mistake(f"'{text}': {error}") from None
