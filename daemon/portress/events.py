"""What the daemon tells: one line per event that matters, to the journal with fields, or as plain text.

Every kind of event has a name, a stable MESSAGE_ID and a priority. Of each kind so many lines a second are
told; those beyond are summed up in one line a second. What strangers bring about without end is told at once
and then once a minute, with a count (`Minutely`).
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

from portress.followers import Followers
from portress.knock import SECOND
from portress.shown import shown
from portress.verdict_words import Line

ERROR, WARNING, NOTICE, INFO, DEBUG = 3, 4, 5, 6, 7  # RFC 5424, 6.2.1


class Kind(NamedTuple):
    """A kind of event: its MESSAGE_ID in the journal, and its priority."""

    message_id: str
    priority: int


KINDS: Final[dict[str, Kind]] = {
    "ready": Kind("72e6250b287048089550fb81cc8c1184", NOTICE),
    "stopped": Kind("c020d01d897f46c2aa94e73abdd00a6f", NOTICE),
    "reloaded": Kind("8f7b5d2b8cd549e68b8af23fb65bd73f", NOTICE),
    "refused": Kind("522696f68a014d13ac9c2ec549db17ca", ERROR),
    "admitted": Kind("215431693557466db2fc80198466170a", NOTICE),
    "ended": Kind("8120196766e44f30b6d735cda2e47f88", INFO),
    "dismissed": Kind("fcf016cf4aac4745a9c28ea8e1ee7c2e", NOTICE),
    "missed": Kind("7976bb243f7e4234a9c00851139e81bb", INFO),
    "lapsed": Kind("3174b4c5f1dc42f48810591f2ab778b1", INFO),
    "expired": Kind("21931830b51a4462b18b63588e8449b9", INFO),
    "shunned": Kind("39204721df594047b75be4e312a35036", WARNING),
    "replayed": Kind("76b80691a40f4ba4832eecffcfe19a57", WARNING),
    "spent": Kind("9e6ac2422344490b9c960cb21e2c1067", NOTICE),
    "paper": Kind("5ab318006d7040c1b3a575d104865313", WARNING),
    "doubted": Kind("fcfc425bc4424310959ac36947c2e8fa", NOTICE),
    "closed": Kind("ffef808b143e4d77b1eaf4f3da61d7ca", NOTICE),
    "moved": Kind("55c39437850b46d98cf6728eb1b136e0", NOTICE),
    "left": Kind("106123fcc77942f3b0ed8421a711a79e", NOTICE),
    "advanced": Kind("4bf42569818f4e30973d31d1c5137e4f", DEBUG),
    "lost": Kind("29b93d65aab242f38b3b42c3a65fd8cf", WARNING),
    "full": Kind("508509b31caf458697034c073fcdb234", WARNING),
    "restored": Kind("427bec42d25640188b661e7b147e0830", WARNING),
    "unguarded": Kind("0a8616c3b4164895873562231bdb488f", WARNING),
    "guarded": Kind("5ced0a36e9de40f4b3f84558899e446c", NOTICE),
    "keyholders": Kind("81c556ec77be4920aa79a69b59839a56", NOTICE),
    "clock": Kind("74b7ffcc2baa4fb99f5128da353d5c13", WARNING),
    "ledger": Kind("ec975da4347b433cbec377d777c20183", ERROR),
    "interface": Kind("605614710e0a41bba09810095a8715f4", WARNING),
    "fleet": Kind("cc4d4419c04541f2bbd0fe24e12bf91d", NOTICE),
    "fleet_away": Kind("3c5aad15c98540babfe7221bc1c7a048", WARNING),
    "used_twice": Kind("8c2f6ccdd5aa404ea4ca50c337e97e7d", ERROR),
    "warning": Kind("14942337b40b47338a82c7a60baa69e2", WARNING),
}

WINDOW: Final = SECOND
MINUTE: Final = 60 * SECOND
FLUSH: Final = 2.0  # seconds that the journal has for the last entries when the daemon ends
REMEMBERED: Final = 50  # events that `last` gives
MOST: Final = 50  # lines of one kind in a window

Fields = dict[str, str]
Writer = Callable[[str, Kind, str, Fields], None]


class Events:
    """Tells events to `write`, and to those who follow. `clock` gives ns, `unix` unix seconds.

    `level` is the highest priority number that is written.
    """

    def __init__(
        self,
        write: Writer,
        clock: Callable[[], int],
        level: int = INFO,
        unix: Callable[[], float] = time.time,
    ) -> None:
        self.followers = Followers(unix)
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
        if kind.priority > self.level and not self.followers.want(name):
            return False
        if self._told.get(name, 0) < MOST:
            return True
        if self._clock() - self._begun[name] >= WINDOW:
            return True
        self._told[name] += 1
        return False

    def say(self, line: Line) -> None:
        """One event, as `verdict_words` has it."""
        self.tell(line.kind, line.text, **line.fields)

    def tell(self, name: str, text: str, **fields: object) -> None:
        """One event: `text` is the line; `fields` that are not None go to the journal as PORTRESS_…"""
        kind = KINDS[name]
        if (kind.priority > self.level and not self.followers.want(name)) or not self._has_room(name):
            return
        text = shown(text)
        told = {f"PORTRESS_{key.upper()}": str(value) for key, value in fields.items() if value is not None}
        told = {"PORTRESS_EVENT": name, **told}
        self.followers.tell(name, kind.priority, kind.message_id, text, told)
        if kind.priority <= self.level:
            self._last.append((self._clock(), name, text))
            self._write(name, kind, text, told)

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
                text = f"{more} more events '{name}' within a second, not listed one by one"
                self._write(name, KINDS[name], text, {"PORTRESS_EVENT": name, "PORTRESS_COUNT": str(more)})


class Minutely:
    """Something that can happen very often: told at once, and then once a minute with how often it was.

    `tell` gets the count since it was told last. Call `settle` once a second.
    """

    def __init__(self, clock: Callable[[], int], tell: Callable[[int], None]) -> None:
        self.total = 0
        self._clock = clock
        self._tell = tell
        self._untold = 0
        self._next: int | None = None

    def add(self, count: int = 1) -> None:
        """It happened `count` times more."""
        self.total += count
        self._untold += count
        self.settle()

    def settle(self) -> None:
        """Tell what is due."""
        if not self._untold:
            return
        now = self._clock()
        if self._next is None or now >= self._next:
            untold, self._untold, self._next = self._untold, 0, now + MINUTE
            self._tell(untold)


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
