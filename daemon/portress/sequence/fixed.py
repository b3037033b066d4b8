"""Fixed sequences: what the configuration itself expects, from nobody in particular. Pure."""

from __future__ import annotations

from portress.config.model import Config
from portress.knock import Expected


def expected(config: Config) -> list[Expected]:
    """The fixed sequence of every door that has one."""
    return [
        Expected(door.fixed, door.name, one_connection=door.fixed_admits == "connection")
        for door in config.doors.values()
        if door.fixed is not None
    ]
