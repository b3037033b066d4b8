"""`portress run`: the daemon in the foreground, as systemd starts it."""

from __future__ import annotations

import asyncio
import sys
import time

import click

from portress import events
from portress.commands.common import common, root_only
from portress.paths import Paths
from portress.session import origins


@click.command()
@click.option("--debug", is_flag=True, help="log every right knock too (never its port)")
@click.option(
    "--last-good", is_flag=True, help="start with the last good configuration if this one is invalid"
)
@common
def run(paths: Paths, debug: bool, last_good: bool) -> None:
    """Hear knocks and open doors until SIGTERM or SIGINT. The guard stays when it ends."""
    from portress.run.daemon import Daemon

    root_only("portress run")
    write = events.journal() if events.into_journal() else events.plain(sys.stderr)
    teller = events.Events(write, time.monotonic_ns, events.DEBUG if debug else events.INFO)
    asyncio.run(Daemon(paths, teller, last_good).run(origins()))
