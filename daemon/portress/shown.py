"""Text for people's eyes: `shown` escapes what could steer a terminal or change what is read.

In: text that came from a file, an argument or the network. Out: the same text, each control, bidirectional or
other unprintable character written as in JSON (ESC is \\u001b). All that a verb prints goes through it,
for `guarded` puts it in front of the standard streams; a screen that colours its text writes past that,
into `bare`, and escapes what it draws itself.
"""

from __future__ import annotations

import contextlib
import struct
import sys
from collections.abc import Iterator
from typing import Any, Final, TextIO, cast

_LINES: Final = "\n\t"  # what text of several lines may hold


def shown(text: object, keep: str = "") -> str:
    """`text` with its unprintable characters (str.isprintable) escaped, but for those in `keep`."""
    plain = str(text)
    if plain.isprintable():
        return plain
    return "".join(one if one.isprintable() or one in keep else _escaped(one) for one in plain)


def _escaped(character: str) -> str:
    """As JSON has it (RFC 8259, section 7): so escaped JSON is still the same JSON."""
    units = struct.iter_unpack(">H", character.encode("utf-16-be", "surrogatepass"))
    return "".join(f"\\u{unit:04x}" for (unit,) in units)


class _Guarded:
    """A text stream that escapes what is written to it. It has no `buffer` that would lead past it."""

    def __init__(self, stream: TextIO) -> None:
        self.bare = stream

    def write(self, text: str) -> int:
        if not isinstance(text, str):
            raise TypeError("a text stream takes text only")
        self.bare.write(shown(text, _LINES))
        return len(text)

    def writelines(self, lines: list[str]) -> None:
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        if name == "buffer":
            raise AttributeError(name)
        return getattr(self.bare, name)


@contextlib.contextmanager
def guarded() -> Iterator[None]:
    """Escape what is written to standard output and standard error meanwhile."""
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = (cast(TextIO, _Guarded(stream)) for stream in before)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before


def bare(stream: TextIO) -> TextIO:
    """The stream itself, for escape sequences of our own."""
    return stream.bare if isinstance(stream, _Guarded) else stream
