"""`portress unenrol`: end a keyholder and their admissions."""

from __future__ import annotations

from typing import Any

import click

from portress import control
from portress.commands.common import as_json, common, print_json, warn
from portress.config import load as configuration
from portress.config.model import Fleet
from portress.errors import Mistake
from portress.keyholders import edit as enrolment
from portress.keyholders.file import FILE
from portress.keyholders.place import InFleet
from portress.paths import Paths


@click.command()
@click.argument("name")
@as_json
@common
def unenrol(paths: Paths, name: str, as_json: bool) -> None:
    """Remove NAME: their sequences open nothing any more, and whoever they let in is dismissed."""
    if (fleet := _fleet(paths)) is not None and InFleet(fleet).known(name) is not None:
        InFleet(fleet).remove(name)
        if as_json:
            _print(name, None, fleet.name)
        else:
            click.echo(f"{name} is unenrolled at every gateway of fleet {fleet.name}.")
        return
    missing = None
    try:
        enrolment.remove(paths.config.parent / FILE, name)
    except enrolment.Unknown as mistake:  # but perhaps the daemon was given them by a credential
        missing = mistake
    try:
        answer = control.ask(paths.socket, "unenrol", name=name)
    except control.NoDaemon:
        answer = None
    except Mistake as mistake:
        raise missing or Mistake(
            *mistake.lines,
            f"{name} was removed from {FILE}, but the running daemon did not take the change: see above",
        ) from None
    if missing is not None and not (answer and answer.get("known")):
        raise missing
    if answer is not None and answer.get("credential"):
        warn(
            f"the daemon starts with a systemd credential: take {name} out of it, or their sequences count "
            "again from the next reload or start"
        )
    if as_json:
        _print(name, answer, None)
    else:
        click.echo(_told(name, answer))


def _fleet(paths: Paths) -> Fleet | None:
    """The fleet of this host. A configuration with mistakes keeps nobody from unenrolling in the file."""
    try:
        return configuration.load(paths.config).fleet
    except Mistake:
        return None


def _print(name: str, answer: dict[str, Any] | None, fleet: str | None) -> None:
    """The same for programs. `daemon`: whether one was asked; a fleet's gateways dismiss by themselves."""
    dismissed = answer["dismissed"] if answer else []
    told = {"keyholder": name, "fleet": fleet, "daemon": answer is not None}
    print_json({**told, "totals": {"dismissed": len(dismissed)}, "dismissed": dismissed})


def _told(name: str, answer: dict[str, Any] | None) -> str:
    if answer is None:
        return (
            f"{name} is unenrolled. No daemon running: admissions still in the guard last until they "
            "expire, unless portress dismiss ends them."
        )
    ended = [f"{one['source']} from {one['door']}" for one in answer["dismissed"]]
    return f"{name} is unenrolled. Dismissed: {', '.join(ended) or 'no address was admitted for them'}."
