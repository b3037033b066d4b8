"""What part of the admissions the live screen shows, and what the keys do to it. Pure.

In: keys as a terminal sends them (ECMA-48, xterm's control sequences). Out: which admissions to ask for, and
the line about the keys.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import Final

from attrs import define, evolve

from portress.knock import Source
from portress.narrow import Narrow

KEYS: Final = "q leaves · ↑ ↓ PgUp PgDn Home End scroll · / filters"
_KEY: Final = re.compile(rb"\x1b\[[0-9;]*[A-Za-z~]|\x1bO[A-Za-z]|[\xc0-\xff][\x80-\xbf]+|.", re.DOTALL)
_UP: Final = {b"\x1b[A", b"\x1bOA", b"k"}
_DOWN: Final = {b"\x1b[B", b"\x1bOB", b"j"}
_PAGE_UP, _PAGE_DOWN = {b"\x1b[5~", b"\x02"}, {b"\x1b[6~", b" ", b"\x06"}
_HOME: Final = {b"\x1b[H", b"\x1bOH", b"\x1b[1~", b"g"}
_END: Final = {b"\x1b[F", b"\x1bOF", b"\x1b[4~", b"G"}
_ERASE: Final = {b"\x7f", b"\x08"}
_LEAVE: Final = {b"q", b"Q"}
_ALWAYS_LEAVE: Final = {b"\x03", b"\x04"}  # Ctrl-C, Ctrl-D
_LONGEST: Final = 64  # characters of a filter


@define
class View:
    """`wanted` is what the command line asked for, `skip` how many admissions are above the screen."""

    wanted: Narrow
    skip: int = 0
    filter: str = ""  # in force
    typing: str | None = None  # being typed
    left: bool = False  # somebody pressed q

    def press(self, data: bytes, page: int, total: int) -> None:
        """Take keys; `page` admissions are on the screen, of `total`."""
        for key in _KEY.findall(data):
            if key in _ALWAYS_LEAVE or (self.typing is None and key in _LEAVE):
                self.left = True
            elif self.typing is not None:
                self._type(key)
            elif key == b"/":
                self.typing = self.filter
            elif key == b"\x1b":
                self.filter, self.skip = "", 0
            else:
                self._scroll(key, page, total)

    def _type(self, key: bytes) -> None:
        typed = self.typing or ""
        if key in (b"\r", b"\n"):
            self.filter, self.typing, self.skip = typed.strip(), None, 0
        elif key == b"\x1b":
            self.typing = None
        elif key in _ERASE:
            self.typing = typed[:-1]
        elif (text := key.decode(errors="replace")).isprintable() and len(typed) < _LONGEST:
            self.typing = typed + text

    def _scroll(self, key: bytes, page: int, total: int) -> None:
        step = 0
        for keys, many in ((_UP, -1), (_DOWN, 1), (_PAGE_UP, -page), (_PAGE_DOWN, page), (_HOME, -total)):
            if key in keys:
                step = many
        if key in _END:
            step = total
        self.skip = max(0, min(self.skip + step, total - page))

    def narrow(self, doors: Collection[str]) -> Narrow:
        """What to ask for: a filter is an address or a network, one of the `doors`, or else a keyholder."""
        if not self.filter:
            return self.wanted
        try:
            return evolve(self.wanted, source=Source.parse(self.filter))
        except ValueError:
            if self.filter in doors:
                return evolve(self.wanted, door=self.filter)
            return evolve(self.wanted, keyholder=self.filter)

    @property
    def line(self) -> str:
        """The last line of the screen."""
        if self.typing is not None:
            return f"source, network, door or keyholder: {self.typing}▏ Enter filters · Esc goes back"
        return f"only {self.filter} (Esc: all) · {KEYS}" if self.filter else KEYS
