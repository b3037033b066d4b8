"""The systemd journal as a stream of entries that goes on: from a place, over rotation and vacuuming.

In: a directory of journal files, or this system's journal. Out: entries as mappings from a field's name to
its text (bytes if it is no UTF-8, a list if the field is there more than once), with __CURSOR, and the time
at which the journal got them: __MONOTONIC_TIMESTAMP.timestamp, in us.
"""

from __future__ import annotations

import contextlib
import os
import select
from collections.abc import Iterable, Mapping
from importlib import import_module
from pathlib import Path
from typing import Any, Final

from portress.errors import Mistake

Entry = Mapping[str, Any]

_JOURNALS: Final = (Path("/var/log/journal"), Path("/run/log/journal"))
_LONGEST: Final = 4096  # bytes of a field that are read
_SECOND: Final = 1_000_000  # us


def _raw(value: Any) -> Any:
    return value


class Entries:
    """Entries of this boot that have all the fields of one of `wanted`, behind the one that `place` names.

    `place` is a cursor; without one nothing is read that was there before `now`, the monotonic time in us.
    With one, nothing that is more than `oldest` us older. Afterwards `place` is the cursor of the entry read
    last. Raises Mistake if there is no journal, or none that may be read.
    """

    def __init__(
        self,
        path: Path | None,
        wanted: Iterable[Mapping[str, str]],
        place: str | None,
        now: int,
        oldest: int,
    ) -> None:
        self.place = place
        self._path = path
        self._wanted = tuple(wanted)
        self._first: Entry | None = None
        self._reader = _open(path)
        self._poll = select.epoll()
        self._more = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        try:
            self._poll.register(self._more, select.EPOLLIN)
            self._begin(now, oldest)
        except BaseException:
            self.close()
            raise

    def _begin(self, now: int, oldest: int) -> None:
        for number, fields in enumerate(self._wanted):
            if number:
                self._reader.add_disjunction()
            self._reader.add_match(**fields)
            self._reader.this_boot()
        self._seek(now, oldest)
        self._poll.register(self._reader.fileno(), self._reader.get_events())
        self.come_back()

    def anew(self, now: int) -> None:
        """Open the journal anew and go on with what comes from now on. Raises Mistake."""
        self._reader.close()
        self._reader = _open(self._path)
        self._first = self.place = None
        self._begin(now, 0)

    @property
    def told(self) -> bool:
        """Whether the descriptor tells of all changes; it does not on a network file system."""
        return bool(self._reader.reliable_fd())

    def close(self) -> None:
        """Closing twice does no harm."""
        self._reader.close()
        self._poll.close()
        if self._more >= 0:
            os.close(self._more)
            self._more = -1

    def fileno(self) -> int:
        """A descriptor that is readable when there may be something to read."""
        return self._poll.fileno()

    def come_back(self) -> None:
        """Make the descriptor readable until the next `look`."""
        os.eventfd_write(self._more, 1)

    def look(self) -> None:
        """Take notice of what was written, of new files and of files that are gone. Raises OSError."""
        with contextlib.suppress(BlockingIOError):
            os.eventfd_read(self._more)
        self._reader.process()

    def next(self) -> Entry | None:
        """The next entry, None if there is none yet. Raises OSError for one that is damaged."""
        entry: Entry | None = self._first or self._reader.get_next()
        self._first = None
        if not entry:
            return None
        self.place = entry["__CURSOR"]
        return entry

    def _seek(self, now: int, oldest: int) -> None:
        if self.place is not None and self._seek_place(max(0, now - oldest)):
            return
        start = now if self.place is None else max(0, now - oldest)
        self._reader.seek_monotonic(start / _SECOND)

    def _seek_place(self, horizon: int) -> bool:
        """Stand behind the remembered place; False if that is before the horizon, or nowhere."""
        try:
            self._reader.seek_cursor(self.place)
            entry = self._reader.get_next()
        except (OSError, ValueError):
            return False
        if entry and entry["__MONOTONIC_TIMESTAMP"].timestamp < horizon:
            return False
        if entry and entry["__CURSOR"] != self.place:  # that one is gone, or not of this boot
            self._first = entry
        return True


def _open(path: Path | None) -> Any:
    """A reader. Raises Mistake."""
    try:
        # Not an import statement: the type checker would take the folder of units for the module.
        journal: Any = import_module("systemd.journal")
    except ImportError:
        raise Mistake("Python's systemd module is missing: apt install python3-systemd") from None
    if path is None:
        _look_for_files()
    try:
        reader = journal.Reader(path=None if path is None else str(path))
    except OSError as error:
        raise Mistake(f"the journal cannot be opened: {os.strerror(error.errno or 0)}") from None
    reader.converters = dict.fromkeys(("__REALTIME_TIMESTAMP", "__MONOTONIC_TIMESTAMP", "__CURSOR"), _raw)
    reader.data_threshold = _LONGEST
    return reader


def _look_for_files() -> None:
    """systemd opens a journal of no files, or of none that may be read, without a word."""
    found = [file for folder in _JOURNALS for file in folder.glob("*/system.journal")]
    if any(os.access(file, os.R_OK) for file in found):
        return
    hidden = [folder for folder in _JOURNALS if folder.is_dir() and not _listed(folder)]
    if found or hidden:
        raise Mistake(
            "the system's journal may not be read: `watch: journal` needs the group systemd-journal"
            " (SupplementaryGroups=systemd-journal in the unit)"
        )
    raise Mistake("there is no systemd journal on this host: `watch: packet` and `watch: counter` do without")


def _listed(folder: Path) -> bool:
    """Whether everything in a directory of journals may be listed."""
    try:
        return all(os.access(one, os.R_OK | os.X_OK) for one in folder.iterdir() if one.is_dir())
    except OSError:
        return False
