"""The ledger's file: made, checked, and set aside when it is damaged.

In: a path. Out: an open SQLite connection to a file that has been read through and is of this
schema, mode 0600 from its first moment (SQLite gives -wal and -shm the mode of the file itself).

A file is put in its place whole, so that an empty one is never a new one but a damaged one.
"""

from __future__ import annotations

import os
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Final
from urllib.parse import quote

from portress.errors import Mistake

APPLICATION: Final = 0x506F7274  # "Port", in the file's header
VERSION: Final = 1
PATIENCE: Final = 5.0  # s to wait for another process's write

USED: Final = "claim, door, step, source, length, at"
COLUMNS: Final = "id, source, length, port, door, keyholder, step, how, since, until, ended, ending, paper"
SCHEMA: Final = f"""
BEGIN;
PRAGMA application_id = {APPLICATION};
PRAGMA user_version = {VERSION};
CREATE TABLE used (
    claim BLOB NOT NULL CHECK (length(claim) = 16), door TEXT NOT NULL, step INTEGER NOT NULL,
    source BLOB NOT NULL CHECK (length(source) IN (4, 16)), length INTEGER NOT NULL, at REAL NOT NULL,
    PRIMARY KEY (claim, door)
) STRICT, WITHOUT ROWID;
CREATE TABLE admission (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    source BLOB NOT NULL CHECK (length(source) IN (4, 16)), length INTEGER NOT NULL,
    port INTEGER NOT NULL, door TEXT NOT NULL, keyholder TEXT, step INTEGER, how TEXT NOT NULL,
    since REAL NOT NULL, until REAL NOT NULL, ended REAL, ending TEXT, paper TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX admission_since ON admission (since, id);
CREATE INDEX admission_open ON admission (until) WHERE ended IS NULL;
CREATE TABLE paper (
    id INTEGER PRIMARY KEY AUTOINCREMENT, era TEXT NOT NULL, door TEXT NOT NULL,
    claim BLOB NOT NULL UNIQUE CHECK (length(claim) = 16),
    source BLOB NOT NULL CHECK (length(source) IN (4, 16)), length INTEGER NOT NULL, at REAL NOT NULL
) STRICT;
CREATE TABLE mark (name TEXT PRIMARY KEY, value REAL NOT NULL) STRICT, WITHOUT ROWID;
COMMIT;
"""

_NAMES: Final = 1 << 52  # ledgers have numbers below this for names, drawn by chance: REAL holds them exactly

_SHAPE: Final = (
    f"SELECT {USED} FROM used LIMIT 0",  # noqa: S608
    f"SELECT {COLUMNS} FROM admission LIMIT 0",  # noqa: S608
    "SELECT id, era, claim, door, source, length, at FROM paper LIMIT 0",
    "SELECT name, value FROM mark LIMIT 0",
)
_DAMAGE: Final = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT)
_WORDS: Final = {
    sqlite3.SQLITE_FULL: "the disk is full",
    sqlite3.SQLITE_READONLY: "it, or its directory, is read-only",
    sqlite3.SQLITE_BUSY: "another process is writing to it and does not finish",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened; may this user read and write its directory?",
    sqlite3.SQLITE_PERM: "permission denied",
    sqlite3.SQLITE_IOERR: "the disk reports an error, or a limit on file sizes is reached",
    sqlite3.SQLITE_CORRUPT: "it is damaged; a restart sets it aside",
    sqlite3.SQLITE_NOTADB: "it is damaged; a restart sets it aside",
}


class LedgerError(Mistake):
    """The ledger cannot be read or written: the disk is full, read-only or damaged. One line."""


class NoLedger(LedgerError):
    """There is no ledger at all."""


class Damaged(Exception):
    """This file is no ledger of ours, or no longer. `str()` says in which way."""


@contextmanager
def errors_named(path: Path) -> Iterator[None]:
    """Turn whatever SQLite or the system reports within into a LedgerError."""
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        raise LedgerError(f"{path}: {_WORDS.get(code, str(error))}") from error
    except UnicodeDecodeError as error:  # from sqlite3, when even its message quotes a damaged name
        raise LedgerError(f"{path}: {_WORDS[sqlite3.SQLITE_CORRUPT]}") from error
    except OSError as error:
        raise LedgerError(f"{path}: {error.strerror or error}") from error


def connect(path: Path, mode: str) -> sqlite3.Connection:
    """Open an existing file; `mode` is SQLite's: `rw`, `ro`, or `ro&immutable=1`. Raises sqlite3.Error."""
    uri = f"file:{quote(str(path.absolute()))}?mode={mode}"
    return sqlite3.connect(uri, uri=True, timeout=PATIENCE, isolation_level=None, check_same_thread=False)


def beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


