"""A program on a terminal of so many columns: what it prints there, escape sequences and all."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import re
import struct
import termios
from collections.abc import Sequence

from lab.space import Namespace

_ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
_ERASED = re.compile(r"[^\n]*?\r\x1b\[2K")  # a line that says what takes time, and is taken away again


def size(terminal: int, columns: int, lines: int = 40) -> None:
    """Set a terminal's size (TIOCSWINSZ, tty_ioctl(4))."""
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))


def on_terminal(
    ns: Namespace, command: Sequence[str], columns: int = 80, lines: int = 40
) -> tuple[str, int | None]:
    """Run it to its end with a terminal for all three streams; what it printed, as it did, and its exit
    status."""
    ours, theirs = pty.openpty()
    size(theirs, columns, lines)
    clean = ["env", "-u", "NO_COLOR", "-u", "COLUMNS", "-u", "LINES", "TERM=xterm-256color"]
    process = ns.popen([*clean, *command], stdin=theirs, stdout=theirs, stderr=theirs)
    os.close(theirs)
    printed = b""
    with contextlib.suppress(OSError):  # EIO once nobody has the terminal open any more
        while part := os.read(ours, 65536):
            printed += part
    os.close(ours)
    process.wait(30)
    return printed.decode(), process.returncode


def left(printed: str) -> list[str]:
    """The lines that stay on the terminal, without colours."""
    return _ESCAPES.sub("", _ERASED.sub("", printed.replace("\r\n", "\n"))).split("\n")
