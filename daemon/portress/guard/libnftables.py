"""libnftables, by one thread at a time: it keeps state beside its contexts, and threads that use it at once
end in corrupted memory.
"""

from __future__ import annotations

import threading
from typing import Any, Final

import nftables

_ONE_AT_A_TIME: Final = threading.RLock()


class Nft(nftables.Nftables):  # type: ignore[misc]
    """A context of libnftables."""

    def __init__(self) -> None:
        with _ONE_AT_A_TIME:
            super().__init__()

    def __del__(self) -> None:
        with _ONE_AT_A_TIME:
            super().__del__()

    def cmd(self, cmdline: str) -> Any:
        """What nft says to a text: code, output, error."""
        with _ONE_AT_A_TIME:
            return super().cmd(cmdline)
