"""`portress history`: who was admitted, when, from where, through which door, and how it ended."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import click

from portress.commands.common import as_json, common, console, read_source
from portress.durations import counted, parse_moment
from portress.ledger import chart as history_chart
from portress.ledger import table as history_screen
from portress.ledger.ledger import Reader, Record
from portress.paths import Paths

SHOWN = 200  # rows of the table, unless told otherwise


@click.command()
@click.option("--door", help="only this door")
@click.option("--keyholder", metavar="NAME", help="only this keyholder")
@click.option("--source", help="only this source, or those in this prefix")
@click.option("--since", metavar="TIME", help="active at or after: 2d, 2027-01-31, 2027-01-31T18:00")
@click.option("--until", metavar="TIME", help="started by")
@click.option("--limit", type=click.IntRange(0), metavar="N", help=f"the newest N, 0: all (table: {SHOWN})")
@as_json
@click.option("--csv", "as_csv", is_flag=True, help="print CSV")
@click.option(
    "--chart", type=click.Path(path_type=Path), metavar="FILE", help="draw into a .svg or .png file"
)
@common
def history(
    paths: Paths,
    door: str | None,
    keyholder: str | None,
    source: str | None,
    since: str | None,
    until: str | None,
    limit: int | None,
    as_json: bool,
    as_csv: bool,
    chart: Path | None,
) -> None:
    """Show the admissions in the ledger, newest first; the daemon may be running."""
    if sum((as_json, as_csv, chart is not None)) > 1:
        raise click.UsageError("--json, --csv and --chart: one at a time")
    now = time.time()
    people = not (as_json or as_csv or chart)
    most = SHOWN if people and limit is None else limit or None
    with Reader(paths.ledger) as reader:
        records = reader.history(
            door=door,
            keyholder=keyholder,
            source=None if source is None else read_source(source),
            since=_moment("--since", since, now, end=False),
            until=_moment("--until", until, now, end=True),
            limit=most + 1 if people and most else most,
        )
        if as_json:
            history_screen.write_json(records, now, sys.stdout)
        elif as_csv:
            history_screen.write_csv(records, now, sys.stdout)
        elif chart is not None:
            bars, rows = history_chart.draw(records, now, chart)
            click.echo(f"{chart}: {counted(bars, 'admission')} in {counted(rows, 'row')}")
        else:
            _show(list(records), most, now)


def _moment(option: str, text: str | None, now: float, *, end: bool) -> float | None:
    try:
        return None if text is None else parse_moment(text, now, end=end)
    except ValueError as error:
        raise click.BadParameter(f"'{text}': {error}", param_hint=option) from None


def _show(records: list[Record], most: int | None, now: float) -> None:
    more = most is not None and len(records) > most
    screen = console()
    if not records:
        click.echo("No matching admissions.")
        return
    screen.print(history_screen.table(records[:most], now, screen.width))
    if more:
        click.echo(f"Showing the newest {most}; --limit 0 shows all.", err=True)
