"""`portress dismiss`: end a source's admissions, with or without a daemon."""

from __future__ import annotations

import contextlib
import json
import sys
import time
from typing import Any

import click
from attrs import evolve, frozen

from portress import control
from portress.admissions import Admission, How
from portress.commands.common import as_json, common, no_daemon, print_json, read_source, root_only
from portress.commands.narrowing import Wanted, json_lines, narrowed, print_listed
from portress.config import load as configuration
from portress.durations import counted
from portress.errors import Mistake
from portress.guard import flows
from portress.guard.table import GuardError, Table
from portress.knock import WHOLE, Source
from portress.narrow import Narrow
from portress.narrow import who as whose
from portress.paths import Paths
from portress.run import status_answer as answers

_NOTHING = "no guard loaded and no daemon running: only the host's own firewall applies"


@click.command()
@click.argument("who", metavar="[SOURCE]", required=False)
@click.argument("where", metavar="[DOOR]", required=False)
@click.option(
    "--yes", is_flag=True, help="do not ask before ending those of a network, a door or a keyholder"
)
@as_json
@json_lines
@common
@narrowed(what="only")
def dismiss(
    paths: Paths,
    asked: Wanted,
    who: str | None,
    where: str | None,
    yes: bool,
    as_json: bool,
    json_lines: bool,
) -> None:
    """End SOURCE's admission through DOOR, or through every door. Its sessions end as well, also those that
    outlived the admission.

    SOURCE may be a network, and --door, --source and --keyholder choose as in status: how many admissions
    match is said first, and on a terminal you are asked. All of them end, unless --limit says how many.
    Exit status 1: nothing matches, so nothing was done.
    """
    asked = _meant(asked, who, where)
    how_many = _Counting(asked, yes=yes)
    try:
        answer = _by_daemon(paths, asked, how_many)
    except control.NoDaemon:
        root_only("dismissing without a daemon")
        no_daemon(paths)
        answer = _directly(paths, asked, how_many)
    if json_lines:
        print_listed({}, "dismissed", map(json.dumps, answer["dismissed"]), bare=True)
    elif as_json:
        print_json(answer)
    else:
        click.echo(answer["text"])


def _meant(asked: Wanted, source: str | None, door: str | None) -> Wanted:
    """The arguments are the options' short form. Raises click.UsageError."""
    narrow = asked.narrow
    for option, argument, value in (("--source", source, narrow.source), ("--door", door, narrow.door)):
        if argument is not None and value is not None:
            raise click.UsageError(f"'{argument}' and {option}: one of them")
    if source is not None:
        narrow = evolve(narrow, source=read_source(source))
    if door is not None:
        narrow = evolve(narrow, door=door)
    if not narrow:
        raise click.UsageError("dismiss whom? SOURCE, --source, --door or --keyholder")
    return evolve(asked, narrow=narrow)


@frozen
class _Counting:
    """Says how many end, before they do, and asks on a terminal."""

    asked: Wanted
    yes: bool

    @property
    def wanted(self) -> bool:
        """Whether it may be more than a single address."""
        source = self.asked.narrow.source
        return source is None or source.length < len(source.packed) * 8

    def say(self, admissions: int, sources: int) -> None:
        """Raises click.Abort if they are not to end."""
        if not self.wanted or not admissions:
            return
        words = (
            f"{counted(admissions, 'admission')} of {counted(sources, 'source')} {self.asked.narrow.words}"
        )
        if self.yes or not (sys.stdin.isatty() and sys.stderr.isatty()):
            click.echo(f"Dismissing {words}.", err=True)
        elif not click.confirm(f"Dismiss {words}?", err=True):
            raise click.Abort


def _by_daemon(paths: Paths, asked: Wanted, how_many: _Counting) -> dict[str, Any]:
    more = {**asked.narrow.request(), **({"most": asked.limit} if asked.limit else {})}
    if how_many.wanted:
        totals = control.ask(paths.socket, "dismiss", count=True, **more)["totals"]
        how_many.say(totals["admissions"], totals["sources"])
    answer: dict[str, Any] = control.ask(paths.socket, "dismiss", **more)
    return answer


def _directly(paths: Paths, asked: Wanted, how_many: _Counting) -> dict[str, Any]:
    """Without a daemon: straight in the guard's sets, which do not know whose an admission is."""
    table, narrow, now = Table(), asked.narrow, time.monotonic_ns()
    listing = table.listing()
    if listing is None:
        raise Mistake(_NOTHING)
    if narrow.keyholder is not None:
        raise Mistake("no daemon runs, and the guard alone does not know whose an admission is")
    if narrow.door is not None and narrow.door not in listing.doors:
        raise Mistake(f"there is no door '{narrow.door}'; the doors are {', '.join(listing.doors)}")
    widths = listing.prefixes or WHOLE
    source = narrow.source
    one = source is not None and source.length >= widths.of(source.family)
    if one and source is not None:
        source = listing.masked(source)
        narrow = evolve(narrow, source=source)
    found = [
        Admission(held.door, held.source, now - held.since, now + held.left, None, How.FOUND)
        for held in table.admissions(listing)
        if narrow.covers(held.door, held.source, None)
    ]
    found.sort(key=narrow.key, reverse=narrow.backwards)
    chosen = found[: asked.limit or None]
    sources = {each.source.whole for each in chosen} | ({source} if one and source is not None else set())
    how_many.say(len(chosen), len(sources))
    table.dismiss((each.door, each.source) for each in chosen)
    with contextlib.suppress(GuardError):  # a guard of an older version has no place for that
        table.refuse(sources)
    cut = _cut(paths, sources, narrow.door)
    dismissed = [answers.admission(each, now, time.time()) for each in chosen]
    return {
        "text": _text(narrow, chosen, cut),
        "totals": {"dismissed": len(dismissed)},
        "dismissed": dismissed[: answers.MOST],
    }


def _cut(paths: Paths, sources: set[Source], door: str | None) -> int:
    """End what goes on of them; how many flows."""
    cut = 0
    with contextlib.suppress(Mistake, OSError):
        for one in configuration.load(paths.config).doors.values():
            if sources and door in (None, one.name):
                cut += sum(flows.cut_each(sources, one.services).values())
    return cut


def _text(narrow: Narrow, chosen: list[Admission], cut: int) -> str:
    """What was done. Raises Mistake if that is nothing."""
    source = narrow.source
    if not chosen:
        if source is None or (source.length < len(source.packed) * 8 and not cut):
            raise Mistake(f"no admission {narrow.words}")
        not_admitted = f"{source} is not admitted{f' to {narrow.door}' if narrow.door else ''}"
        if not cut:
            raise Mistake(not_admitted)
        return f"{not_admitted} any more; {counted(cut, 'flow')} that outlived it cut"
    names = ", ".join(dict.fromkeys(one.door for one in chosen))
    whom = whose(narrow, len(chosen), {one.source.whole for one in chosen})
    return f"{whom} dismissed from {names} (no daemon running: done directly in the guard)"
