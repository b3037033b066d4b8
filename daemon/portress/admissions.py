"""Admissions: how one is asked for, how long it lasts, how it came about and ended, in words too. Pure.

The kernel lets packets through and ends admissions by itself. Those in force are in `register`.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from attrs import define, field, frozen

from portress import hours
from portress.config.model import Config, Door
from portress.knock import SECOND, Expected, Source


class How(StrEnum):
    """How an admission came about. The values are what the ledger and `--json` have."""

    KNOCK = "knock"
    COMMAND = "command"
    FOUND = "found"  # in the kernel, when the daemon began
    RESTORED = "restored"  # from the ledger
    FLEET = "fleet"  # at another gateway, whose name follows: `fleet edge-2`


def came(how: str) -> tuple[str, str]:
    """How an admission came about, without the other gateway, and that gateway's name; empty: at none."""
    kind, _, gateway = how.partition(" ")
    return kind, gateway


# How an admission came about, for people: in a column, and in a sentence. What is not named is its own name.
IN_A_COLUMN: Final[dict[str, str]] = {
    How.KNOCK: "a knock",
    How.COMMAND: "hand",
    How.FOUND: "found in kernel",
}
IN_A_SENTENCE: Final[dict[str, str]] = {
    How.KNOCK: "by knocking",
    How.COMMAND: "by hand",
    How.FOUND: "found in the kernel when the daemon started",
    How.RESTORED: "restored from the ledger",
}


class Ending(StrEnum):
    """How an admission ended. The values are what the ledger and the events have."""

    EXPIRED = "expired"
    DISMISSED = "dismissed"
    UNENROLLED = "unenrolled"
    DOOR_REMOVED = "door removed"
    PREFIX_CHANGED = "source_prefix changed"
    ELSEWHERE = "dismissed at another gateway"
    USED_ELSEWHERE = "sequence used at another gateway before"
    USED_TWICE = "sequence used at two gateways"
    MOVED = "moved"  # the keyholder was admitted elsewhere, and has no more places
    LEFT = "left"  # by its own holder's leaving sequence
    LEFT_ELSEWHERE = "left at another gateway"
    CLOSED = "closed"  # the door's hours were over
    SUPERSEDED = "superseded"  # by one of another keyholder, for the same source and door

    @property
    def by_hand(self) -> bool:
        """Somebody wanted it to end: its flows are cut, whatever the door says of them."""
        return self in (
            Ending.DISMISSED,
            Ending.UNENROLLED,
            Ending.ELSEWHERE,
            Ending.USED_ELSEWHERE,
            Ending.USED_TWICE,
            Ending.CLOSED,
            Ending.MOVED,
            Ending.LEFT,
            Ending.LEFT_ELSEWHERE,
        )


@frozen
class Grant:
    """An admission asked for, from the verdict to the guard's set: `source` through `door` for `stay` ns from
    now, or for as long as the door says.
    """

    door: str
    source: Source
    stay: int = 0  # 0: as long as the door says, which the doorkeeper fills in
    keyholder: str | None = None
    step: int | None = None
    how: str = How.KNOCK
    paper: str = ""  # which sequence on paper: `paper 3 of 10`
    by: Expected | None = None  # the sequence that was completed
    when: int = 0  # the moment of its last knock (ns, monotonic)

    @classmethod
    def of(cls, opening: Expected, source: Source, when: int) -> Grant:
        """What who completed a sequence at a moment (ns) gets."""
        step = None if opening.paper is not None else opening.step
        return cls(
            opening.door, source, 0, opening.keyholder, step, paper=opening.named, by=opening, when=when
        )


def everywhere(config: Config, source: Source) -> list[Grant]:
    """The source through every door, by command, for the stay of each."""
    return [Grant(door.name, source, door.stay, how=How.COMMAND) for door in config.doors.values()]


def stay_of(door: Door, until: float | None, unix: float) -> int:
    """How long (ns) who completes a sequence of `door` at `unix` (seconds) stays; 0 or less: not at all.

    No stay goes beyond the keyholder's end, `until` (unix seconds; None: there is none), nor beyond the
    door's hours where admissions end with them.
    """
    ends = [] if until is None else [until]
    if door.hours and door.at_closing == "end":
        over = hours.closes(door.hours, unix)
        if over is not None or not hours.is_open(door.hours, unix):
            ends.append(unix if over is None else over)
    return min([door.stay, *(round((end - unix) * SECOND) for end in ends)])


def shuts(config: Config, name: str, unix: float) -> bool:
    """Whether the door's admissions end with its hours, and those are over, or are within a second."""
    door = config.doors.get(name)
    if door is None:
        return False
    return door.at_closing == "end" and bool(door.hours) and not hours.is_open(door.hours, unix + 1)


@define
class Admission:
    """A source let through a door until a moment (ns, monotonic)."""

    door: str
    source: Source
    since: int
    until: int
    keyholder: str | None = None
    how: str = How.KNOCK
    row: int | None = None  # its number in the ledger
    step: int | None = None  # the time step of the sequence that it came by
    last: int = 0  # when it was made or renewed last
    due: int = field(default=0, init=False, eq=False)  # the second in which the register looks at it

    def rest(self, now: int) -> Grant:
        """What is left of it at a moment (ns), to be asked for again."""
        return Grant(self.door, self.source, self.until - now, self.keyholder, self.step, self.how)
