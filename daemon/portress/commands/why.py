"""`portress why`: what the running daemon made of a source's knocks, and what to check."""

from __future__ import annotations

import click

from portress import control
from portress.commands.common import as_json, common, console, print_json, read_source
from portress.paths import Paths
from portress.why import screen as why_screen


@click.command()
@click.argument("source", metavar="SOURCE")
@as_json
@common
def why(paths: Paths, source: str, as_json: bool) -> None:
    """Show why SOURCE's knocks opened a door or not: its last knocks, progress, misses and admissions.

    Only root is shown the ports. Users who may read the status but not the configuration see no port of a
    sequence, nor a hint at one.
    """
    told = control.ask(paths.socket, "why", source=str(read_source(source)))
    if as_json:
        print_json(told)
    else:
        screen = console()
        for part in why_screen.parts(told):
            screen.print(part)
