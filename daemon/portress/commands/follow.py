"""`portress follow`: what happens, as it happens."""

from __future__ import annotations

import contextlib
import json
from datetime import datetime
from typing import Any

import click

from portress import control
from portress.commands.common import as_json, common
from portress.commands.narrowing import json_lines
from portress.errors import Mistake
from portress.paths import Paths
from portress.shown import shown


@click.command()
@click.option(
    "--event", "events", multiple=True, metavar="EVENT", help="only this kind of event, for example admitted"
)
@click.option("--door", "doors", multiple=True, metavar="DOOR", help="only events of this door")
@click.option("--knocks", is_flag=True, help="also each knock, and what came of it (root only)")
@as_json
@json_lines
@common
def follow(
    paths: Paths,
    events: tuple[str, ...],
    doors: tuple[str, ...],
    knocks: bool,
    as_json: bool,
    json_lines: bool,
) -> None:
    """Print events as they happen, until Ctrl-C. Each option may be given several times.

    With --json (or --json-lines) one object a line, with the fields that the journal has.
    """
    lines = control.follow(paths.socket, "follow", events=[*events], doors=[*doors], knocks=knocks)
    with contextlib.suppress(KeyboardInterrupt, BrokenPipeError):
        for line in lines:
            click.echo(json.dumps(line, ensure_ascii=False) if as_json or json_lines else _line(line))
        raise Mistake("the daemon has ended")


def _line(line: dict[str, Any]) -> str:
    moment = datetime.fromisoformat(line["time"]).astimezone() if "time" in line else None
    when = f"{moment:%H:%M:%S} " if moment is not None else ""
    return f"{when}{shown(str(line['MESSAGE']))}"
