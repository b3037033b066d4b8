"""What `portress why` prints for people (rich): where a source stands, its last knocks, what follows from it.

In: the daemon's answer. Out: things rich can print.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo
from typing import Any

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from portress.admissions import IN_A_SENTENCE
from portress.durations import moment, pause, spell, unix
from portress.knock import SECOND
from portress.verdict import progress
from portress.verdict_words import STYLES


def parts(told: dict[str, Any], zone: tzinfo | None = None) -> Iterator[Any]:
    """The answer, from the source's name to the conclusion. Times are in `zone` (default: the host's)."""
    yield Text(told["source"], "bold")
    yield Padding(_standing(told, zone), (0, 0, 0, 2))
    if told["knocks"]:
        yield Text()
        yield Padding(_knocks(told["knocks"], told["ports"], zone), (0, 0, 0, 2))
        if not told["ports"]:
            yield Text("  Only root is shown the ports.", "dim")
    yield Text()
    for sentence in told["conclusion"]:
        yield Text(sentence)


def _ns(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds * SECOND)


def _left(seconds: float) -> str:
    return spell(round(seconds * SECOND))


def _standing(told: dict[str, Any], zone: tzinfo | None) -> Table:
    """A line for each thing that is true of it now."""
    grid = Table.grid(padding=(0, 2))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    for one in told["admissions"]:
        who = (
            f"keyholder {one['keyholder']}" if one["keyholder"] else IN_A_SENTENCE.get(one["how"], one["how"])
        )
        until = f"{moment(unix(one['until']), zone)}, {_left(one['left'])} left"
        grid.add_row(Text("admitted", "bold green"), f"{one['door']} until {until}, {who}")
    if not told["guarded"]:
        grid.add_row(Text("unguarded", "bold red"), "no guard loaded; only the host's own firewall applies")
    elif told["always"]:
        grid.add_row(Text("admitted", "bold green"), "to every door, always")
    if told["shunned"]:
        grid.add_row(Text("shunned", "bold red"), f"for {_left(told['shunned']['left'])} more")
    caller = told["caller"]
    if caller:
        doors = ", ".join(caller["doors"])
        left = f"{_left(caller['left'])} left for the next one"
        grid.add_row(Text("caller", "bold"), f"{progress(caller['right'], caller['of'])} ({doors}), {left}")
    elif told["guarded"] and not (told["admissions"] or told["always"] or told["shunned"]):
        grid.add_row(
            Text("not admitted", "bold yellow"), "no door is open to it, and it has no sequence to go on with"
        )
    misses = told["misses"]
    if misses["limit"] is not None and misses["now"]:
        grid.add_row("misses", f"{misses['now']} of {misses['limit']} until it is shunned")
    return grid


def _knocks(knocks: list[dict[str, Any]], ports: bool, zone: tzinfo | None) -> Table:
    """Its last knocks, oldest first."""
    grid = Table.grid(padding=(0, 1))
    grid.add_column(no_wrap=True)
    grid.add_column(no_wrap=True, justify="right", min_width=7)
    if ports:
        grid.add_column(no_wrap=True, min_width=9)
    grid.add_column(overflow="fold")
    day = moment(unix(knocks[-1]["at"]), zone)[:10]
    for one in knocks:
        when = unix(one["at"])
        at = moment(when // 1, zone)
        if at[:10] != day:
            day = at[:10]
            grid.add_row(Text(day, "dim"))
        cells = [
            Text(f"{at[11:]}.{round(when % 1 * 1000) % 1000:03d}"),
            Text(pause(_ns(one["pause"])), "dim"),
        ]
        if ports:
            cells.append(Text(one["knock"] or ""))
        grid.add_row(*cells, Text(one["said"], STYLES[one["verdict"]]))
    return grid
