"""`portress admit`: admit a source by hand, with or without a daemon."""

from __future__ import annotations

import contextlib
from typing import Any

import click

from portress import control
from portress.admissions import Grant, How
from portress.commands.common import DURATION, as_json, common, no_daemon, print_json, read_source, root_only
from portress.config import load as configuration
from portress.durations import spell
from portress.errors import Mistake
from portress.guard.table import GuardError, Table
from portress.knock import SECOND, Source
from portress.paths import Paths


@click.command()
@click.argument("source")
@click.argument("door")
@click.option("--for", "stay", type=DURATION, metavar="DURATION", help="how long (default: the door's stay)")
@as_json
@common
def admit(paths: Paths, source: str, door: str, stay: int | None, as_json: bool) -> None:
    """Let SOURCE, an address or a prefix, through DOOR for a while. Never shortens an admission."""
    who = read_source(source)
    asked: dict[str, Any] = {"door": door, "for": None if stay is None else stay // SECOND}
    try:
        answer = control.ask(paths.socket, "admit", source=str(who), **asked)
    except control.NoDaemon:
        answer = {"text": _directly(paths, who, door, stay)}
    if as_json:
        print_json(answer)
    else:
        click.echo(answer["text"])


def _directly(paths: Paths, source: Source, door: str, stay: int | None) -> str:
    """Without a daemon: straight into the guard's set, which ends the admission by itself."""
    root_only("admitting without a daemon")
    no_daemon(paths)
    table = Table()
    listing = table.listing()
    if listing is None:
        raise Mistake("no guard loaded and no daemon running: only the host's own firewall applies")
    if door not in listing.doors:
        raise Mistake(f"there is no door '{door}'; the doors are {', '.join(listing.doors)}")
    source = listing.masked(source)
    ns = _stay(paths, door) if stay is None else stay
    left = max(
        (one.left for one in table.admissions(listing) if (one.door, one.source) == (door, source)), default=0
    )
    if left < ns:
        table.admit([Grant(door, source, ns, how=How.COMMAND)])
    with contextlib.suppress(GuardError):  # a guard of an older version knows of no dismissed
        table.refuse_no_more([source])
    lasts = spell(max(ns, left))
    return f"{source} is admitted to {door} for {lasts} (no daemon running: done directly in the guard)"


def _stay(paths: Paths, door: str) -> int:
    """The door's stay (ns). Raises Mistake: the guard may be older than the configuration."""
    doors = configuration.load(paths.config).doors
    if door not in doors:
        raise Mistake(f"{paths.config} has no door '{door}' any more: say how long, for example --for 1h")
    return doors[door].stay
