"""The journal watcher: hears knocks from the kernel's packet log in text form, as the systemd journal keeps
it.

In: entries of the journal, read with systemd-python. Out: (source, knock, time, interface index).

Lines of the guard's own `log`, and those of any ruleset that the administrator wrote, are told by the prefix
that `journal.prefix` names. What may be believed:

- Only the kernel can write them. journald takes every field that begins with `_` from nobody but itself, so
  `_TRANSPORT=kernel` means that the entry came through /dev/kmsg. A program that may write there (root) gets
  SYSLOG_FACILITY=1 or what it asked for, but never 0: the kernel keeps that for itself
  (kernel/printk/printk.c, devkmsg_write). Both are asked for in the match, and looked at again in each
  entry; a field twice is refused.
- The kernel's lines hold what strangers chose. logline.py reads them, strictly.
- With net.netfilter.nf_log_all_netns=1, which is not the default, whoever is root in some network namespace
  can have the kernel write any such line.

Times are the kernel's own: an entry says when the kernel wrote the line (_SOURCE_MONOTONIC_TIMESTAMP) and
when the journal got it. The kernel stamps its lines with a clock that nobody corrects, so the least delay of
late is taken for the difference between that clock and the monotonic one.

Where it has come to is kept in a file, at most once a second and at the end. After a start it goes on behind
that, but not with knocks older than the longest gap; without the file, or if that entry is no longer in the
journal, with the next one that is. Killed, a daemon may hear the knocks of the last second once more.
"""

from __future__ import annotations

import contextlib
import re
import socket
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from portress.errors import Mistake
from portress.guard.language import TABLE
from portress.guard.report import UNHEARD
from portress.knock import SECOND, WHOLE, Widths
from portress.watch import Heard
from portress.watch.counts import KnockCounts
from portress.watch.entries import Entries, Entry
from portress.watch.frame import masking
from portress.watch.logline import parse

_KERNEL: Final = {"_TRANSPORT": "kernel", "SYSLOG_FACILITY": "0", "SYSLOG_IDENTIFIER": "kernel"}
# The journal's own word that it could not follow the kernel (sd-messages.h: SD_MESSAGE_JOURNAL_MISSED).
_GAP: Final = {"_TRANSPORT": "driver", "MESSAGE_ID": "e9bf28e6e834481bb6f48f548ad13606"}
_missed: Final = re.compile(r"Missed ([0-9]{1,18}) kernel messages").fullmatch
_number: Final = re.compile(r"[0-9]{1,18}").fullmatch
_US: Final = SECOND // 1_000_000
_SAVE: Final = SECOND  # ns between two notes of the place
_WINDOW: Final = 10_000_000  # us for which the least delay is remembered, once or twice
# seconds; journald tells its readers only after 0.25 s, and reading in vain takes some microseconds.
_INTERVAL: Final = 0.1
_AT_ONCE: Final = 4096  # entries a read: more than can be written between two, and 0.1 s of work
_DAMAGED: Final = 64  # entries in one read
_LAG: Final = SECOND  # journald may be busy
_CURSOR: Final = re.compile(r"[!-~]{1,1024}").fullmatch


class StampClock:
    """Turns the kernel's stamps into monotonic time by pairs of a stamp and a later monotonic time, in us."""

    def __init__(self) -> None:
        self._least: int | None = None
        self._before: int | None = None
        self._since = 0

    def monotonic(self, stamp: int, later: int) -> int:
        delay = later - stamp
        if later - self._since > _WINDOW:
            self._before, self._least, self._since = self._least, None, later
        self._least = delay if self._least is None else min(self._least, delay)
        return stamp + (self._least if self._before is None else min(self._least, self._before))


