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
from portress.narrow import Narrow
from portress.status.live_screen import Screen, cells, change, compose, page
from portress.status.terminal import Terminal
from portress.status.view import View

MOST: Final = 200  # admissions asked for, more than a screen has lines
PAUSE: Final = 1.0  # seconds between two answers, and two drawings
_LATE: Final = 2.5  # seconds without an answer after which that is told
_REDRAW: Final = 0x0C  # Ctrl-L

Ask = Callable[[Narrow, int, int], dict[str, Any]]  # who is meant, how many to skip, how many to tell


class Latest:
    """Asks again and again in a thread. `told` is the last answer, `trouble` why there is no later one."""

    def __init__(self, ask: Callable[[], dict[str, Any]]) -> None:
        self.told: dict[str, Any] | None = None
        self.trouble = ""
        self.first = threading.Event()
        self._ask = ask
        self._since = time.monotonic()
        self._stopped = threading.Event()
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._run, name="asking", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Ask no more; a question under way is not waited for."""
        self._stopped.set()
        self._wake.set()

    def again(self) -> None:
        """Ask at once: something else is wanted."""
        self._wake.set()

    def _run(self) -> None:
        while not self._stopped.is_set():
            begun = time.monotonic()
            self._wake.clear()
            try:
                self.told, self.trouble = self._ask(), ""
            except (Mistake, ValueError, KeyError) as error:  # an answer cut short is no JSON
                self.trouble = str(error)
            self._since = time.monotonic()
            self.first.set()
            self._wake.wait(max(0.1, PAUSE - (time.monotonic() - begun)))

    def late(self) -> str:
        """That the daemon takes its time, if it does."""
        silence = time.monotonic() - self._since
        return f"No answer for {spell(int(silence) * SECOND)}." if silence > _LATE else ""


def watch(ask: Ask, wanted: Narrow) -> None:
    """Show what `ask` answers of those `wanted` until q is pressed. Raises Mistake if there is no terminal to
    show it on."""
    view = View(wanted)
    answers = Latest(lambda: _asked(ask, view, answers.told))
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
                screen = cells(compose(answers.told, _trouble(answers), now, size), size, view.line)
                terminal.write(change(shown, screen, colours))
                shown = screen
                keys = terminal.keys(PAUSE - now % PAUSE)
                if keys is None:
                    return
                _take(view, keys, answers, size)
                if view.left:
                    return
                terminal.changed = terminal.changed or _REDRAW in keys
        except KeyboardInterrupt:
            return
        finally:
            answers.stop()


def _asked(ask: Ask, view: View, before: dict[str, Any] | None) -> dict[str, Any]:
    """What is to be shown; it says what it skipped."""
    narrow, skip = view.narrow([one["name"] for one in before["doors"]] if before else []), view.skip
    return {**ask(narrow, skip, MOST), "skipped": skip}


def _take(view: View, keys: bytes, answers: Latest, size: tuple[int, int]) -> None:
    """Have the keys act, and ask at once where that needs another answer."""
    if not keys:
        return
    before = (view.skip, view.filter)
    told = answers.told
    total = told["totals"]["admissions"] if told else 0
    view.press(keys, page(told, size), total)
    if before != (view.skip, view.filter):
        answers.again()


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
