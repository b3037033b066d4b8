"""What is in force in a running daemon: configuration, keyholders, tracker. They stand here and nowhere else.

Whoever needs one of them holds the `InForce` and looks there each time; a reload changes them in one place.
"""

from __future__ import annotations

from attrs import define

from portress.config.model import Config
from portress.knock import Source
from portress.sequence.in_force import Rota
from portress.tracker import Tracker


@define(eq=False)
class InForce:
    """The configuration, the sequences of it and its keyholders, and who is part-way through one."""

    config: Config
    rota: Rota
    tracker: Tracker

    def source(self, packed: bytes) -> Source:
        """The source that an address's bytes, as a watcher tells them, stand for."""
        return Source.of(packed, self.config.width(4 if len(packed) == 4 else 6))
