"""`portress guard`: shut the doors, without locking oneself out.

Run over SSH it first admits the address it was run from. `--trial` takes the guard away again unless
`portress guard --keep` follows in time; a guard of another configuration that was there before is put back.
"""

from __future__ import annotations

import contextlib
import time

import click

from portress import config as configuration
from portress import control, trial
from portress import keyholders as keyholding
from portress.commands.common import DURATION, common, root_only, warn
from portress.config import Config
from portress.durations import spell
from portress.errors import Mistake
from portress.guard import flows
from portress.guard.ruleset import build
from portress.guard.table import Table
from portress.interfaces import absent, present
from portress.knock import SECOND, Service, Source
from portress.paths import Paths
from portress.rota import Rota
from portress.sentinel import away_file
from portress.sequence.rotating import step_at
from portress.session import connected, origins


@click.command()
@click.option("--trial", "on_trial", type=DURATION, metavar="DURATION", help="take it away again after this")
@click.option("--keep", is_flag=True, help="end a trial: the guard stays")
@common
def guard(paths: Paths, on_trial: int | None, keep: bool) -> None:
    """Load the guard: every door is shut to whoever is not admitted. Sessions under way go on."""
    root_only("portress guard")
    if keep:
        if on_trial is not None:
            raise click.UsageError("--trial and --keep exclude each other")
        _keep(paths)
        return
    here, put_back = origins(), False
    try:
        config = configuration.load(paths.config)
        control.ask(
            paths.socket,
            "guard",
            trial=None if on_trial is None else on_trial / SECOND,
            admit=[str(one) for one in here],
        )
        trial.stop(paths.socket)  # one begun before the daemon; now the daemon has the say
    except control.NoDaemon:
        put_back = _load(paths, config, here, on_trial)
    _tell(config, here, on_trial, put_back)


def _load(paths: Paths, config: Config, here: list[Source], on_trial: int | None) -> bool:
    """Load the guard without a daemon. Whether the end of the trial will put an older one back."""
    holders = keyholding.load(keyholding.locate(paths.config), config.doors)
    ruleset = build(config, Rota(config, holders).trie(step_at(time.time())).opening)
    sources = [Source.of(one.packed, config.widths[one.family != 4]) for one in here]
    admit = [(door.name, source, door.stay) for source in sources for door in config.doors.values()]
    another = trial.under_way(paths.socket)
    before = trial.snapshot(paths.socket) if on_trial is not None else None
    if on_trial is not None:
        trial.start(paths.socket, on_trial / SECOND, before)
    table = Table(own=True)
    try:
        if table.listing() is None:
            flows.adopt(connected(services(config)))
        ended = table.load(ruleset, admit)
    except BaseException:
        if not another:  # or else the new trial undoes what the other one began
            trial.stop(paths.socket)
        raise
    if on_trial is None:
        trial.stop(paths.socket)
    with contextlib.suppress(OSError):
        away_file(paths.socket).unlink()
    for one in ended:
        warn(f"{one.source}'s admission to {one.door} ended: the configuration has no place for it any more")
    return before is not None


def _tell(config: Config, here: list[Source], on_trial: int | None, put_back: bool) -> None:
    for line in config.warnings:
        warn(line)
    for name in absent(config.outside):
        unnamed = ", ".join(sorted(present() - {"lo", *config.outside}))
        also = f"; not named, and not guarded: {unnamed}" if unnamed else ""
        warn(f"outside: there is no {name} now: nothing is guarded by that name until it comes{also}")
    doors = ", ".join(
        f"{door.name} ({' '.join(str(service) for service in door.services)})"
        for door in config.doors.values()
    )
    click.echo(f"The guard is loaded. Shut to whoever is not admitted: {doors}.")
    if here:
        stays = ", ".join(f"{door.name} for {spell(door.stay)}" for door in config.doors.values())
        from_where = " or ".join(str(one) for one in here)
        admitted = f"{here[0]} is" if len(here) == 1 else f"{'both' if len(here) == 2 else 'all'} are"
        click.echo(f"You are connected from {from_where}, so {admitted} admitted: {stays}.")
    else:
        click.echo("You are not connected over SSH, so nobody was admitted on your account.")
    peers = {Source.of(one.peer) for one in connected(services(config))} - set(here)
    others = [str(peer) for peer in sorted(peers, key=lambda peer: (peer.family, peer.packed))]
    if others:
        more = f" and {len(others) - 5} more" if len(others) > 5 else ""
        click.echo(
            f"Connected to guarded ports: {', '.join(others[:5])}{more}. Their sessions go on; to"
            " connect anew they have to knock, or: portress admit SOURCE DOOR"
        )
    if on_trial is not None:
        click.echo(
            f"On trial: in {spell(on_trial)} it is taken away again"
            f"{' and the guard from before put back' if put_back else ''}. Try now, from another terminal,"
            " that you can still get in; then keep it with: portress guard --keep"
        )


def services(config: Config) -> list[Service]:
    """Everything that the doors protect."""
    return [service for door in config.doors.values() for service in door.services]


def _keep(paths: Paths) -> None:
    try:
        kept = control.ask(paths.socket, "keep")["kept"]
    except control.NoDaemon:
        kept = False
    kept = trial.stop(paths.socket) or kept
    if not kept:
        there = Table().listing() is not None
        state = "the guard is loaded and stays" if there else "no guard is loaded: portress guard"
        raise Mistake(f"no trial is under way; {state}")
    click.echo("The guard stays.")
