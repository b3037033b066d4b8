"""`portress unguard`: take the guard away. The only way to do so, daemon or not."""

from __future__ import annotations

import click

from portress import control
from portress.commands.common import common, root_only
from portress.errors import Mistake
from portress.guard.table import GuardError, Table
from portress.paths import Paths
from portress.run import include_file, meanwhile, trial
from portress.run.away import Away


@click.command()
@common
def unguard(paths: Paths) -> None:
    """Remove the guard: only the host's own firewall applies then.

    A running daemon keeps running. `portress guard`, or a reboot, loads the guard again.
    """
    root_only("portress unguard")
    meanwhile.forget(paths)
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
            raise Mistake(f"{silent}: kill it (SIGKILL), then repeat: portress unguard") from None
    if removed:
        click.echo("Guard removed; only the host's own firewall applies.")
    else:
        click.echo("There was no guard.")


def _directly(paths: Paths) -> bool:
    # The note first: a daemon that wakes up meanwhile must not put the guard back.
    Away(paths.socket).note()
    return Table().remove()
