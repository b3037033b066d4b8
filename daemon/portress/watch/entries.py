"""The systemd journal as a stream of entries that goes on: from a place, over rotation and vacuuming.

In: a directory of journal files, or this system's journal. Out: entries as mappings from a field's name to
its text (bytes if it is no UTF-8, a list if the field is there more than once), with __CURSOR, and the time
at which the journal got them: __MONOTONIC_TIMESTAMP.timestamp, in us.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterable, Mapping
from importlib import import_module
from pathlib import Path
from typing import Any, Final

from portress.errors import Mistake

Entry = Mapping[str, Any]

_JOURNALS: Final = (Path("/var/log/journal"), Path("/run/log/journal"))
_MACHINE: Final = Path("/etc/machine-id")
_LONGEST: Final = 4096  # bytes of a field that are read
_BACK: Final = 10_000  # entries
_DAMAGED: Final = 64  # entries one after the other


def _raw(value: Any) -> Any:
    return value


class Entries:
    """Entries of this boot that have all the fields of one of `wanted`, behind the one that `place` names.

    `place` is a cursor; without one, or with what is none, nothing is read that is there already. With one,
    nothing from before `horizon`, the monotonic time in us; and if the place itself is older, no more than
    the last 10,000 entries. Afterwards `place` is the cursor of the entry read last. Raises Mistake
    if there is no journal, or none that may be read.
    """

    def __init__(
        self, path: Path | None, wanted: Iterable[Mapping[str, str]], place: str | None, horizon: int
    ) -> None:
        self.place = place
        self._path = path
        self._wanted = tuple(wanted)
        self._first: Entry | None = None
        self._reader = _open(path)
        try:
            self._match()
            if place is None:
                self._to_the_end()
            else:
                self._go_on(place, horizon)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Closing twice does no harm."""
        self._reader.close()

    def anew(self) -> None:
        """Open the journal anew and go on with what comes from now on. Raises Mistake and then changes
        nothing."""
        reader = _open(self._path)
        self._reader.close()
        self._reader = reader
        self._first = self.place = None
        self._match()
        self._to_the_end()

    def fileno(self) -> int:
        """A descriptor that is readable some time after something was written: journald takes a while."""
        return int(self._reader.fileno())

    def look(self) -> None:
        """Take notice of new files and of files that are gone. Raises OSError."""
        self._reader.process()

    def next(self) -> Entry | None:
        """The next entry, None if there is none yet. Raises OSError for one that is damaged."""
        try:
            entry: Entry | None = self._first or self._reader.get_next()
        except UnicodeDecodeError as error:  # a field's name is damaged
            raise OSError(errno.EBADMSG, os.strerror(errno.EBADMSG)) from error
        self._first = None
        if not entry:
            return None
        self.place = entry["__CURSOR"]
        return entry

    def _match(self) -> None:
        self._reader.fileno()  # without it, sd_journal_process() takes no notice of anything
        for number, fields in enumerate(self._wanted):
            if number:
                self._reader.add_disjunction()
            self._reader.add_match(**fields)
            self._reader.this_boot()

    def _go_on(self, place: str, horizon: int) -> None:
        """Stand behind the remembered place, or before the first entry that is not older than the horizon."""
        try:
            self._reader.seek_cursor(place)
            entry = self._reader.get_next()
        except (OSError, ValueError):
            entry = None
        if not entry:
            self._to_the_end()
        elif entry["__MONOTONIC_TIMESTAMP"].timestamp < horizon:
            self._back_to(horizon)
        elif entry["__CURSOR"] != place:  # that one is gone, or not of this boot
            self._first = entry

    def _back_to(self, horizon: int) -> None:
        """Stand before the first entry that is not older.

        Seeking by time is not to be relied on: where no entry is that young, systemd 252 goes to the first
        of all.
        """
        self._reader.seek_tail()
        for _ in range(_BACK):
            entry = self._previous()
            if not entry:
                self._reader.seek_head()
                return
            if entry["__MONOTONIC_TIMESTAMP"].timestamp < horizon:
                return

    def _to_the_end(self) -> None:
        """Stand behind the last entry. If there is none, all that come are new."""
        self._reader.seek_tail()
        if not self._previous():
            self._reader.seek_head()

    def _previous(self) -> Entry | None:
        """The entry before, with damaged ones passed over; None if there is none, or nothing but damage."""
        for _ in range(_DAMAGED):
            with contextlib.suppress(OSError, UnicodeDecodeError):
                entry: Entry | None = self._reader.get_previous()
                return entry
        return None


def _open(path: Path | None) -> Any:
    """A reader. Raises Mistake."""
    try:
        # Not an import statement: the type checker would take the folder of units for the module.
        journal: Any = import_module("systemd.journal")
    except ImportError:
        raise Mistake("Python's systemd module is missing: apt install python3-systemd") from None
    if path is None:
        look_for_files()
    try:
        reader = journal.Reader(path=None if path is None else str(path))
    except OSError as error:
        raise Mistake(f"the journal cannot be opened: {os.strerror(error.errno or 0)}") from None
    reader.converters = dict.fromkeys(("__REALTIME_TIMESTAMP", "__MONOTONIC_TIMESTAMP", "__CURSOR"), _raw)
    reader.data_threshold = _LONGEST
    return reader


def look_for_files() -> None:
    """Raise Mistake if this system has no journal, or none that may be read.

    systemd opens a journal of no files, or of none that may be read, without a word. A journal of another
    machine, as systemd-journal-remote keeps it or a copied disk brings it, is not this system's.
    """
    found = [file for folder in _JOURNALS for file in folder.glob(f"{_machine()}/system.journal")]
    if any(os.access(file, os.R_OK) for file in found):
        return
    hidden = [folder for folder in _JOURNALS if folder.is_dir() and not _listed(folder)]
    if found or hidden:
        raise Mistake(
            "the system's journal may not be read: `watch: journal` needs the group systemd-journal"
            " (SupplementaryGroups=systemd-journal in the unit)"
        )
    raise Mistake("there is no systemd journal on this host: `watch: packet` and `watch: counter` do without")


def _machine() -> str:
    """What this machine's folder of journals is called, see machine-id(5)."""
    try:
        return _MACHINE.read_text().strip() or "*"
    except (OSError, ValueError):
        return "*"


def _listed(folder: Path) -> bool:
    """Whether everything in a directory of journals may be listed."""
    try:
        return all(os.access(one, os.R_OK | os.X_OK) for one in folder.iterdir() if one.is_dir())
    except OSError:
        return False