def prepare(path: Path) -> Path:
    """Make an empty ledger under another name in the same directory, and say which. Raises LedgerError."""
    new = beside(path, f".new-{os.getpid()}")
    with errors_named(path):
        new.unlink(missing_ok=True)
        os.close(os.open(new, os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_CLOEXEC, 0o600))
        try:
            with closing(connect(new, "rw")) as db:
                db.execute("PRAGMA auto_vacuum = INCREMENTAL")
                db.execute("PRAGMA journal_mode = WAL")
                db.execute("PRAGMA synchronous = FULL")
                db.executescript(SCHEMA)
                db.execute(f"INSERT INTO mark VALUES ('name', abs(random() % {_NAMES}))")  # noqa: S608
        except BaseException:
            for suffix in ("", "-wal", "-shm", "-journal"):
                beside(new, suffix).unlink(missing_ok=True)
            raise
    return new


def begin(path: Path) -> None:
    """Make an empty ledger at `path`, unless another process was quicker. Raises LedgerError."""
    new = prepare(path)
    with errors_named(path):
        try:
            os.link(new, path)
        except FileExistsError:
            pass
        finally:
            new.unlink()
        sync_directory(path)


def replace(path: Path, now: float) -> Path:
    """Set the file aside as `….damaged-<stamp>`, put an empty ledger in its place, and say where the old one
    is.

    The empty one is ready before the old one is touched, and takes its place in one step: a crash in
    between finds the damaged file again. Raises LedgerError.
    """
    new = prepare(path)
    aside = _free_name(path, datetime.fromtimestamp(now, UTC))
    with errors_named(path):
        if path.exists():
            os.link(path, aside)
        if beside(path, "-wal").exists():
            os.rename(beside(path, "-wal"), beside(aside, "-wal"))
        beside(path, "-shm").unlink(missing_ok=True)
        os.rename(new, path)
        sync_directory(path)
    return aside


def _free_name(path: Path, moment: datetime) -> Path:
    stamp = f".damaged-{moment:%Y%m%dT%H%M%SZ}"
    names = (beside(path, f"{stamp}{extra}") for extra in ("", *(f"-{number}" for number in range(2, 1000))))
    return next(
        (name for name in names if not name.exists() and not beside(name, "-wal").exists()),
        beside(path, f"{stamp}-{os.getpid()}"),
    )


def open_checked(path: Path) -> sqlite3.Connection:
    """Open the file at `path` for writing, every page of it looked at; make it if there is none.

    Raises Damaged where it should be set aside, LedgerError where it cannot be used.
    """
    with errors_named(path):
        if not path.exists() and not beside(path, "-wal").exists():
            begin(path)
        _look(path)
        db = None
        try:
            db = connect(path, "rw")
            _check(db)
            db.execute("PRAGMA synchronous = FULL")
            db.execute("PRAGMA journal_size_limit = 4194304")
            # A write at once: a full or read-only disk shows now, and the -wal file is there to be synced.
            db.execute("INSERT OR REPLACE INTO mark SELECT 'opened', unixepoch()")
            sync_directory(path)
            return db
        except BaseException as error:
            if db is not None:
                db.close()
            if isinstance(error, UnicodeDecodeError):
                raise Damaged("its text is not UTF-8") from error
            if isinstance(error, sqlite3.Error) and getattr(error, "sqlite_errorcode", 0) & 0xFF in _DAMAGE:
                raise Damaged(str(error)) from error
            raise


def _look(path: Path) -> None:
    """What SQLite would pass over: it takes an empty file for a new one and throws its -wal away."""
    try:
        status = path.stat()
    except FileNotFoundError:
        raise Damaged("the file is gone and its -wal is still there") from None
    if not stat.S_ISREG(status.st_mode):
        raise LedgerError(f"{path}: not a regular file")
    if status.st_size == 0:
        raise Damaged("the file is empty")
    if status.st_mode & 0o077:
        path.chmod(0o600)


def _check(db: sqlite3.Connection) -> None:
    (application,) = db.execute("PRAGMA application_id").fetchone()
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if application != APPLICATION:
        raise Damaged("an SQLite file, but not a ledger of Portress")
    if version != VERSION:
        raise Damaged(f"written by another version of Portress: schema {version}, this one is {VERSION}")
    (verdict,) = db.execute("PRAGMA quick_check(1)").fetchone()
    if verdict != "ok":
        raise Damaged(str(verdict).replace("\n", " "))
    for statement in _SHAPE:
        try:
            db.execute(statement)
        except sqlite3.OperationalError as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF != sqlite3.SQLITE_ERROR:
                raise
            raise Damaged(f"not the ledger's schema: {error}") from error
    (mode,) = db.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        raise sqlite3.OperationalError("its file system does not allow write-ahead logging")


def sync_directory(path: Path) -> None:
    """Make the names in `path`'s directory durable. Raises OSError."""
    directory = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)
