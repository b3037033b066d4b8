"""Fixed sequences: what the configuration itself expects, from nobody in particular. Pure."""

from __future__ import annotations

from portress.config.model import Config
from portress.knock import Expected


def expected(config: Config) -> list[Expected]:
    """The fixed sequences of every door that has any: the one that opens it, and the one that leaves it."""
    opening = [
        Expected(door.fixed, door.name, one_connection=door.fixed_admits == "connection")
        for door in config.doors.values()
        if door.fixed is not None
    ]
    doors = config.doors.values()
    return opening + [
        Expected(one.leaving_fixed, one.name, leaves=True) for one in doors if one.leaving_fixed
    ]
