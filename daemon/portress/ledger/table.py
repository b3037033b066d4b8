"""What `portress history` prints: a table for people (rich), values and CSV for programs.

In: Records in order. Out: text. CSV is written row by row: memory stays bounded however
long the ledger is. Moments are local for people, UTC for programs.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from datetime import tzinfo
from typing import Any, Final, TextIO

from rich import box
from rich.table import Table
from rich.text import Text

from portress import durations
from portress.admissions import IN_A_COLUMN, Ending, How, came
from portress.durations import utc
from portress.knock import SECOND
from portress.ledger.ledger import Record

ROOMY: Final = 110  # columns from which on seconds and the end's moment are shown
FIELDS: Final = (
    "source",
    "door",
    "keyholder",
    "step",
    "paper",
    "how",
    "gateway",
    "since",
    "until",
    "ended",
    "ending",
)

_STYLES: Final[dict[str, str]] = {
    "active": "bold green",
    Ending.EXPIRED: "dim",
    Ending.DISMISSED: "yellow",
    Ending.UNENROLLED: "yellow",
}


def by(record: Record) -> str:
    """What let the source in: the keyholder, or how it came about."""
    how, gateway = came(record.how)
    if gateway:
        return f"{record.keyholder or IN_A_COLUMN[How.KNOCK]} at {gateway}"
    if record.keyholder:
        return f"{record.keyholder}, {record.paper}" if record.paper else record.keyholder
    return IN_A_COLUMN.get(how, how)


def table(records: Iterable[Record], now: float, width: int, zone: tzinfo | None = None) -> Table:
    """The records as a table for a screen of `width` columns."""
    roomy = width >= ROOMY
    shown = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False)
    shown.add_column("since", no_wrap=True)
    if roomy:
        shown.add_column("until", no_wrap=True)
    shown.add_column("for", no_wrap=True, justify="right")
    shown.add_column("source", overflow="fold")
    shown.add_column("door", overflow="fold")
    shown.add_column("admitted by", overflow="fold")
    shown.add_column("state", no_wrap=True)
    for record in records:
        state = record.state(now)
        cells = [_moment(record.since, roomy, zone)]
        if roomy:
            cells.append(_moment(record.finish, roomy, zone))
        cells += [_lasted(record, now), str(record.source), record.door, by(record)]
        shown.add_row(*map(Text, cells), Text(state, _STYLES.get(state, "")))
    return shown


def _moment(unix: float, seconds: bool, zone: tzinfo | None) -> str:
    """Date and time of day, to the minute or the second."""
    return durations.moment(unix, zone)[: 19 if seconds else 16]


def _lasted(record: Record, now: float) -> str:
    """How long it has lasted, or lasted in all."""
    return durations.spell(int(max(0.0, min(now, record.finish) - record.since) * SECOND))


def values(record: Record, now: float) -> dict[str, Any]:
    """A record for programs, moments in UTC. `ended` and `ending` are None while it is under way."""
    how, gateway = came(record.how)
    over = record.ended is not None or record.until <= now
    return {
        "source": str(record.source),
        "door": record.door,
        "keyholder": record.keyholder,
        "step": record.step,
        "paper": record.paper or None,
        "how": how,
        "gateway": gateway or None,
        "since": utc(record.since),
        "until": utc(record.until),
        "ended": utc(record.finish) if over else None,
        "ending": record.state(now) if over else None,
    }


def write_csv(records: Iterable[Record], now: float, out: TextIO) -> None:
    """A header line and a line a record (RFC 4180, but for the line ends)."""
    writer = csv.DictWriter(out, FIELDS, lineterminator="\n")
    writer.writeheader()
    for record in records:
        writer.writerow(values(record, now))
