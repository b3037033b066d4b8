"""libnftables, by one thread at a time: it keeps state beside its contexts, and threads that use it at once
end in corrupted memory.
"""

from __future__ import annotations

import re
import threading
from typing import Any, Final

import nftables

_ONE_AT_A_TIME: Final = threading.RLock()
_PLACE: Final = re.compile(r"^(\S+:\d+:\d+-\d+: )?(Error: )?")  # where in the text that was run


def in_a_line(error: str) -> str:
    """A complaint of nft or the kernel in one line."""
    told = [_PLACE.sub("", line) for line in error.splitlines()]
    first = next((line for line in told if line.strip(" ^~")), "libnftables gave no reason")
    if "Operation not permitted" in first:
        return "not permitted to change the guard: run it as root, or through the daemon"
    return f"the guard cannot be changed: {first}"


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

    def bare(self, name: str) -> str | None:
        """The text of a table of family inet without the elements of its sets; None if there is none.

        Not by `list table`, nor are tables found by `list tables`: nft 1.0.6 reads every element first for
        either, and again from the beginning whenever anything has changed meanwhile.
        """
        before = self.set_terse_output(True)
        code, output, _ = self.cmd("list ruleset inet")
        self.set_terse_output(before)
        found = re.search(
            rf"^table inet {re.escape(name)} \{{.*?^\}}\n", output or "", re.MULTILINE | re.DOTALL
        )
        return found[0] if code == 0 and found else None
