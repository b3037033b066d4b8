"""Where a daemon, and the verbs that speak to it, find their things."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from attrs import frozen

from portress.ledger import witness

CONFIG: Final = Path("/etc/portress/portress.yaml")  # where it is unless --config names another one


@frozen
class Paths:
    """The configuration, the control socket and the state directory."""

    config: Path
    socket: Path
    state: Path

    @property
    def witnesses(self) -> tuple[Path, ...]:
        """The directories of the witnesses of paper, the first for every reader."""
        return witness.places(self.state, os.environ.get("CACHE_DIRECTORY", ""))

    @property
    def ledger(self) -> Path:
        return self.state / "ledger.db"
