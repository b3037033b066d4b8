"""Sentences for people: on a terminal broken at spaces to fit its width, in a pipe a line each.

In: lines of text. Out: standard output or standard error. Command lines that are to be copied do not belong
here: they stay whole.
"""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from typing import TextIO

from portress.shown import shown


def say(text: str = "", *, err: bool = False) -> None:
    """Print the lines of `text`, unprintable characters escaped."""
    stream = sys.stderr if err else sys.stdout
    print(fitted(shown(text, "\n"), columns(stream)), file=stream, flush=True)


def columns(stream: TextIO) -> int | None:
    """How many columns a line may take; None: any number, for the stream is no terminal."""
    if not stream.isatty():
        return None
    try:
        width = os.get_terminal_size(stream.fileno()).columns
    except OSError:
        width = 0
    return width or shutil.get_terminal_size().columns


def fitted(text: str, width: int | None) -> str:
    """Each line broken at spaces, never within a word; what follows is indented two columns more."""
    if width is None:
        return text
    return "\n".join(part for line in text.split("\n") for part in _broken(line, width))


def _broken(line: str, width: int) -> list[str]:
    indent = line[: len(line) - len(line.lstrip())]
    return textwrap.wrap(
        line,
        max(width, len(indent) + 20),
        subsequent_indent=f"{indent}  ",
        break_long_words=False,
        break_on_hyphens=False,
    ) or [""]
