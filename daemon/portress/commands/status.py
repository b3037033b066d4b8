"""`portress status`: doors, admissions, callers, as the daemon has them, or else the kernel."""

from __future__ import annotations

from typing import Any, Final

import click

from portress import control
from portress.commands.common import as_json, common, console, no_daemon, print_json
from portress.config import load as configuration
from portress.errors import Mistake
from portress.guard.table import GuardError, Table
from portress.knock import SECOND
from portress.paths import Paths
from portress.status import screen as status_screen

MOST: Final = 200  # admissions asked for by a screen, more than it has lines


@click.command()
@click.option("--watch", is_flag=True, help="a live screen; q leaves")
@click.option("--fleet", "of_fleet", is_flag=True, help="the fleet's gateways, and whom each let in")
@as_json
@common
def status(paths: Paths, watch: bool, of_fleet: bool, as_json: bool) -> None:
    """Show doors, admissions with the time left, and callers with their progress. Shows no knocks."""
    if watch:
        if as_json:
            raise click.UsageError("--watch and --json: one at a time")
        from portress.status.live import watch as look

        look(lambda: _ask(paths, most=MOST))
        return
    if as_json:
        print_json(_ask(paths))
        return
    if of_fleet:
        told, out = _ask(paths), console()
        if not told.get("fleet"):
            raise Mistake("this host belongs to no fleet, or no daemon runs")
        out.print(status_screen.headline(told))
        out.print(status_screen.gateways(told))
        return
    told, out = _ask(paths, most=MOST), console()
    for part in status_screen.parts(told, width=out.width):
        out.print(part)


def _ask(paths: Paths, **more: int) -> dict[str, Any]:
    """The daemon's answer, or else the kernel's. `most`: admissions listed. Raises Mistake."""
    try:
        told: dict[str, Any] = control.ask(paths.socket, "status", **more)
    except control.NoDaemon as nobody:
        no_daemon(paths)
        told = _without_daemon(nobody, paths)
    return told


def _open(paths: Paths) -> dict[str, str]:
    """Doors that are open to strangers by the configuration as it is now, if that can be read."""
    from portress.doctor.open_doors import probe

    try:
        return dict(probe(configuration.load(paths.config)).open)
    except Mistake:
        return {}


def _without_daemon(nobody: Mistake, paths: Paths) -> dict[str, Any]:
    """What the kernel alone knows. Raises Mistake if there is no guard either, or it cannot be read."""
    table = Table()
    try:
        listing = table.listing()
    except GuardError:
        raise Mistake(f"{nobody}; and only root can see whether a guard is loaded") from None
    if listing is None:
        raise Mistake(f"{nobody}; UNGUARDED: no guard loaded, only the host's own firewall applies")
    return {
        "daemon": False,
        "guard": {"present": True, "restorations": {}, "trial": None, "open": _open(paths)},
        "doors": [{"name": door} for door in listing.doors],
        "admissions": [
            {"door": one.door, "source": str(one.source), "left": round(one.left / SECOND, 3)}
            for one in table.admissions(listing)
        ],
    }
