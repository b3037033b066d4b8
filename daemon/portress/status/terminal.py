"""The terminal as a screen of its own: another page, its size, keys without Enter; afterwards as before."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import termios
import tty
from types import FrameType, TracebackType
from typing import Any, Final, Self

from portress.errors import Mistake

_ENTER: Final = "\x1b[?1049h\x1b[?25l"  # the alternate page; no cursor
_LEAVE: Final = "\x1b[?25h\x1b[?1049l"


class Terminal:
    """Standard input and output as a screen and a keyboard; a context manager.

    `changed` is set when the screen has got another size, or has to be drawn anew.
    """

    def __init__(self) -> None:
        self.changed = True
        self._attributes: list[Any] | None = None
        self._before: dict[int, object] = {}
        self._wake, self._waker = -1, -1

    def __enter__(self) -> Self:
        """Raises Mistake if standard output is no terminal that can be drawn on."""
        if not sys.stdout.isatty() or os.environ.get("TERM", "dumb") == "dumb":
            raise Mistake("a live screen needs a terminal; without one: portress status, or status --json")
        self._wake, self._waker = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        for number, handler in (
            (signal.SIGWINCH, self._resized),
            (signal.SIGTERM, _end),
            (signal.SIGHUP, _end),
        ):
            self._before[number] = signal.signal(number, handler)
        if sys.stdin.isatty():
            self._attributes = termios.tcgetattr(0)
            tty.setcbreak(0)
            mode = termios.tcgetattr(0)
            mode[6][termios.VSUSP] = b"\0"  # stopped in the middle, the page would stay
            termios.tcsetattr(0, termios.TCSANOW, mode)
        self.write(_ENTER)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with contextlib.suppress(OSError):
            self.write(_LEAVE)
        if self._attributes is not None:
            with contextlib.suppress(termios.error):
                termios.tcsetattr(0, termios.TCSADRAIN, self._attributes)
        for number, handler in self._before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]  # what signal.signal gave
        os.close(self._wake)
        os.close(self._waker)

    def _resized(self, _number: int, _frame: FrameType | None) -> None:
        self.changed = True
        with contextlib.suppress(BlockingIOError):
            os.write(self._waker, b"r")

    @property
    def size(self) -> tuple[int, int]:
        """Columns and lines, now."""
        columns, lines = os.get_terminal_size(1)
        return max(columns, 1), max(lines, 2)

    def write(self, text: str) -> None:
        """Send it at once; what the terminal's encoding has not is a question mark."""
        data = text.encode(sys.stdout.encoding or "utf-8", "replace")
        while data:
            data = data[os.write(1, data) :]

    def keys(self, patience: float) -> bytes | None:
        """What was typed within `patience` seconds, or before the size changed. None at the end of input."""
        listening = [self._wake] + ([0] if self._attributes is not None else [])
        ready, _, _ = select.select(listening, [], [], patience)
        if self._wake in ready:
            with contextlib.suppress(BlockingIOError):
                os.read(self._wake, 1024)
        if 0 not in ready:
            return b""
        try:
            return os.read(0, 1024) or None
        except OSError:  # the terminal is gone
            return None


def _end(number: int, _frame: FrameType | None) -> None:
    raise SystemExit(128 + number)
