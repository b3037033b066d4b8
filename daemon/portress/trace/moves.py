"""Whose place is taken: the newest admission of a keyholder ends the oldest beyond a door's `places`.

In: what sources completed, one after the other. Out: the places that are left for it. Each keyholder has no
more than `places` of them at a door, so memory is bounded.
"""

from __future__ import annotations

from collections.abc import Hashable

from attrs import frozen

from portress.config.model import Config
from portress.verdict import Completed, Left


@frozen
class Vacated:
    """Where a keyholder was admitted, and is no more."""

    door: str
    keyholder: str
    source: bytes


class Moves:
    """The places of every keyholder at the doors that limit them, those admitted last at the end."""

    def __init__(self, config: Config) -> None:
        self._most = {name: door.places for name, door in config.doors.items() if door.places is not None}
        self._held: dict[tuple[str, str], dict[bytes, None]] = {}

    def follow(self, source: bytes, verdict: Hashable) -> list[Vacated]:
        """The places that are left because of what `source` completed."""
        gone: list[Vacated] = []
        if not self._most or not isinstance(verdict, Completed | Left):
            return gone
        for one in verdict.openings:
            if one.keyholder is None or (most := self._most.get(one.door)) is None:
                continue
            held = self._held.setdefault((one.keyholder, one.door), {})
            held.pop(source, None)
            if isinstance(verdict, Completed):
                held[source] = None
            for oldest in list(held)[:-most]:
                del held[oldest]
                gone.append(Vacated(one.door, one.keyholder, oldest))
        return gone
