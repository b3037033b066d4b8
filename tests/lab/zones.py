"""Time zones in which a whole minute begins at any second of this machine's clock.

In: a folder. Out: the zones Lab/S00 to Lab/S59 in it (files by RFC 8536): by the clock of Lab/S07 a minute
begins 7 s after one of UTC's. Hours of a door are whole minutes of their zone, so they can begin and end when
a test wants. Programs find the zones by PYTHONTZPATH.
"""

from __future__ import annotations

import os
import struct
import zoneinfo
from datetime import UTC, datetime
from pathlib import Path


def search_path(folder: Path) -> str:
    """Write the zones to `folder`. The PYTHONTZPATH with which programs know them, and all others."""
    for second in range(60):
        file = folder / _name(second)
        file.parent.mkdir(exist_ok=True)
        # Version 1: no transitions, one local time type of that offset, its designation.
        counts = struct.pack(">6l", 0, 0, 0, 0, 1, 4)
        file.write_bytes(b"TZif" + bytes(16) + counts + struct.pack(">lBB", -second, 0, 0) + b"LAB\0")
    return os.pathsep.join([str(folder), *zoneinfo.TZPATH])


def _name(second: int) -> str:
    return f"Lab/S{second:02}"


def hours(begin: int, end: int) -> str:
    """Hours of a door from `begin` to `end` (unix seconds, whole minutes apart), as in a configuration."""
    first, last = (datetime.fromtimestamp(one - begin % 60, UTC) for one in (begin, end))
    return f'{{from: "{first:%H:%M}", to: "{last:%H:%M}", zone: {_name(begin % 60)}}}'
