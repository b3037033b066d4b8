"""What the daemon has to say to the other gateways of a fleet, and to ask of them. `Alone`: there are none.
`Apart`: there are some, but this gateway cannot join them, as its secret or its memory cannot be read.

The doorkeeper says who came in and who was sent away; whoever opens a door by a sequence that works once asks
whether it was used elsewhere. What they make of it is for `fleet/gate.py`.
"""

from __future__ import annotations

from typing import Any, Literal, Protocol

from portress.admissions import Admission, Ending
from portress.config.model import Fleet
from portress.knock import Expected, Source

Claimed = Literal["new", "used", "nowhere", "away"]  # what became of a sequence on paper


class Fellows(Protocol):
    """The other gateways."""

    def admitted(self, admission: Admission, until: float, step: int | None) -> None:
        """Somebody was let in here until a moment (unix seconds), by a sequence of that time step."""

    def ended(self, admission: Admission, how: Ending) -> None:
        """An admission has ended here."""

    async def first(self, opening: Expected, source: Source) -> bool:
        """Where the door waits for that: whether the sequence is used here first. Where it does not: True."""

    async def on_paper(self, opening: Expected, source: Source) -> Claimed:
        """Claim a sequence on paper, which opens nothing before that: `new`, `used` elsewhere before, or
        `away`: the store cannot be asked."""

    async def used(self, opening: Expected, source: Source) -> None:
        """A sequence that works once was used here, and the door is open."""

    def state(self) -> dict[str, Any] | None:
        """How the fleet is, for status and metrics; None where there is none."""


class Alone:
    """No other gateways."""

    def admitted(self, admission: Admission, until: float, step: int | None) -> None:
        """Nobody wants to know."""

    def ended(self, admission: Admission, how: Ending) -> None:
        """Nobody wants to know."""

    async def first(self, opening: Expected, source: Source) -> bool:
        """Nobody else could have used it."""
        return True

    async def on_paper(self, opening: Expected, source: Source) -> Claimed:
        """Nobody else could have used it."""
        return "new"

    async def used(self, opening: Expected, source: Source) -> None:
        """Nobody wants to know."""

    def state(self) -> dict[str, Any] | None:
        """There is none."""
        return None


class Apart(Alone):
    """Other gateways that cannot be asked: sequences that work once do what `alone` says."""

    def __init__(self, fleet: Fleet, why: str) -> None:
        self._fleet = fleet
        self._why = why

    async def first(self, opening: Expected, source: Source) -> bool:
        """Nobody can tell."""
        return self._fleet.alone == "local"

    async def on_paper(self, opening: Expected, source: Source) -> Claimed:
        """Nobody can tell."""
        return "away"

    def state(self) -> dict[str, Any] | None:
        """As of a fleet whose store is away."""
        names = ("revision", "lag", "queue", "clock_ahead", "claims", "conflicts", "errors", "refused")
        who = {"name": self._fleet.name, "gateway": self._fleet.gateway, "gateways": []}
        return {**who, "away": True, "trouble": self._why, **dict.fromkeys(names, 0)}
