"""What `portress history` prints: a table for people (rich), values and CSV for programs.

In: Records in order. Out: text. CSV is written row by row: memory stays bounded however
long the ledger is. Moments are local for people, UTC for programs.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from datetime import tzinfo
from typing import Any, Final, Literal, TextIO

from rich import box
from rich.table import Table
from rich.text import Text

from portress import durations
from portress.admissions import IN_A_COLUMN, Ending, How, came
from portress.durations import utc
from portress.knock import SECOND
from portress.ledger.ledger import Record

# Forms of the table, the widest first: characters of `since` left out before and kept after, whether there
# are `until` and `for`.
_FORMS: Final = ((0, 19, True, True), (0, 16, False, True), (5, 16, False, True), (5, 16, False, False))
_HEADINGS: Final = ("since", "until", "for", "source", "door", "by", "state")
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
    """The records as a table for a screen of `width` columns: with as much of them as fits."""
    listed = [_cells(one, now, zone) for one in records]
    forms = [_formed(listed, *form) for form in _FORMS]
    columns = next((one for one in forms if _needed(one) <= width), forms[1])
    shown = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False)
    for heading in columns:
        side: Literal["left", "right"] = "right" if heading == "for" else "left"
        shown.add_column(heading, justify=side, overflow="fold", no_wrap=heading in ("since", "until", "for"))
    for row in zip(*columns.values(), strict=True):
        shown.add_row(*map(Text, row[:-1]), Text(row[-1], _STYLES.get(row[-1], "")))
    return shown


def _cells(record: Record, now: float, zone: tzinfo | None) -> tuple[str, ...]:
    since, until = (durations.moment(one, zone) for one in (record.since, record.finish))
    lasted, state = _lasted(record, now), record.state(now)
    return since, until, lasted, str(record.source), record.door, by(record), state


def _formed(
    listed: list[tuple[str, ...]], begin: int, end: int, until: bool, lasted: bool
) -> dict[str, list[str]]:
    """The columns of a form, by their headings."""
    columns = {name: [row[place] for row in listed] for place, name in enumerate(_HEADINGS)}
    for name in ("since", "until"):
        columns[name] = [one[begin:end] for one in columns[name]]
    left_out = {name for name, there in (("until", until), ("for", lasted)) if not there}
    return {name: cells for name, cells in columns.items() if name not in left_out}


def _needed(columns: dict[str, list[str]]) -> int:
    """How many characters a line takes."""
    return sum(max(map(len, (name, *cells))) + 2 for name, cells in columns.items()) - 1


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
