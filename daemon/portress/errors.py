"""What a user did wrong, in one line: what, where, and what would be right."""

from __future__ import annotations


class Mistake(Exception):
    """An error a user can cause. `str()` is the one line to print; never a traceback.

    `lines` holds every mistake found when there are several (a configuration is read to its end).
    """

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines
