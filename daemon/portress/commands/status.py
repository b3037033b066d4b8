"""`portress status`: doors, admissions, callers, as the daemon has them, or else the kernel."""

from __future__ import annotations

from typing import Any

import click
from rich import box
from rich.table import Table as Grid
from rich.text import Text

from portress import control
from portress.commands.common import as_json, common, console, print_json
from portress.durations import moment, spell
from portress.errors import Mistake
from portress.guard.table import Table
from portress.knock import SECOND
from portress.paths import Paths


@click.command()
@as_json
@common
def status(paths: Paths, as_json: bool) -> None:
    """Show doors, admissions with the time left, and callers by stage. Never a port of a sequence."""
    try:
        told = control.ask(paths.socket, "status")
    except control.NoDaemon as nobody:
        told = _without_daemon(nobody)
    if as_json:
        print_json(told)
    else:
        show(told)


def _without_daemon(nobody: Mistake) -> dict[str, Any]:
    """What the kernel alone knows. Raises Mistake if there is no guard either, or it cannot be read."""
    table = Table()
    listing = table.listing()
    if listing is None:
        raise Mistake(f"{nobody}; and no guard is loaded: the doors are open")
    return {
        "daemon": False,
        "guard": {"present": True, "restorations": {}, "trial": None},
        "doors": [{"name": door} for door in listing.doors],
        "admissions": [
            {"door": one.door, "source": str(one.source), "left": round(one.left / SECOND, 3)}
            for one in table.admissions(listing)
        ],
    }


def show(told: dict[str, Any]) -> None:
    """Print a status for a person."""
    out = console()
    for part in parts(told):
        out.print(part)


def parts(told: dict[str, Any], *, most: int = 40) -> list[Any]:
    """The status as things rich can print: a headline, doors, admissions, callers."""
    shown: list[Any] = [headline(told)]
    if told["doors"]:
        shown.append(doors(told))
    shown += [Text(f"{one['name']}: {one['dial']['rule']}") for one in told["doors"] if "dial" in one]
    if told["admissions"]:
        shown.append(admissions(told["admissions"][:most]))
        shown += _more(len(told["admissions"]), most)
    else:
        shown.append(Text("Nobody is admitted."))
    if told.get("daemon", True):
        listed = told["callers"]["listed"]
        if listed:
            shown.append(callers(listed[:most]))
            shown += _more(told["callers"]["now"], most)
        if told["shunned"]:
            shunned = ", ".join(f"{one['source']} ({_left(one['left'])})" for one in told["shunned"][:most])
            shown.append(Text(f"Shunned: {shunned}"))
    return shown


def _more(count: int, most: int) -> list[Text]:
    return [Text(f"… and {count - most} more")] if count > most else []


def _left(seconds: float) -> str:
    return spell(round(seconds * SECOND))


def headline(told: dict[str, Any]) -> Text:
    """One or two sentences: is the daemon there, is the guard, is anything wrong."""
    line = Text()
    if told.get("daemon", True):
        line.append(f"portress {told['version']}, watching by {told['watch']}, up {_left(told['up'])}. ")
    else:
        line.append("No daemon runs: nobody new is let in. ", "bold red")
    if not told["guard"]["present"]:
        line.append("The guard is away: THE DOORS ARE OPEN. ", "bold red")
    if told["guard"]["trial"] is not None:
        line.append(
            f"On trial for {_left(told['guard']['trial'])} more: portress guard --keep. ", "bold yellow"
        )
    restored = sum(told["guard"]["restorations"].values())
    if restored:
        line.append(f"The guard was put back {restored} times. ", "yellow")
    if told.get("lost"):
        line.append(f"{told['lost']} reported packets were lost. ", "yellow")
    if told.get("ledger") and not told["ledger"]["present"]:
        line.append("There is no ledger. ", "yellow")
    return line


def _grid(*columns: str) -> Grid:
    grid = Grid(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    for column in columns:
        grid.add_column(column, justify="right" if column in ("admitted", "left", "stage") else "left")
    return grid


def doors(told: dict[str, Any]) -> Grid:
    """The doors and how many are admitted to each."""
    grid = _grid("door", "services", "opened by", "stay", "admitted")
    for one in told["doors"]:
        services = ", ".join(one.get("services", ["as loaded"]))
        admitted = one.get("admitted", sum(each["door"] == one["name"] for each in told["admissions"]))
        stay = _left(one["stay"]) if "stay" in one else ""
        if one.get("linger") is False:
            stay += ", strict"
        grid.add_row(one["name"], services, " or ".join(one.get("openers", [])), stay, str(admitted))
    return grid


def admissions(listed: list[dict[str, Any]]) -> Grid:
    """Who is let through which door, and for how long yet."""
    grid = _grid("source", "door", "left", "until", "keyholder")
    for one in listed:
        until = moment(one["until"]) if "until" in one else ""
        grid.add_row(one["source"], one["door"], _left(one["left"]), until, one.get("keyholder") or "")
    return grid


def callers(listed: list[dict[str, Any]]) -> Grid:
    """Who is part-way, the furthest first."""
    grid = _grid("caller", "door", "stage", "left")
    for one in sorted(listed, key=lambda each: (-each["stage"], each["left"])):
        doors = ", ".join(one["doors"][:3]) + (", …" if len(one["doors"]) > 3 else "")
        grid.add_row(one["source"], doors, f"{one['stage']} of {one['of']}", _left(one["left"]))
    return grid
