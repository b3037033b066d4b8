"""Where a daemon, and the verbs that speak to it, find their things."""

from __future__ import annotations

from pathlib import Path

from attrs import frozen


@frozen
class Paths:
    """The configuration, the control socket and the state directory."""

    config: Path
    socket: Path
    state: Path

    @property
    def ledger(self) -> Path:
        return self.state / "ledger.db"
