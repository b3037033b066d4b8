"""What this gateway has seen of the fleet, on its own disk: so that nobody can put old values back.

In: versions as they are seen, uses that the store has to be told of. Out: whether a version is older than one
seen before; the keyholders as they were last, for a start while the store is away. The last steps used are in
the ledger, whoever used them.
Secrets stay sealed in it: it keeps the store's own values.

The file is an SQLite database beside the ledger, mode 0600. A daemon writes it in a thread.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from attrs import frozen

from portress.errors import Mistake

FILE: Final = "fleet.sqlite"
_TABLES: Final = """
CREATE TABLE IF NOT EXISTS seen
    (key BLOB PRIMARY KEY, version INTEGER NOT NULL, until REAL, value BLOB) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS owed
    (key BLOB PRIMARY KEY, value BLOB NOT NULL, ends REAL NOT NULL) WITHOUT ROWID;
"""


@frozen
class Known:
    """The highest version seen at a key, kept until a moment (unix s; None: for ever).

    `value` is kept too where it is needed for a start without the store.
    """

    key: bytes
    version: int
    until: float | None = None
    value: bytes | None = None


class Memory:
    """The memory in the file `path`; `:memory:` for none that lasts. Raises Mistake if it cannot be used."""

    def __init__(self, path: Path | str) -> None:
        try:
            if path != ":memory:":
                os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600))
            self._base = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            self._base.execute("PRAGMA journal_mode=WAL")
            self._base.execute("PRAGMA synchronous=NORMAL")
            self._base.executescript(_TABLES)
            self.versions: dict[bytes, int] = dict(self._base.execute("SELECT key, version FROM seen"))
            self._ends: dict[bytes, float] = dict(
                self._base.execute("SELECT key, until FROM seen WHERE until IS NOT NULL")
            )
            self._values: dict[bytes, bytes] = dict(
                self._base.execute("SELECT key, value FROM seen WHERE value IS NOT NULL")
            )
        except (OSError, sqlite3.Error) as error:
            raise Mistake(f"{path}: the fleet's saved state cannot be read: {error}") from None

    def is_old(self, key: bytes, version: int) -> bool:
        """Whether a higher version has been seen at that key."""
        return version < self.versions.get(key, 0)

    def note(self, seen: Iterable[Known]) -> list[Known]:
        """Know these versions from now on; those that are new. To be passed to `write`."""
        fresh = []
        for one in seen:
            if one.version <= self.versions.get(one.key, 0):
                continue
            fresh.append(one)
            self.versions[one.key] = one.version
            if one.until is not None:
                self._ends[one.key] = one.until
            if one.value is not None:
                self._values[one.key] = one.value
        return fresh

    def write(self, seen: Iterable[Known]) -> None:
        """Put what was noted on the disk, in one transaction. Raises sqlite3.Error."""
        with self._base:
            self._base.execute("BEGIN")
            self._base.executemany(
                "INSERT INTO seen VALUES (?, ?, ?, ?) ON CONFLICT (key) DO UPDATE SET"
                " version = excluded.version, until = excluded.until, value = excluded.value"
                " WHERE excluded.version > version",
                ((one.key, one.version, one.until, one.value) for one in seen),
            )

    def values(self, prefix: bytes) -> list[tuple[bytes, bytes]]:
        """The values kept of keys with that prefix, those of the versions noted last."""
        return sorted(one for one in self._values.items() if one[0].startswith(prefix))

    def value(self, key: bytes) -> bytes | None:
        """The value kept of a key."""
        return self._values.get(key)

    def owe(self, key: bytes, value: bytes, ends: float) -> None:
        """Note a use that the store has to be told of later, until a moment (unix seconds)."""
        self._base.execute("INSERT OR IGNORE INTO owed VALUES (?, ?, ?)", (key, value, ends))

    def owed(self) -> list[tuple[bytes, bytes, float]]:
        """The uses that the store has not been told of."""
        return list(self._base.execute("SELECT key, value, ends FROM owed ORDER BY key"))

    def paid(self, key: bytes) -> None:
        """The store knows of that use now."""
        self._base.execute("DELETE FROM owed WHERE key = ?", (key,))

    def forget(self, now: float) -> None:
        """Forget the versions that need not be known any more; `prune` does the same on the disk."""
        for key in [key for key, end in self._ends.items() if end < now]:
            self.versions.pop(key, None)
            del self._ends[key]

    def prune(self, now: float) -> None:
        """Take off the disk the versions that need not be known any more, and the uses nobody asks for."""
        self._base.execute("DELETE FROM seen WHERE until < ?", (now,))
        self._base.execute("DELETE FROM owed WHERE ends < ?", (now,))

    def close(self) -> None:
        self._base.close()
