"""`portress unguard`: take the guard away. The only way to do so, daemon or not."""

from __future__ import annotations

import click

from portress import control
from portress.commands.common import common, root_only
from portress.errors import Mistake
from portress.guard.table import GuardError, Table
from portress.paths import Paths
from portress.run import include_file, trial
from portress.run.away import Away


@click.command()
@common
def unguard(paths: Paths) -> None:
    """Take the guard away: the doors are open, or as the host's own firewall has them.

    A daemon goes on running without it. `portress guard`, or a reboot, shuts the doors again.
    """
    root_only("portress unguard")
    trial.stop(paths.socket)
    include_file.remove(paths.socket)
    try:
        removed = control.ask(paths.socket, "unguard", patience=trial.PATIENCE)["removed"]
    except control.NoDaemon:
        removed = _directly(paths)
    except control.Silent as silent:  # a daemon that hangs must keep nobody out
        try:
            removed = _directly(paths)
        except GuardError:
            raise Mistake(f"{silent}: kill it (SIGKILL), then once more: portress unguard") from None
    if removed:
        click.echo("The guard is taken away: the doors are open, or as the host's own firewall has them.")
    else:
        click.echo("There was no guard.")


def _directly(paths: Paths) -> bool:
    # The note first: a daemon that wakes up meanwhile must not put the guard back.
    Away(paths.socket).note()
    return Table().remove()
