"""`portress check`: is the configuration right? Every mistake at once, each with its line."""

from __future__ import annotations

import os
import time
from typing import Final

import click

from portress.commands.common import as_json, common, print_json, warn
from portress.config import load as configuration
from portress.config.model import Door, Fleet
from portress.durations import counted, spell
from portress.errors import Mistake
from portress.fleet.packages import need
from portress.keyholders import file as keyholding
from portress.paths import CONFIG, Paths
from portress.prose import say

_ALONE: Final = ", for one connection"


@click.command()
@as_json
@common
def check(paths: Paths, as_json: bool) -> None:
    """Check a configuration and its keyholders, and explain what they mean."""
    config = configuration.load(paths.config, here=True)
    where = keyholding.locate(paths.config)
    holders = keyholding.load(where, config.doors)
    warnings, notes = list(config.warnings), list[str]()
    if config.fleet is not None:
        warnings += _of_fleet(config.fleet)  # its keyholders are in its store
    else:
        # Under another name it is a draft or an example, for which nobody can have been enrolled yet.
        said = warnings if paths.config.name == CONFIG.name or os.path.lexists(where) else notes
        said += keyholding.without_hope(config, holders, time.time())
    if as_json:
        doors = {name: [str(service) for service in door.services] for name, door in config.doors.items()}
        exempt = ["lo", *config.inside]
        told = {"doors": doors, "inside": exempt, "keyholders": len(holders)}
        print_json({**told, "warnings": warnings, "notes": notes})
        return
    for line in warnings:
        warn(line)
    for line in notes:
        say(f"portress: next: {line}", err=True)
    for door in config.doors.values():
        say(_explained(door))
    say(f"not guarded: {', '.join(('lo', *config.inside))}; every other interface is")
    if holders:
        say(f"{where}: {counted(len(holders), 'keyholder')}")
    say(f"{paths.config}: no errors")


def _explained(door: Door) -> str:
    """What a door is, in a line."""
    openers = []
    if door.fixed is not None:
        alone = _ALONE if door.fixed_admits == "connection" else ""
        openers.append(f"{len(door.fixed.knocks)} fixed knocks, at most {spell(door.fixed.gap)} apart{alone}")
    if door.rotating is not None:
        one, alone = door.rotating, _ALONE if door.rotating.admits == "connection" else ""
        openers.append(f"{one.length} rotating knocks, at most {spell(one.gap)} apart{alone}")
    if door.authenticator is not None:
        openers.append(f"an authenticator's code, at most {spell(door.authenticator.gap)} a knock")
    if door.paper is not None:
        openers.append(f"paper ({door.paper.length} knocks, at most {spell(door.paper.gap)} apart)")
    after = "sessions outlive the stay" if door.linger else "sessions end with the stay"
    services = ", ".join(str(service) for service in door.services)
    told = f"{door.name}: {services}; opened by {' or '.join(openers)}; for {spell(door.stay)}, {after}"
    if door.hours:
        ends = ", admissions end at closing" if door.at_closing == "end" else ""
        told += f"; open {' and '.join(map(str, door.hours))}{ends}"
    if door.places is not None:
        told += f"; {counted(door.places, 'place')} for each keyholder"
    if door.leaving or door.leaving_fixed is not None:
        told += "; keyholders can leave" if door.leaving else "; left by a fixed sequence"
    return told


def _of_fleet(fleet: Fleet) -> list[str]:
    """The warnings about the files of a fleet. Raises Mistake with all that is wrong with them."""
    need()
    from portress.fleet import files

    now = time.time()
    if wrong := [*files.mistakes(fleet, now)]:
        raise Mistake(*wrong)
    return [*files.warnings(fleet, now)]
