"""A program on a terminal of so many columns: what it prints there, escape sequences and all."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from lab.forked import Forked, started
from lab.space import Namespace

PROGRAM: Final = Path(sys.prefix, "bin", "portress")
_TERM: Final = "xterm-256color"
_ASKED_FOR: Final = ("NO_COLOR", "COLUMNS", "LINES")  # not by this terminal
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
    process = _started(ns, command, theirs)
    os.close(theirs)
    printed = b""
    with contextlib.suppress(OSError):  # EIO once nobody has the terminal open any more
        while part := os.read(ours, 65536):
            printed += part
    os.close(ours)
    process.wait(30)
    return printed.decode(), process.returncode


def _started(ns: Namespace, command: Sequence[str], terminal: int) -> subprocess.Popen[str] | Forked:
    if Path(command[0]) != PROGRAM or "LAB_EXEC" in os.environ:
        clean = ["env", *(word for name in _ASKED_FOR for word in ("-u", name)), f"TERM={_TERM}"]
        return ns.popen([*clean, *command], stdin=terminal, stdout=terminal, stderr=terminal)
    environment = {name: value for name, value in os.environ.items() if name not in _ASKED_FOR}
    environment["TERM"] = _TERM
    pid, end = started(ns.path, command[1:], terminal, terminal, terminal, environment=environment)
    return Forked(pid, end, None)


def left(printed: str) -> list[str]:
    """The lines that stay on the terminal, without colours."""
    return _ESCAPES.sub("", _ERASED.sub("", printed.replace("\r\n", "\n"))).split("\n")
