"""`portress history`: who was admitted, when, from where, through which door, and how it ended."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterable
from pathlib import Path
from typing import TypedDict

import click

from portress.commands.common import as_json, common, console, found
from portress.commands.narrowing import Wanted, json_lines, narrowed, print_listed
from portress.durations import counted, parse_moment
from portress.knock import Source
from portress.ledger import chart as history_chart
from portress.ledger import table as history_screen
from portress.ledger.ledger import Reader, Record
from portress.paths import Paths


class Meant(TypedDict):
    """Which admissions of the ledger are meant."""

    door: str | None
    keyholder: str | None
    source: Source | None
    since: float | None
    until: float | None


@click.command()
@click.option("--since", metavar="TIME", help="active at or after: 2d, 2027-01-31, 2027-01-31T18:00")
@click.option("--until", metavar="TIME", help="started at or before")
@as_json
@json_lines
@click.option("--csv", "as_csv", is_flag=True, help="print CSV")
@click.option(
    "--chart", type=click.Path(path_type=Path), metavar="FILE", help="draw into a .svg or .png file"
)
@common
@narrowed("-since", "until", "source", "door", "keyholder")
def history(
    paths: Paths,
    asked: Wanted,
    since: str | None,
    until: str | None,
    as_json: bool,
    json_lines: bool,
    as_csv: bool,
    chart: Path | None,
) -> None:
    """Show the admissions in the ledger, newest first; the daemon may be running.

    Without --limit the first 200; a chart has all of them. Exit status 1: nothing matches.
    """
    _one_form(as_json, json_lines, as_csv, chart is not None)
    now, narrow = time.time(), asked.narrow
    meant: Meant = {
        "door": narrow.door,
        "keyholder": narrow.keyholder,
        "source": narrow.source,
        "since": _moment("--since", since, now, end=False),
        "until": _moment("--until", until, now, end=True),
    }
    most = (asked.limit or None) if chart is not None else asked.most
    with Reader(paths.ledger) as reader:
        records = reader.history(**meant, limit=most, sort=narrow.sort)
        if as_json or json_lines:
            head = {} if json_lines else {"totals": {"admissions": reader.count(**meant)}}
            lines = (json.dumps(history_screen.values(one, now)) for one in records)
            print_listed(head, "admissions", lines, bare=json_lines)
        elif as_csv:
            history_screen.write_csv(records, now, sys.stdout)
        elif chart is not None:
            _draw(records, now, chart)
        else:
            _show(list(records), now)
        count = reader.count(**meant)
    if most is not None and not as_json and count > most:
        click.echo(f"… and {count - most:,} more (--limit 0 shows all)", err=True)
    found(count)


def _one_form(*forms: bool) -> None:
    if sum(forms) > 1:
        raise click.UsageError("--json, --json-lines, --csv and --chart: one at a time")


def _draw(records: Iterable[Record], now: float, chart: Path) -> None:
    bars, rows = history_chart.draw(records, now, chart)
    click.echo(f"{chart}: {counted(bars, 'admission')} in {counted(rows, 'row')}")


def _moment(option: str, text: str | None, now: float, *, end: bool) -> float | None:
    try:
        return None if text is None else parse_moment(text, now, end=end)
    except ValueError as error:
        raise click.BadParameter(f"'{text}': {error}", param_hint=option) from None


def _show(records: list[Record], now: float) -> None:
    screen = console()
    if not records:
        click.echo("No matching admissions.")
        return
    screen.print(history_screen.table(records, now, screen.width))
