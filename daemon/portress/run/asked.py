"""What a request on the control socket says, read strictly.

In: values from JSON, of whoever may write to the socket. Out: values of the daemon's types; raises Mistake.
"""

from __future__ import annotations

import os
from typing import Any, Final

from portress.durations import LONGEST
from portress.errors import Mistake
from portress.knock import SECOND, Source

Request = dict[str, Any]
MOST_ENDS: Final = 1000  # connections in a request


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


def ends(request: Request) -> list[tuple[Source, bytes, int]]:
    """Connections, each as its source, and its address and port on this host. Raises Mistake."""
    found = request.get("ends", [])
    if not isinstance(found, list) or len(found) > MOST_ENDS:
        raise Mistake(f"'ends' is a list of up to {MOST_ENDS} connections")
    return [_end(one) for one in found]


def _end(one: object) -> tuple[Source, bytes, int]:
    if not (isinstance(one, list) and len(one) == 3 and type(one[2]) is int and 0 <= one[2] < 1 << 16):
        raise Mistake("a connection is a source, an address and a port")
    return read_source(one[0]), read_source(one[1]).packed, one[2]


def read_source(text: object) -> Source:
    try:
        return Source.parse(str(text))
    except ValueError as error:
        raise Mistake(f"'{text}': {error}") from None