class JournalWatcher:
    """Hears the knocks that the journal has; a context manager that owns a reader.

    `prefix` is how the lines begin, `clock` gives ns (time.monotonic_ns), `cursor` is the file that
    remembers the place (None: nothing does), `oldest` the age (ns) beyond which a knock is passed over.
    `path` is a directory of journal files to read in place of this system's.

    lost      lines that the journal missed, and knocks that the guard wrote no line of because of its rate
              limit
    odd       "line": with the prefix, but nothing the kernel writes of a first packet; "field": entries with
              a field twice; "damaged": entries that cannot be read; "late": knocks passed over for their
              age; "place": the place could not be noted
    overruns  how often the journal had to be opened anew, and what was in it meanwhile was passed over
    """

    lag = _LAG

    def __init__(
        self,
        prefix: str,
        clock: Callable[[], int],
        *,
        cursor: Path | None = None,
        widths: Widths = WHOLE,
        oldest: int = 60 * SECOND,
        path: Path | None = None,
    ) -> None:
        self.interval: float | None = _INTERVAL
        self.overruns = 0
        self.odd: Counter[str] = Counter()
        self._prefix = prefix
        self._start = prefix.encode("utf-8", "surrogateescape")
        self._clock = clock
        self._file = cursor
        self._mask = masking(widths)
        self._oldest = oldest
        self._path = path
        self._times = StampClock()
        self._counts = KnockCounts(TABLE)
        self._missed = self._unheard = self._latest = self._saved = 0
        self._entries: Entries | None = None
        self._noted: str | None = None  # the place in the file

    @property
    def lost(self) -> int:
        return self._missed + max(0, self._unwritten() - self._unheard)

    def _unwritten(self) -> int:
        """Knocks that the guard, if there is one here, wrote no line of."""
        try:
            return self._counts.standing("callers_4", UNHEARD)[1]
        except (Mistake, ValueError):
            return self._unheard

    def __enter__(self) -> Self:
        """Open the journal behind the place that was remembered. Raises Mistake when it cannot be had."""
        self._noted = self._remembered()
        self._entries = self._opened(self._noted)
        self._counts.__enter__()
        self._unheard = self._unwritten()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Note the place and let go of the journal. Closing twice does no harm."""
        if self._entries is not None:
            self._note(self._entries.place)
            self._entries.close()
            self._entries = None
        self._counts.close()

    def fileno(self) -> int:
        """The reader's descriptor. It tells of what was written a quarter of a second late: `interval` does
        better."""
        return self._open().fileno()

    def _open(self) -> Entries:
        if self._entries is None:
            raise ValueError("the journal watcher is closed")
        return self._entries

    def _opened(self, place: str | None) -> Entries:
        return Entries(self._path, (_KERNEL, _GAP), place, (self._clock() - self._oldest) // _US)

    def came_from(self, _source: bytes, _knock: int, _when: int) -> tuple[bytes, int] | None:
        """Unknown here: a door that admits connections needs `watch: packet`."""
        return None

    def read(self, budget: int = _AT_ONCE) -> list[Heard]:
        """What was heard since, from at most `budget` entries (or 4096 if that is more), oldest first.

        Damaged entries are passed over; where there are only such, the journal is opened anew and read from
        now on.
        """
        entries, now, damaged = self._open(), self._clock(), 0
        heard: list[Heard] = []
        for number in range(max(budget, _AT_ONCE)):
            try:
                if number == 0:
                    entries.look()
                entry = entries.next()
            except OSError:
                damaged += 1
                if damaged > _DAMAGED:
                    self._anew(entries)
                    break
                continue
            if entry is None:
                break
            knock = self._hear(entry, now)
            if knock is not None:
                heard.append(knock)
        if damaged:
            self.odd["damaged"] += damaged
        if now - self._saved >= _SAVE:
            self._saved = now
            self._note(entries.place)
        return heard

    def _anew(self, entries: Entries) -> None:
        self.overruns += 1
        with contextlib.suppress(Mistake):  # then the next read tries again
            entries.anew()

    def _hear(self, entry: Entry, now: int) -> Heard | None:
        message = entry.get("MESSAGE", "")
        if entry.get("_TRANSPORT") == "driver":
            self._tell_gap(message)
            return None
        if any(entry.get(field) != value for field, value in _KERNEL.items()) or isinstance(message, list):
            self.odd["field"] += 1
            return None
        start: str | bytes = self._start if isinstance(message, bytes) else self._prefix
        if not message.startswith(start):
            return None
        found = parse(message, self._prefix)
        if found is None:
            self.odd["line"] += 1
            return None
        when = self._time(entry, now)
        if now - when > self._oldest:
            self.odd["late"] += 1
            return None
        source, knock, interface = found
        self._latest = max(self._latest, when)
        return source if self._mask is None else self._mask(source), knock, self._latest, _index(interface)

    def _time(self, entry: Entry, now: int) -> int:
        """When the kernel wrote the line, ns; no later than the journal got it, and than now."""
        got: int = entry["__MONOTONIC_TIMESTAMP"].timestamp
        stamp = entry.get("_SOURCE_MONOTONIC_TIMESTAMP")
        if isinstance(stamp, str) and _number(stamp):
            got = self._times.monotonic(int(stamp), got)
        return min(got * _US, now)

    def _tell_gap(self, message: object) -> None:
        found = _missed(message) if isinstance(message, str) else None
        if found is not None:
            self._missed += int(found[1])

    # The place

    def _remembered(self) -> str | None:
        """The place in the file. Whatever cannot be one is no place."""
        if self._file is None:
            return None
        try:
            text = self._file.read_bytes()[:2048].decode("ascii", "replace").strip()
        except OSError:
            return None
        return text if _CURSOR(text) else None

    def _note(self, place: str | None) -> None:
        """Remember the place, whole or not at all. It need not survive the machine: cursors are of one
        boot."""
        if self._file is None or place is None or place == self._noted:
            return
        making = self._file.with_name(f"{self._file.name}.new")
        try:
            making.write_text(f"{place}\n", "ascii")
            making.replace(self._file)
        except OSError:
            self.odd["place"] += 1
        else:
            self._noted = place


def _index(interface: str) -> int:
    """The interface's index here, 0 if there is none of that name any more."""
    try:
        return socket.if_nametoindex(interface)
    except OSError:
        return 0
