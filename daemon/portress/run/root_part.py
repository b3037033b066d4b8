"""Root's part of the service: what its units do about the guard before, beside and without the daemon.

In: the paths. Out: what is to be told, a line each; a guard in force. It needs no keyholders, no clock and no
network, and whoever is logged in when it first shuts the doors is admitted: nobody locks himself out.
"""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Iterable
from typing import Any

from portress import control
from portress.admissions import everywhere
from portress.config import load as configuration
from portress.config.model import Config
from portress.doctor.probe import closed_ports
from portress.durations import spell
from portress.guard import flows
from portress.guard.able import settled
from portress.guard.ruleset import build
from portress.guard.table import Table
from portress.knock import Source
from portress.logins import Login, logins, tell
from portress.paths import Paths
from portress.run import include_file, meanwhile
from portress.run.asked import MOST_ENDS
from portress.sequence.in_force import SequencesInForce
from portress.session import connected


def load(paths: Paths) -> list[str]:
    """Put the guard in force. Raises Mistake if the configuration cannot be used, or the kernel refuses."""
    config = settled(configuration.load(paths.config))
    table = Table(own=True)
    first = table.listing() is None
    lost = meanwhile.lost(paths) if first else None
    flows.keep_times()
    people = _strangers(logins(), config) if first else []
    sources = sorted({one.source for one in people}, key=str)
    cut: list[str] = []
    try:
        control.ask(
            paths.socket, "guard", config=str(paths.config.resolve()), admit=[str(one) for one in sources]
        )
    except control.NoDaemon:
        _load_alone(table, config, sources, first=first)
        if lost is not None:
            cut = [meanwhile.cut(paths, table, config, lost, sources)]
    meanwhile.note(paths)
    trouble = include_file.write(paths.socket, config)
    doors = ", ".join(f"{door.name} ({' '.join(map(str, door.services))})" for door in config.doors.values())
    told = [f"Guard loaded. Closed to everyone not admitted: {doors}.", *cut]
    if people:
        stays = ", ".join(f"{door.name} for {spell(door.stay)}" for door in config.doors.values())
        told.append(f"Logged in when the doors were closed, therefore admitted to {stays}: {named(people)}.")
    return told if trouble is None else [*told, trouble]


def _load_alone(table: Table, config: Config, sources: Iterable[Source], *, first: bool) -> None:
    """Load the guard with no daemon to ask, with fixed first knocks: the daemon adds those that rotate."""
    admit = [grant for one in sources for grant in everywhere(config, config.source(one.packed))]
    if first:
        with contextlib.suppress(OSError):  # a door stays open for nothing less than a refusal of the kernel
            flows.adopt(connected(service for door in config.doors.values() for service in door.services))
    answers = closed_ports.at_boot(config)
    table.load(
        build(config, SequencesInForce(config).trie(0).opening, answers=answers, now=time.time()), admit
    )


def reload(paths: Paths) -> list[str]:
    """Have the daemon take its files anew, whole or not at all; what logged-in people have to know of it.

    Raises Mistake with what is wrong with them.
    """
    status_before = control.ask(paths.socket, "status", most=0)
    people = logins()
    before = _needed(paths, people)
    control.ask(paths.socket, "reload")
    config = configuration.load(paths.config)
    if status_before["guard"]["trial"] is None and status_before["guard"]["present"]:
        include_file.write(paths.socket, config)
    now = _needed(paths, people)
    newly = [(one, _newly(one, *each)) for one, *each in zip(people, before, now, strict=True)]
    if not any(doors for _, doors in newly):
        return []
    with control.parts(paths.socket, "status") as (status, lines):
        held = {(one["source"], one["door"]) for one in map(json.loads, lines)}
    concerned = [one for one, doors in newly if doors and not _admitted(one, doors, held, config)]
    if not concerned:
        return []
    told = [
        f"{_what(status_before, status)} and not admitted: {named(concerned)}.",
        "These sessions continue, but the next login needs a knock first, or: portress admit SOURCE DOOR",
        "(A change like this can be tried first, and goes back by itself: portress guard --trial 5m)",
    ]
    tell({one.terminal for one in concerned}, "\n".join(["Portress:", *told]))
    return told


def _what(before: Any, now: Any) -> str:
    """What has changed for them: services that had no door, or who needs no admission; and who they are."""
    fresh = _guarded(now) - _guarded(before)
    if fresh:
        return f"{' '.join(sorted(fresh))}: guarded from now on. Logged in through it"
    return "'inside', 'always' or 'to' has changed: more sources need an admission from now on. Logged in"


def _guarded(status: Any) -> set[str]:
    """Which services are guarded, by what the daemon answers."""
    return {text for door in status["doors"] for text in door["services"]}


def _needed(paths: Paths, people: Iterable[Login]) -> list[set[str]]:
    """For each of them the doors of which one has to admit him; none if he needs none."""
    ends = [[str(one.source), *_end(one)] for one in people]
    answers: list[list[str]] = []
    for first in range(0, len(ends), MOST_ENDS):
        part = ends[first : first + MOST_ENDS]
        answers += control.ask(paths.socket, "needed", ends=part)["needed"]
    return [set(one) for one in answers]


def _end(login: Login) -> tuple[str, int]:
    """Address and port here of the session's own connection, the port 0 if it is not known."""
    for address, port in login.ends:
        return str(Source.of(address)), port
    return str(login.source), 0


def _newly(login: Login, before: set[str], now: set[str]) -> set[str]:
    """The doors of which one has to admit him for his next login, and none had to before."""
    if login.ends:
        return set() if before else now
    return now - before


def _admitted(login: Login, doors: set[str], held: set[tuple[str, str]], config: Config) -> bool:
    source = str(config.source(login.source.packed))
    return any((source, door) in held for door in doors)


def _strangers(people: Iterable[Login], config: Config) -> list[Login]:
    """Those that the guard would stop: not from this host itself, not under `always`."""
    return [one for one in people if not config.lets_in(one.source)]


def named(people: Iterable[Login]) -> str:
    """Sources with the users behind them."""
    users: dict[Source, set[str]] = {}
    for one in people:
        users.setdefault(one.source, set()).update({one.user} - {""})
    return ", ".join(
        f"{source}{f' ({chr(44).join(sorted(names))})' if names else ''}" for source, names in users.items()
    )
