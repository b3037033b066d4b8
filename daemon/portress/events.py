"""What the daemon tells: one line per event that matters, to the journal with fields, or as plain text.

Every kind of event has a name, a stable MESSAGE_ID and a priority. Kinds that strangers can bring about
are limited to so many lines in ten seconds; what was left out is counted and told.
"""

from __future__ import annotations

import atexit
import os
import queue
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any, Final, NamedTuple, TextIO

from portress.knock import SECOND

ERROR, WARNING, NOTICE, INFO, DEBUG = 3, 4, 5, 6, 7  # RFC 5424, 6.2.1


class Kind(NamedTuple):
    """A kind of event: its MESSAGE_ID in the journal, its priority, and if its lines are limited."""

    message_id: str
    priority: int
    limited: bool = False


KINDS: Final[dict[str, Kind]] = {
    "ready": Kind("c4a1e0b86d3f4a0e9a7c51f2d90b6e11", NOTICE),
    "stopped": Kind("5f1d2c8e7b9a4c36b0d4e8f3a1c2759d", NOTICE),
    "reloaded": Kind("0b7e5a93c1d84f2f8e6a4d3b2c1f9087", NOTICE),
    "refused": Kind("92d6b4f0a8c34e719b5d7f1e3a0c6824", ERROR),
    "admitted": Kind("e3b8c9d0f1a24b56a7c8d9e0f1b2a3c4", NOTICE),
    "ended": Kind("7a6b5c4d3e2f41019f8e7d6c5b4a3928", INFO),
    "dismissed": Kind("18c0f7e6d5b44a39a2817069584f3e2d", NOTICE),
    "missed": Kind("d1e2f3a4b5c64d788796a5b4c3d2e1f0", INFO, True),
    "lapsed": Kind("2f4e6d8c0b1a43958c7d6e5f4a3b2c1d", INFO, True),
    "expired": Kind("b9a8c7d6e5f44132a0b1c2d3e4f50617", INFO, True),
    "shunned": Kind("6c5d4e3f2a1b40998d7c6b5a4f3e2d10", WARNING, True),
    "replayed": Kind("f0e1d2c3b4a54698b7c6d5e4f3a2b1c0", WARNING, True),
    "advanced": Kind("3a2b1c0d9e8f47a6b5c4d3e2f1a0b9c8", DEBUG, True),
    "lost": Kind("84736251a0b94c8ebdacf5e6d7c8b9a0", WARNING, True),
    "full": Kind("5e4d3c2b1a0f49e8d7c6b5a4938271f0", WARNING, True),
    "restored": Kind("a7b6c5d4e3f24019a8b7c6d5e4f30219", WARNING),
    "unguarded": Kind("c9d8e7f6a5b44c3d92a1b0cfdeed1234", WARNING),
    "keyholders": Kind("1d2c3b4a5f6e4708a9b8c7d6e5f4a3b2", NOTICE),
    "clock": Kind("ee5d4c3b2a194f08b7a6c5d4e3f2a1b9", WARNING, True),
    "ledger": Kind("47586970a1b24c3d8e9fa0b1c2d3e4f5", ERROR, True),
    "interface": Kind("0f1e2d3c4b5a4697a8b9cadbecfd0e1f", WARNING, True),
    "warning": Kind("b3c2d1e0f9a84b7c96a5d4c3b2e1f001", WARNING),
}

WINDOW: Final = 10 * SECOND
FLUSH: Final = 2.0  # seconds that the journal has for the last entries when the daemon ends
REMEMBERED: Final = 50  # events that `last` gives
MOST: Final = 50  # lines of one limited kind in a window

Fields = dict[str, str]
Writer = Callable[[str, Kind, str, Fields], None]


