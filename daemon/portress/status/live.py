"""Keeps the live screen of `portress status --watch` up to date, once a second, until somebody leaves.

The daemon is asked in a thread of its own: one that hangs, or is being restarted, holds up neither the keys
nor the clock.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from typing import Any, Final

from rich.color import ColorSystem
from rich.console import Console

from portress.durations import spell
from portress.errors import Mistake
from portress.knock import SECOND
from portress.status.live_screen import Screen, cells, change, compose
from portress.status.terminal import Terminal

PAUSE: Final = 1.0  # seconds between two answers, and two drawings
_LATE: Final = 2.5  # seconds without an answer after which that is told
_LEAVE: Final = frozenset(b"qQ\x03\x04")  # q, Ctrl-C and Ctrl-D
_REDRAW: Final = 0x0C  # Ctrl-L

Ask = Callable[[], dict[str, Any]]


class Latest:
    """Asks again and again in a thread. `told` is the last answer, `trouble` why there is no later one."""

    def __init__(self, ask: Ask) -> None:
        self.told: dict[str, Any] | None = None
        self.trouble = ""
        self.first = threading.Event()
        self._ask = ask
        self._since = time.monotonic()
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name="asking", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Ask no more; a question under way is not waited for."""
        self._stopped.set()

    def _run(self) -> None:
        while not self._stopped.is_set():
            begun = time.monotonic()
            try:
                self.told, self.trouble = self._ask(), ""
            except (Mistake, ValueError, KeyError) as error:  # an answer cut short is no JSON
                self.trouble = str(error)
            self._since = time.monotonic()
            self.first.set()
            self._stopped.wait(max(0.1, PAUSE - (time.monotonic() - begun)))

    def late(self) -> str:
        """That the daemon takes its time, if it does."""
        silence = time.monotonic() - self._since
        return f"No answer for {spell(int(silence) * SECOND)}." if silence > _LATE else ""


def watch(ask: Ask) -> None:
    """Show what `ask` answers until q is pressed. Raises Mistake if there is no terminal to show it on."""
    answers = Latest(ask)
    colours = _colours()
    shown: Screen | None = None
    with Terminal() as terminal:
        answers.start()
        answers.first.wait(PAUSE)
        try:
            while True:
                if terminal.changed:
                    terminal.changed, shown = False, None
                size, now = terminal.size, time.time()
                screen = cells(compose(answers.told, _trouble(answers), now, size), size)
                terminal.write(change(shown, screen, colours))
                shown = screen
                keys = terminal.keys(PAUSE - now % PAUSE)
                if keys is None or _LEAVE & set(keys):
                    return
                terminal.changed = terminal.changed or _REDRAW in keys
        except KeyboardInterrupt:
            return
        finally:
            answers.stop()


def _trouble(answers: Latest) -> str:
    both = [answers.trouble, answers.late()]
    if answers.told is not None and any(both):
        both.append("Last known state:")
    return " ".join(one for one in both if one)


def _colours() -> ColorSystem | None:
    """What the terminal can show, by its name and the user's wish (no-color.org)."""
    name = None if os.environ.get("NO_COLOR") else Console().color_system
    return None if name is None else _SYSTEMS[name]


_SYSTEMS: Final = {
    "standard": ColorSystem.STANDARD,
    "256": ColorSystem.EIGHT_BIT,
    "truecolor": ColorSystem.TRUECOLOR,
    "windows": ColorSystem.WINDOWS,
}
