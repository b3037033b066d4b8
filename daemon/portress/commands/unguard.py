"""`portress unguard`: take the guard away. The only way to do so, daemon or not."""

from __future__ import annotations

import contextlib

import click

from portress import control, trial
from portress.commands.common import common, root_only
from portress.guard.table import Table
from portress.paths import Paths
from portress.sentinel import away_file


@click.command()
@common
def unguard(paths: Paths) -> None:
    """Take the guard away: the doors are open, or as the host's own firewall has them.

    A daemon goes on running without it. `portress guard`, or a reboot, shuts the doors again.
    """
    root_only("portress unguard")
    trial.stop(paths.socket)
    try:
        removed = control.ask(paths.socket, "unguard")["removed"]
    except control.NoDaemon:
        removed = Table().remove()
        with contextlib.suppress(OSError):
            away_file(paths.socket).touch(mode=0o600)
    if removed:
        click.echo("The guard is taken away: the doors are open, or as the host's own firewall has them.")
    else:
        click.echo("There was no guard.")
