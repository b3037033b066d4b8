"""What keyholders' secrets make the doors expect: (keyholders, configuration, time step) -> Expected. Pure.

A thousand keyholders at three doors take some tens of milliseconds: not for the hot path.
"""

from __future__ import annotations

from collections.abc import Iterable

from portress.clock import STEP
from portress.config.model import Config, Door
from portress.keyholders.keyholder import Keyholder
from portress.knock import TIMELESS, Expected, Sequence
from portress.sequence import authenticator, paper, rotating


def expected(keyholders: Iterable[Keyholder], config: Config, step: int) -> list[Expected]:
    """The sequence of time step `step` for every keyholder and each of their doors, and the one that leaves.

    A keyholder whose `until` is not after the step's beginning has none, nor has a door that is gone or has
    not the keyholder's style.
    """
    found = []
    for keyholder in keyholders:
        if keyholder.until is not None and step * STEP >= keyholder.until:
            continue
        for name in keyholder.doors:
            door = config.doors.get(name)
            sequence = door and _sequence(keyholder, door, step, config.site)
            if door and sequence:
                claim, alone = keyholder.claim(name), _one_connection(keyholder, door)
                found.append(Expected(sequence, name, keyholder.name, step, claim, one_connection=alone))
            if door and door.leaving and door.rotating is not None and keyholder.style == "derived":
                sequence = rotating.leaving(keyholder.secret, name, door.rotating, step, config.site)
                claim = keyholder.leaving_claim(name)
                found.append(Expected(sequence, name, keyholder.name, step, claim, leaves=True))
    return found


def _one_connection(keyholder: Keyholder, door: Door) -> bool:
    """Codes are dialled with any program, and admit the whole source."""
    derived = door.rotating if keyholder.style == "derived" else None
    return derived is not None and derived.admits == "connection"


def on_paper(keyholders: Iterable[Keyholder], config: Config, era: str | None) -> list[Expected]:
    """The sequences that keyholders have on paper of that era (None: of any), used or not."""
    found = []
    for keyholder in keyholders:
        for name, sheet in keyholder.paper.items():
            door = config.doors.get(name)
            if (
                door is None
                or door.paper is None
                or name not in keyholder.doors
                or era not in (None, sheet.era)
            ):
                continue
            for place, number in enumerate(sheet.numbers, 1):
                sequence = paper.derive(keyholder.secret, name, door.paper, number, config.site)
                claim = keyholder.paper_claim(name, number)
                where = (place, sheet.count)
                found.append(Expected(sequence, name, keyholder.name, TIMELESS, claim, where))
    return found


def _sequence(keyholder: Keyholder, door: Door, step: int, site: str) -> Sequence | None:
    if keyholder.style == "derived":
        if door.rotating is not None:
            return rotating.derive(keyholder.secret, door.name, door.rotating, step, site)
    elif door.authenticator is not None:
        return authenticator.derive(keyholder.secret, door.authenticator, step)
    return None
