"""The ledger: an SQLite file with every admission, and the last step used of each secret at each door.

In: what the daemon did. Out: what it must remember after a crash or a reboot, and the history.
Moments are unix seconds (UTC, float). Every method may raise LedgerError, and raises nothing else.

Rules
 1. What a writing method returned from is on the disk: write-ahead log, synced at every commit.
 2. `use` is decided by one SQL statement: of two processes that use one step, one is told True.
 3. A damaged file is set aside and an empty one begun. What had been used is then not known. That it is all
    known is proved by `digest`, which the daemon keeps elsewhere as well (run/use_mark.py).
 4. One thread at a time: a Ledger may be made in one thread and used in another, as by an executor
    with a single worker, but never by two at once. An iterator from `history` counts as a use.
 5. Readers (`Reader`) never block the daemon, and never change or set aside a file.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
import time
from array import array
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from portress.admissions import Ending
from portress.knock import Source
from portress.ledger.file import (
    COLUMNS,
    USED,
    Damaged,
    LedgerError,
    NoLedger,
    beside,
    connect,
    errors_named,
    open_checked,
    replace,
)
from portress.ledger.query import conditions, ordering
from portress.ledger.record import DoorUse, LastUse, Record

__all__ = ["DoorUse", "LastUse", "Ledger", "LedgerError", "NoLedger", "Reader", "Record"]

MOST: Final = 500_000  # admissions that ended and are remembered: some 60 MB
_ALL_USED: Final = f"SELECT {USED} FROM used"  # noqa: S608
BATCH: Final = 500  # rows read or deleted at a time


def _number(row: tuple[object, ...]) -> int:
    """A row of `used` as a number of 256 bits."""
    return int.from_bytes(hashlib.sha256(repr(tuple(row)).encode()).digest(), "big")


def _source(packed: bytes, length: int, port: int = 0) -> Source:
    if len(packed) not in (4, 16) or not 0 <= length <= len(packed) * 8:
        raise sqlite3.DatabaseError("it is damaged: a source of an impossible length")
    if not 0 <= port <= 65535:
        raise sqlite3.DatabaseError("it is damaged: a source's port beyond 65535")
    return Source(packed, length, port)


def _record(row: Any) -> Record:
    number, packed, length, port, *rest = row
    return Record(number, _source(packed, length, port), *rest)


class Reader:
    """The ledger, read beside a running daemon."""

    def __init__(self, path: Path) -> None:
        """Open the ledger at `path` for reading. Raises LedgerError, NoLedger where there is none."""
        self.path = path
        with errors_named(path):
            if not path.exists():
                raise NoLedger(f"{path}: no ledger yet; portress run creates it")
            if not path.is_file():
                raise LedgerError(f"{path}: not a regular file")
            try:
                self._db = connect(path, "ro")
                self._db.execute("SELECT 1 FROM admission LIMIT 1")
            except sqlite3.OperationalError as error:
                # Without a daemon there is no -wal; a reader that may not make one reads the file as it is.
                unwritable = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
                if error.sqlite_errorcode & 0xFF not in unwritable or beside(path, "-wal").exists():
                    raise
                self._db = connect(path, "ro&immutable=1")

    def close(self) -> None:
        with errors_named(self.path):
            self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def used(self) -> dict[bytes, LastUse]:
        """The last use by claim."""
        with errors_named(self.path):
            rows = self._db.execute("SELECT claim, step, source, length, door FROM used ORDER BY step")
            return {
                claim: LastUse(step, _source(packed, length), door)
                for claim, step, packed, length, door in rows
            }

    def used_paper(self) -> dict[bytes, float]:
        """When each sequence on paper was used, by claim."""
        with errors_named(self.path):
            return dict(self._db.execute("SELECT claim, at FROM paper"))

    def last_uses(self) -> dict[tuple[bytes, str], DoorUse]:
        """When and from where a sequence was last used, by (claim, door)."""
        with errors_named(self.path):
            rows = self._db.execute("SELECT claim, door, at, source, length FROM used")
            return {
                (claim, door): DoorUse(at, _source(packed, length))
                for claim, door, at, packed, length in rows
            }

    def under_way(self, now: float) -> list[Record]:
        """The admissions that have not ended and have time left at `now`, oldest first."""
        query = f"SELECT {COLUMNS} FROM admission WHERE ended IS NULL AND until > ? ORDER BY id"  # noqa: S608
        with errors_named(self.path):
            return [_record(row) for row in self._db.execute(query, (now,))]

    def history(
        self,
        *,
        door: str | None = None,
        keyholder: str | None = None,
        source: Source | None = None,
        since: float | None = None,
        until: float | None = None,
        limit: int | None = None,
        sort: str = "-since",
    ) -> Iterator[Record]:
        """Admissions, newest first: those through `door`, of `keyholder`, from `source`, inside it
        or a prefix it is in, and under way at any moment from `since` to `until`; at most `limit` of them.
        `sort`: another order, one of query.SORTS, with a `-` the other way round.

        Read in small batches, each a read of its own: memory is bounded, in another order to 8 bytes a row,
        and the daemon's write-ahead log is never held back however slowly the caller goes on.
        """
        where, values = conditions(door, keyholder, source, since, until)
        if sort != "-since":
            yield from self._sorted(where, values, sort, limit)
            return
        query = (
            f"SELECT {COLUMNS} FROM admission WHERE {where} AND (since, id) < (?, ?) "  # noqa: S608
            "ORDER BY since DESC, id DESC LIMIT ?"
        )
        before = (float("inf"), 0)
        left = limit
        while left is None or left > 0:
            size = BATCH if left is None else min(BATCH, left)
            with errors_named(self.path):
                records = [_record(row) for row in self._db.execute(query, (*values, *before, size))]
            yield from records
            if len(records) < size:
                return
            before = (records[-1].since, records[-1].row)
            left = None if left is None else left - size

    def _sorted(self, where: str, values: list[object], sort: str, limit: int | None) -> Iterator[Record]:
        """Those rows in another order: first their numbers, then the rows batch by batch."""
        query = f"SELECT id FROM admission WHERE {where} ORDER BY {ordering(sort)} LIMIT ?"  # noqa: S608
        with errors_named(self.path):
            rows = array(
                "q", (row[0] for row in self._db.execute(query, (*values, -1 if limit is None else limit)))
            )
        for first in range(0, len(rows), BATCH):
            batch = rows[first : first + BATCH].tolist()
            some = f"SELECT {COLUMNS} FROM admission WHERE id IN ({', '.join('?' * len(batch))})"  # noqa: S608
            with errors_named(self.path):
                found = {one.row: one for one in map(_record, self._db.execute(some, batch))}
            yield from (found[row] for row in batch if row in found)  # some may have been pruned meanwhile

    def count(
        self,
        *,
        door: str | None = None,
        keyholder: str | None = None,
        source: Source | None = None,
        since: float | None = None,
        until: float | None = None,
    ) -> int:
        """How many `history` would give without a limit."""
        where, values = conditions(door, keyholder, source, since, until)
        with errors_named(self.path):
            (number,) = self._db.execute(f"SELECT count(*) FROM admission WHERE {where}", values).fetchone()  # noqa: S608
        return int(number)


class Ledger(Reader):
    """The ledger as the daemon keeps it.

    `set_aside` is where a damaged file has been moved to, None if the file was sound; `damage` says
    what was wrong with it. `digest` is a number that this very ledger and all the uses in it make together:
    another one, as good as certainly, if a row were missing, changed or too many.
    """

    def __init__(self, path: Path, now: float | None = None) -> None:
        """Open the ledger at `path`, or begin one. `now` is the present (unix seconds, default: the
        clock's). Raises LedgerError."""
        self.path = path
        self.set_aside: Path | None = None
        self.damage: str | None = None
        now = time.time() if now is None else now
        try:
            self._db = open_checked(path)
        except Damaged as damage:
            self.damage = str(damage)
            self.set_aside = replace(path, now)
            self._db = self._reopen()
        with errors_named(path):
            self._inode = os.stat(path).st_ino
            name = self._db.execute("SELECT value FROM mark WHERE name = 'name'").fetchone()
            self.digest = _number(("ledger", name))
            for row in self._db.execute(_ALL_USED):
                self.digest ^= _number(row)

    def _reopen(self) -> sqlite3.Connection:
        try:
            return open_checked(self.path)
        except Damaged as damage:
            raise LedgerError(
                f"{self.path}: a new file is damaged as well: {damage}; is the disk sound?"
            ) from damage

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with errors_named(self.path):
            try:
                moved = os.stat(self.path).st_ino != self._inode
            except FileNotFoundError:
                moved = True
            if moved:  # SQLite would go on writing to a file without a name, gone at the next start
                raise LedgerError(f"{self.path}: moved or removed under the running daemon; restart it")
            yield self._db

    @contextmanager
    def together(self) -> Iterator[sqlite3.Connection]:
        """What is written within is on the disk at the end, all of it or, after an error, nothing.

        Within another one it is part of that.
        """
        with self._writing() as db:
            if db.in_transaction:
                yield db
                return
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
                db.execute("COMMIT")
            except BaseException:
                if db.in_transaction:
                    db.execute("ROLLBACK")
                raise

    def use(
        self,
        claim: bytes,
        door: str,
        step: int,
        source: Source,
        at: float,
        coming: Callable[[int], object] | None = None,
    ) -> bool:
        """Note that a sequence of `step`, whose use `claim` stands for, was completed at `door` by `source`
        at the moment `at`. `coming` is called with the digest to be, before that can be on the disk.

        True: it had not been used, nor a later one, at any door, and no crash can make it usable again.
        False: it, or a later one, was used before.
        """
        new = (claim, door, step, source.packed, source.length, float(at))
        with self.together() as db:
            old = db.execute(f"{_ALL_USED} WHERE claim = ? AND door = ?", (claim, door)).fetchone()
            done = db.execute(
                "INSERT OR REPLACE INTO used SELECT ?, ?, ?, ?, ?, ?"
                " WHERE NOT EXISTS (SELECT 1 FROM used WHERE claim = ? AND step >= ?)",
                (*new, claim, step),
            )
            if done.rowcount != 1:
                return False
            digest = self.digest ^ _number(new) ^ (0 if old is None else _number(old))
            if coming is not None:
                coming(digest)
        self.digest = digest
        return True

    def admitted(
        self,
        source: Source,
        door: str,
        since: float,
        until: float,
        keyholder: str | None = None,
        step: int | None = None,
        how: str = "knock",
        paper: str = "",
    ) -> int:
        """Note an admission, and return the row that `renewed` and `ended` want.

        `how`: knock | command | found | restored.
        """
        with self._writing() as db:
            done = db.execute(
                "INSERT INTO admission"
                " (source, length, port, door, keyholder, step, how, since, until, paper)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (source.packed, source.length, source.port, door, keyholder, step, how, since, until, paper),
            )
            assert done.lastrowid is not None
            return done.lastrowid

    def renewed(self, row: int, until: float) -> None:
        """The admission under way in `row` now lasts until `until`; it is never shortened."""
        with self._writing() as db:
            db.execute(
                "UPDATE admission SET until = max(until, ?) WHERE id = ? AND ended IS NULL", (until, row)
            )

    def ended(self, row: int, at: float, how: str) -> None:
        """The admission in `row` ended. `how`: as `Record.ending`.

        One that had ended before keeps its first ending; none runs out later than its `until`, though it may
        be noted later.
        """
        with self._writing() as db:
            db.execute(
                "UPDATE admission SET ended = CASE WHEN ? THEN min(?, until) ELSE ? END, ending = ?"
                " WHERE id = ? AND ended IS NULL",
                (how == Ending.EXPIRED, at, at, how, row),
            )

    def expire(self, now: float) -> int:
        """End the admissions that ran out with no daemon to see it, each at its own `until`; how many."""
        with self._writing() as db:
            done = db.execute(
                "UPDATE admission SET ended = until, ending = 'expired' WHERE ended IS NULL AND until <= ?",
                (now,),
            )
            return done.rowcount

    def prune(self, before: float, most: int = MOST) -> int:
        """Drop the admissions that ended before `before`, and of those that ended all but the last `most`;
        give the room back, and say how many were dropped.

        In small transactions: another process's write never waits for long.
        """
        dropped = 0
        with self._writing() as db:
            (last,) = db.execute("SELECT coalesce(max(id), 0) FROM admission").fetchone()
            while True:
                done = db.execute(
                    "DELETE FROM admission WHERE id IN (SELECT id FROM admission WHERE ended IS NOT NULL"
                    " AND (ended < ? OR id <= ?) LIMIT ?)",
                    (before, last - most, BATCH),
                )
                dropped += done.rowcount
                if done.rowcount < BATCH:
                    break
            # Each step of the statement frees one page; of Python's calls only this one steps it to the end.
            before_this = None
            while (free := db.execute("PRAGMA freelist_count").fetchone()[0]) and free != before_this:
                before_this = free
                db.executescript(f"PRAGMA incremental_vacuum({BATCH});")
            db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
        return dropped
