"""`portress dismiss`: end a source's admissions, with or without a daemon."""

from __future__ import annotations

import contextlib

import click

from portress import control
from portress.commands.common import as_json, common, no_daemon, print_json, read_source, root_only
from portress.config import load as configuration
from portress.durations import counted
from portress.errors import Mistake
from portress.guard import flows
from portress.guard.table import GuardError, Table
from portress.knock import Source
from portress.paths import Paths


@click.command()
@click.argument("source")
@click.argument("door", required=False)
@as_json
@common
def dismiss(paths: Paths, source: str, door: str | None, as_json: bool) -> None:
    """End SOURCE's admission through DOOR, or through every door. Its sessions end, too, also those that
    outlived the admission.
    """
    who = read_source(source)
    try:
        answer = control.ask(paths.socket, "dismiss", source=str(who), door=door)
    except control.NoDaemon:
        answer = {"text": _directly(paths, who, door)}
    if as_json:
        print_json(answer)
    else:
        click.echo(answer["text"])


def _directly(paths: Paths, source: Source, door: str | None) -> str:
    root_only("dismissing without a daemon")
    no_daemon(paths)
    table = Table()
    listing = table.listing()
    if listing is None:
        raise Mistake("no guard loaded and no daemon running: only the host's own firewall applies")
    if door is not None and door not in listing.doors:
        raise Mistake(f"there is no door '{door}'; the doors are {', '.join(listing.doors)}")
    source = listing.masked(source)
    chosen = [one for one in table.admissions(listing) if one.source == source and door in (None, one.door)]
    table.dismiss((one.door, one.source) for one in chosen)
    with contextlib.suppress(GuardError):  # a guard of an older version has no place for that
        table.refuse([source])
    cut = 0
    with contextlib.suppress(Mistake, OSError):
        for one in configuration.load(paths.config).doors.values():
            if door in (None, one.name):
                cut += flows.cut(source, one.services)
    if not chosen:
        not_admitted = f"{source} is not admitted{f' to {door}' if door else ''}"
        if not cut:
            raise Mistake(not_admitted)
        return f"{not_admitted} any more; {counted(cut, 'flow')} that outlived it cut"
    names = ", ".join(one.door for one in chosen)
    return f"{source} is dismissed from {names} (no daemon running: done directly in the guard)"