class Events:
    """Tells events to `write`. `clock` gives ns; `level` is the highest priority number told."""

    def __init__(self, write: Writer, clock: Callable[[], int], level: int = INFO) -> None:
        self._write = write
        self._clock = clock
        self.level = level
        self._last: deque[tuple[int, str, str]] = deque(maxlen=REMEMBERED)
        self._begun: dict[str, int] = {}
        self._told: dict[str, int] = {}

    def wants(self, name: str) -> bool:
        """Whether an event of that kind would be told: ask before making an expensive line.

        One that would be left out, because there were too many of its kind, counts as left out by this.
        """
        kind = KINDS[name]
        if kind.priority > self.level:
            return False
        if not kind.limited or self._told.get(name, 0) < MOST:
            return True
        if self._clock() - self._begun[name] >= WINDOW:
            return True
        self._told[name] += 1
        return False

    def tell(self, name: str, text: str, **fields: object) -> None:
        """One event: `text` is the line; `fields` that are not None go to the journal as PORTRESS_…"""
        kind = KINDS[name]
        if kind.priority > self.level or (kind.limited and not self._has_room(name)):
            return
        self._last.append((self._clock(), name, text))
        told = {f"PORTRESS_{key.upper()}": str(value) for key, value in fields.items() if value is not None}
        self._write(name, kind, text, {"PORTRESS_EVENT": name, **told})

    def last(self) -> list[dict[str, Any]]:
        """The last events told, oldest first, each with its age in seconds."""
        now = self._clock()
        return [
            {"ago": round((now - when) / SECOND, 3), "event": name, "text": text}
            for when, name, text in self._last
        ]

    def _has_room(self, name: str) -> bool:
        now = self._clock()
        if now - self._begun.get(name, -WINDOW) >= WINDOW:
            self.settle(name)
            self._begun[name], self._told[name] = now, 0
        self._told[name] += 1
        return self._told[name] <= MOST

    def settle(self, *names: str) -> None:
        """Tell how many lines were left out of the windows that are over (all kinds, or those named)."""
        now = self._clock()
        for name in names or tuple(self._begun):
            more = self._told.get(name, 0) - MOST
            if more > 0 and now - self._begun[name] >= WINDOW:
                self._told[name] = 0
                text = f"{more} more events '{name}' in {WINDOW // SECOND} s were not told one by one"
                self._write(name, KINDS[name], text, {"PORTRESS_EVENT": name, "PORTRESS_COUNT": str(more)})


def plain(stream: TextIO) -> Writer:
    """Lines for a terminal or a file: the text alone."""

    def write(_name: str, kind: Kind, text: str, _fields: Fields) -> None:
        prefix = {ERROR: "error: ", WARNING: "warning: "}.get(kind.priority, "")
        print(f"{prefix}{text}", file=stream, flush=True)

    return write


def journal() -> Writer:
    """Structured entries for the systemd journal, sent by a thread: a journal that is down delays nobody.

    When the thread is too far behind, entries are dropped rather than piled up.
    """
    import systemd.journal

    waiting: queue.Queue[tuple[str, Kind, Fields]] = queue.Queue(10_000)

    def flush() -> None:
        until = time.monotonic() + FLUSH
        while waiting.unfinished_tasks and time.monotonic() < until:
            time.sleep(0.01)

    def send() -> None:
        while True:
            text, kind, fields = waiting.get()
            try:
                systemd.journal.send(text, MESSAGE_ID=kind.message_id, PRIORITY=str(kind.priority), **fields)
            except OSError as error:
                print(f"{text} (the journal refused it: {error})", file=sys.stderr, flush=True)
            finally:
                waiting.task_done()

    threading.Thread(target=send, name="journal", daemon=True).start()
    atexit.register(flush)

    def write(_name: str, kind: Kind, text: str, fields: Fields) -> None:
        try:
            waiting.put_nowait((text, kind, {**fields, "SYSLOG_IDENTIFIER": "portress"}))
        except queue.Full:
            return

    return write


def into_journal() -> bool:
    """Whether this process's stderr goes to the systemd journal (systemd.exec(5), JOURNAL_STREAM)."""
    device, _, inode = os.environ.get("JOURNAL_STREAM", "").partition(":")
    try:
        status = os.fstat(2)
    except OSError:
        return False
    return (device, inode) == (str(status.st_dev), str(status.st_ino))
