"""As much of a terminal (ECMA-48) as the live screen makes use of: what stands on it after some bytes."""

from __future__ import annotations

import re

from rich.cells import cell_len

_SEQUENCE = re.compile(r"\x1b\[(\??)([0-9;]*)([A-Za-z])")


class Terminal:
    """Cells of (character, look); `look` is the SGR in force. `modes` are the private modes that are set."""

    def __init__(self, columns: int, lines: int) -> None:
        self.columns, self.lines = columns, lines
        self.modes: set[str] = {"25"}
        self.grid = self._blank()
        self._at = (0, 0)
        self._look = ""

    def _blank(self) -> list[list[tuple[str, str]]]:
        return [[(" ", "")] * self.columns for _ in range(self.lines)]

    def feed(self, text: str) -> None:
        """Take what a program sends. Whatever is not known here fails the test that sends it."""
        place = 0
        while place < len(text):
            found = _SEQUENCE.match(text, place)
            if found:
                self._obey(*found.groups())
                place = found.end()
            else:
                assert text[place].isprintable(), repr(text[place:])
                self._put(text[place])
                place += 1

    def _obey(self, private: str, numbers: str, letter: str) -> None:
        if private:
            self.modes = self.modes | {numbers} if letter == "h" else self.modes - {numbers}
        elif letter == "H":
            line, _, column = numbers.partition(";")
            self._at = (int(line or 1) - 1, int(column or 1) - 1)
        elif letter == "m":
            self._look = "" if numbers in ("", "0") else numbers
        elif letter == "K":
            row, start = self._at
            self.grid[row][start:] = [(" ", "")] * (self.columns - start)
        else:
            assert (letter, numbers) == ("J", "2"), (letter, numbers)
            self.grid = self._blank()

    def _put(self, character: str) -> None:
        line, column = self._at
        assert column + cell_len(character) <= self.columns, "beyond the right edge"
        self.grid[line][column] = (character, self._look)
        if cell_len(character) == 2:
            self.grid[line][column + 1] = ("", self._look)
        self._at = (line, column + cell_len(character))

    @property
    def text(self) -> list[str]:
        """The lines, without what is blank at their ends."""
        return ["".join(character for character, _ in line).rstrip() for line in self.grid]
