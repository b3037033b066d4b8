"""`portress guard`: shut the doors, without locking oneself out.

Run over SSH it first admits the address it was run from. `--trial` takes the guard away again unless
`portress guard --keep` follows in time; a guard of another configuration that was there before is put back.
"""

from __future__ import annotations

import time

import click

from portress import control, lock, units
from portress.admissions import everywhere
from portress.clock import step_at
from portress.commands.common import DURATION, common, no_daemon, root_only, warn, working
from portress.config import load as configuration
from portress.config.model import Config
from portress.doctor.probe.closed_ports import known
from portress.durations import spell
from portress.errors import Mistake
from portress.guard import flows, sessions
from portress.guard.able import settled
from portress.guard.continuing import Session
from portress.guard.ruleset import admission_set, build
from portress.guard.table import Table
from portress.keyholders import file as keyholding
from portress.knock import SECOND, TCP, Service, Source
from portress.paths import Paths
from portress.prose import say
from portress.run import include_file, meanwhile, root_part, trial
from portress.run.away import Away
from portress.run.interfaces import absent, present
from portress.sequence.in_force import SequencesInForce
from portress.session import connected, origins


@click.command()
@click.option(
    "--trial", "on_trial", type=DURATION, metavar="DURATION", help="remove it again after this time"
)
@click.option("--keep", is_flag=True, help="end a trial: the guard stays")
@click.option("--service", type=click.Choice(["load", "reload"]), hidden=True)  # root's part of the units
@common
def guard(paths: Paths, on_trial: int | None, keep: bool, service: str | None) -> None:
    """Load the guard: every door is closed to everyone not admitted. Established sessions continue."""
    root_only("portress guard")
    if service is not None:
        for line in root_part.load(paths) if service == "load" else root_part.reload(paths):
            click.echo(line)
        return
    if keep:
        if on_trial is not None:
            raise click.UsageError("--trial and --keep exclude each other")
        _keep(paths)
        return
    here = origins()
    config = settled(configuration.load(paths.config, here=True))
    before = None
    if on_trial is not None:
        with working("reading the guard that is loaded now, and who is admitted"):
            before = trial.snapshot(paths.socket)
    with working("loading the guard, with every admission"):
        try:
            put_back, by_daemon = _ask(paths, here, on_trial, before), True
        except control.NoDaemon:
            put_back, by_daemon = _load(paths, config, here, on_trial, before), False
    flows.keep_times()
    if on_trial is None:
        meanwhile.note(paths)
    if on_trial is None and (trouble := include_file.write(paths.socket, config)):
        warn(trouble)
    _tell(paths, config, here, on_trial, put_back, by_daemon)


def _ask(paths: Paths, here: list[Source], on_trial: int | None, before: trial.Snapshot | None) -> bool:
    """Have the daemon load the guard. Whether the end of the trial will put an older one back."""
    seconds, number = None if on_trial is None else on_trial / SECOND, trial.new_number()
    away = Away(paths.socket)
    was_away = away.noted()
    away.clear()  # the daemon cannot remove root's note
    try:
        answer = control.ask(
            paths.socket,
            "guard",
            config=str(paths.config.resolve()),
            trial=seconds,
            number=number,
            admit=[str(one) for one in here],
            provisional=trial.under_way(paths.socket),
        )
    except Mistake:
        if was_away:
            away.note()
        raise
    goes_back = bool(answer.get("goes_back"))  # an older daemon may still run
    if seconds is None:
        trial.stop(paths.socket)  # one begun before the daemon; now the daemon has the say
    else:
        try:
            trial.start(paths.socket, seconds, before if goes_back else None, number)
        except Mistake as mistake:
            warn(f"{mistake}: should the daemon end before the trial does, the guard stays")
    return goes_back


def _load(
    paths: Paths, config: Config, here: list[Source], on_trial: int | None, before: trial.Snapshot | None
) -> bool:
    """Load the guard without a daemon. Whether the end of the trial will put an older one back."""
    no_daemon(paths)
    holders = keyholding.load(keyholding.locate(paths.config), config.doors)
    opening = SequencesInForce(config, holders).trie(step_at(time.time())).opening
    admit = [grant for one in here for grant in everywhere(config, config.source(one.packed))]
    another = trial.under_way(paths.socket)
    if on_trial is not None:
        trial.start(paths.socket, on_trial / SECOND, before)
    table = Table(own=True)
    try:
        if table.listing() is None:
            flows.adopt(connected(services(config)))
        # Asked for not before the trial has begun, whose process must not inherit what looking opens.
        ended = table.load(build(config, opening, answers=known(config), now=time.time()), admit)
    except BaseException:
        if not another:  # or else the new trial undoes what the other one began
            trial.stop(paths.socket)
        raise
    if on_trial is None:
        trial.stop(paths.socket)
    Away(paths.socket).clear()
    for one in ended:
        warn(f"{one.source}'s admission to {one.door} ended: the configuration has no place for it any more")
    return before is not None


def _without_hope(paths: Paths, config: Config) -> list[str]:
    """The doors that nobody can open; nothing where the keyholders cannot be read, which is told
    elsewhere."""
    try:
        holders = keyholding.load(keyholding.locate(paths.config), config.doors)
    except Mistake:
        return []
    return keyholding.without_hope(config, holders, time.time())


