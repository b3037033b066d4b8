"""The guard's part of opening hours: when doors are open, as sets of ranges of absolute time. Pure.

In: the configuration and the present (unix seconds). Out: a set for each door with hours, which holds the two
weeks to come, and the rule that asks it. The daemon renews it; once it has run out, the door is closed.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from portress import hours
from portress.config.model import Config, Door
from portress.guard.language import FAMILY, TABLE, Set

_BEFORE: Final = 3600  # s before the present from which ranges are told: a clock may be set back a little


def name(door: str) -> str:
    """The set of the times at which the door is open."""
    return f"hours_{door}"


def open_at(config: Config, now: float | None) -> dict[str, tuple[str, ...]]:
    """The ranges (unix seconds) of each door's set, by its name; `now` None: none are known."""
    if config.decide == "daemon":
        return {}
    return {
        name(door.name): ()
        if now is None
        else tuple(
            f"{begin}-{end}" for begin, end in hours.ranges(door.hours, now - _BEFORE, now + hours.AHEAD)
        )
        for door in config.doors.values()
        if door.hours
    }


def sets(config: Config, now: float | None) -> Iterable[Set]:
    """The sets, as the guard is loaded with them."""
    for one, ranges in open_at(config, now).items():
        yield Set(one, ("typeof meta time", "flags interval"), elements=ranges, steady=False)


def renewal(ranges: dict[str, tuple[str, ...]]) -> str:
    """What makes the sets hold these, in one transaction."""
    lines = []
    for one, listed in ranges.items():
        lines.append(f"flush set {FAMILY} {TABLE} {one}")
        if listed:
            lines.append(f"add element {FAMILY} {TABLE} {one} {{ {', '.join(listed)} }}")
    return "\n".join(lines)


def asked(door: Door) -> list[str]:
    """The rule in front of those that admit to the door."""
    return [f"meta time != @{name(door.name)} goto closed_{door.name}"] if door.hours else []


def closed(door: Door, report: str) -> dict[str, list[str]]:
    """Where a completed sequence goes when the door is closed."""
    return {f"closed_{door.name}": [report]} if door.hours else {}
