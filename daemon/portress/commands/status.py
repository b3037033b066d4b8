"""`portress status`: doors, admissions, callers, as the daemon has them, or else the kernel."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from itertools import islice
from typing import Any, Final

import click
from attrs import evolve

from portress import control
from portress.commands.common import as_json, common, console, found, no_daemon
from portress.commands.narrowing import Wanted, json_lines, narrowed, print_listed
from portress.errors import Mistake
from portress.paths import Paths
from portress.status import screen as status_screen

PIPED: Final = 40  # admissions shown where there is no terminal they have to fit on


@click.command()
@click.option("--watch", is_flag=True, help="a live screen: arrows scroll, / filters, q leaves")
@click.option("--fleet", "of_fleet", is_flag=True, help="the fleet's gateways, and whom each let in")
@as_json
@json_lines
@common
@narrowed()
def status(paths: Paths, asked: Wanted, watch: bool, of_fleet: bool, as_json: bool, json_lines: bool) -> None:
    """Show doors, admissions with the time left, and callers with their progress. Shows no knocks.

    Without --limit as many admissions as fit on the terminal, and for programs 200. Exit status 1: nothing
    matches.
    """
    if watch:
        if as_json or json_lines:
            raise click.UsageError("--watch and --json: one at a time")
        from portress.status.live import watch as look

        look(lambda narrow, skip, most: _whole(paths, Wanted(narrow, most), skip), asked.narrow)
        return
    if as_json or json_lines:
        with _parts(paths, asked, asked.most) as (told, lines):
            print_listed(told, "admissions", lines, bare=json_lines)
        found(told["totals"]["admissions"] or not asked.narrow)
        return
    out = console()
    if of_fleet:
        told = _whole(paths, evolve(asked, limit=0))
        if not told["fleet"]:
            raise Mistake("this host belongs to no fleet, or no daemon runs")
        out.print(status_screen.headline(told))
        out.print()
        out.print(status_screen.gateways(told))
        return
    most = asked.limit or None
    if asked.limit is None:
        most = max(out.height, 1) if sys.stdout.isatty() else PIPED
    told = _whole(paths, evolve(asked, limit=most or 0))
    few = status_screen.FEW
    if asked.limit is None and sys.stdout.isatty():
        few = status_screen.share(out.height)
        told["admissions"] = told["admissions"][: status_screen.room(told, out.width, out.height)]
    for part in status_screen.parts(told, width=out.width, narrowed=bool(asked.narrow), few=few):
        out.print(part)
    found(told["totals"]["admissions"] or not asked.narrow)


def _whole(paths: Paths, asked: Wanted, skip: int = 0) -> dict[str, Any]:
    """The answer with the admissions in it, but for the first so many."""
    with _parts(paths, asked, asked.most, skip) as (told, lines):
        return {**told, "admissions": [json.loads(line) for line in lines]}


@contextmanager
def _parts(
    paths: Paths, asked: Wanted, most: int | None, skip: int = 0
) -> Iterator[tuple[dict[str, Any], Iterable[str]]]:
    """The daemon's answer, or else the kernel's: all but the admissions, and those, a line of JSON each.

    Raises Mistake.
    """
    more = {"skip": skip} if most is None else {"skip": skip, "most": most}
    try:
        with control.parts(paths.socket, "status", **asked.narrow.request(), **more) as (told, lines):
            yield told, (line.decode() for line in lines)
    except control.NoDaemon as nobody:
        from portress.status import bare  # which asks the kernel itself, and is slow to load

        no_daemon(paths)
        told, listed = bare.told(nobody, paths, asked.narrow, time.monotonic_ns(), time.time())
        yield told, map(json.dumps, islice(listed, skip, None if most is None else skip + most))