def _tell(
    paths: Paths, config: Config, here: list[Source], on_trial: int | None, put_back: bool, by_daemon: bool
) -> None:
    for line in (*config.warnings, *_absent(config), *_without_hope(paths, config)):
        warn(line)
    doors = ", ".join(
        f"{door.name} ({' '.join(str(service) for service in door.services)})"
        for door in config.doors.values()
    )
    say(f"The guard is loaded. Closed to everyone not admitted: {doors}.")
    if here:
        stays = ", ".join(
            f"{door.name} for {spell(door.stay)}{'' if door.linger else ', then cut'}"
            for door in config.doors.values()
        )
        from_where = " or ".join(str(one) for one in here)
        admitted = f"{here[0]} is" if len(here) == 1 else f"{'both' if len(here) == 2 else 'all'} are"
        say(f"You are connected from {from_where}, so {admitted} admitted: {stays}.")
    else:
        say("You are not connected over SSH, so no address was admitted for you.")
    _tell_others(config)
    if not by_daemon:
        say("No daemon runs, so no knock opens a door yet: systemctl start portress (or: portress run)")
    if on_trial is not None:
        say(
            f"On trial: it is removed in {spell(on_trial)}"
            f"{', and the guard from before restored' if put_back else ''}. Check now, from another terminal,"
            " that you can still get in; then keep it with: portress guard --keep"
        )
        if here:
            say(
                f"A login from {here[0]} proves nothing, as it is admitted already. Knock from there, and"
                f" `portress why {here[0]}` shows whether the knocks were right; or try from another network."
            )


def _tell_others(config: Config) -> None:
    """Who else is connected to guarded ports without being admitted, and what becomes of their sessions."""
    others = [
        (door, one)
        for door in config.doors.values()
        for one in connected(door.services)
        if not config.lets_in(Source.of(one.peer))
    ]
    if not others:
        return
    table = Table()
    continuing = set(sessions.held())
    going_on: set[Source] = set()
    cut_off: set[Source] = set()
    for door, one in others:
        source = config.source(one.peer)
        if table.find(admission_set(door.name, source), source.key) is None:
            session = Session(TCP, one.peer, one.peer_port, one.local, one.local_port)
            stays = door.linger or session in continuing
            (going_on if stays else cut_off).add(Source.of(one.peer))
    if going_on:
        say(
            f"Connected to guarded ports: {_named(going_on)}. Their sessions continue; to"
            " reconnect they must knock, or: portress admit SOURCE DOOR"
        )
    if cut_off:
        warn(
            f"cut off, for their door has linger: false and they are not admitted: {_named(cut_off)};"
            " to let them in: portress admit SOURCE DOOR"
        )


def _named(sources: set[Source]) -> str:
    """The first few of them."""
    names = [str(one) for one in sorted(sources, key=lambda one: (one.family, one.packed))]
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")


def _absent(config: Config) -> list[str]:
    """Interfaces that are named and are not there: perhaps the name is wrong."""
    others = ", ".join(sorted(present() - {"lo", *config.inside}))
    also = f"; guarded are {others}" if others else ""
    return [
        f"inside: there is no interface {name} now; one that comes under that name is not guarded{also}"
        for name in absent(config.inside)
    ]


def services(config: Config) -> list[Service]:
    """Everything that the doors protect."""
    return [service for door in config.doors.values() for service in door.services]


def _keep(paths: Paths) -> None:
    try:
        answer = control.ask(paths.socket, "keep")
    except control.NoDaemon:
        answer = {"kept": False}
    if not answer["kept"] and trial.is_over(paths.socket, answer.get("over")):
        raise Mistake("the trial is over, the guard was not kept; to close the doors again: portress guard")
    if not trial.stop(paths.socket) and not answer["kept"]:
        there = Table().listing() is not None
        state = "the guard is loaded and stays" if there else "no guard is loaded: portress guard"
        raise Mistake(f"no trial is running; {state}")
    config = configuration.load(paths.config)
    meanwhile.note(paths)
    if trouble := include_file.write(paths.socket, config):
        warn(trouble)
    say(f"The guard stays. {_holding(config)}")
    for line in _missing(paths):
        say(line)


def _holding(config: Config) -> str:
    """Which doors are shut."""
    doors = (f"{door.name} ({' '.join(map(str, door.services))})" for door in config.doors.values())
    return f"Closed to everyone not admitted: {', '.join(doors)}."


def _missing(paths: Paths) -> list[str]:
    """What is still missing for doors that open to knocks, and stay shut after a reboot."""
    told = []
    if not lock.held():
        told.append(
            "No daemon runs, so no knock opens a door yet: systemctl start portress (or: portress run)"
        )
    if units.enabled(units.GUARD) is False:
        told.append(f"After a reboot the doors would be open: {units.ENABLE}")
    elif units.enabled(units.DAEMON) is False:
        told.append(f"After a reboot the doors would be closed, and no knock would open them: {units.ENABLE}")
    if not told and units.enabled(units.GUARD):
        told.append("The daemon is running, and both start at boot: nothing is missing.")
    return told
