"""What a trial writes down of the admissions it will put back, and reads again."""

from __future__ import annotations

import json

from portress.guard.table import Held
from portress.knock import SECOND, Source
from portress.run import trial


def test_admissions_are_read_as_they_were_written() -> None:
    sources = [
        Source.parse("192.0.2.7"),
        Source.parse("198.51.100.0/24"),
        Source.parse("2001:db8::7"),
        Source.parse("2001:db8:1::/64"),
        Source.parse("::/8"),
        Source(bytes((192, 0, 2, 7)), 32, 40_000),  # of a single connection
        Source(Source.parse("2001:db8::7").packed, 128, 1),
    ]
    held = [
        Held(door, source, number * SECOND + 7)
        for number, source in enumerate(sources)
        for door in ("ssh", "vpn-2")
    ]
    read = [*trial._read(json.loads(json.dumps(trial._written(held))))]
    assert len(read) == len(held) and set(read) == set(held)
