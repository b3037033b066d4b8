"""The ledger's file: made whole under its name, read before it is used, set aside when it is damaged."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from portress.ledger import file
from portress.ledger.file import Damaged, LedgerError

NOON = 1_700_000_000.0  # 2023-11-14T22:13:20Z
STAMP = ".damaged-20231114T221320Z"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.db"


def opened() -> list[str]:
    """The files and directories that this process has open."""
    names = []
    for one in os.listdir("/proc/self/fd"):
        with contextlib.suppress(FileNotFoundError):  # the one that lists them
            names.append(os.readlink(f"/proc/self/fd/{one}"))
    return sorted(names)


def raising(error: BaseException) -> Any:
    def fails(*_: Any) -> Any:
        raise error

    return fails


def failed(code: int) -> sqlite3.OperationalError:
    error = sqlite3.OperationalError("it does not work")
    error.sqlite_errorcode = code
    return error


def test_a_new_file_is_for_its_owner_alone_from_its_first_moment(path: Path) -> None:
    stray = path.with_name(f"ledger.db.new-{os.getpid()}")
    stray.write_text("of a process of that number that was killed")
    new = file.prepare(path)
    assert new == stray and new.stat().st_mode & 0o777 == 0o600
    assert [one.name for one in path.parent.iterdir()] == [new.name]


@pytest.mark.parametrize("mode", [0o640, 0o602, 0o601, 0o610])
def test_a_file_that_others_may_use_is_for_its_owner_alone_again(path: Path, mode: int) -> None:
    file.begin(path)
    path.chmod(mode)
    file.open_checked(path).close()
    assert path.stat().st_mode & 0o777 == 0o600


def test_the_names_are_on_the_disk_before_the_file_is_used(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[str] = []
    monkeypatch.setattr(os, "fsync", lambda one: synced.append(os.readlink(f"/proc/self/fd/{one}")))
    before = opened()
    for step in (file.begin, lambda one: file.replace(one, NOON), lambda one: file.open_checked(one).close()):
        step(path)
        assert synced == [str(path.parent)] and opened() == before
        synced.clear()


def test_its_log_does_not_stay_as_long_as_it_ever_was(path: Path) -> None:
    db = file.open_checked(path)
    ((limit,),) = db.execute("PRAGMA journal_size_limit")
    db.close()
    assert 1 << 20 <= limit <= 1 << 24


def test_a_damaged_file_is_set_aside_with_its_log_and_each_under_a_name_of_its_own(path: Path) -> None:
    aside = []
    for number in range(3):
        path.write_text(f"damaged {number}")
        path.with_name("ledger.db-wal").write_text(f"log {number}")
        path.with_name("ledger.db-shm").write_text("index")
        aside.append(file.replace(path, NOON))
        assert sorted(path.parent.glob("ledger.db-*")) == []
        file.open_checked(path).close()
    assert [one.name for one in aside] == [f"ledger.db{STAMP}{extra}" for extra in ("", "-2", "-3")]
    for number, one in enumerate(aside):
        assert one.read_text() == f"damaged {number}"
        assert one.with_name(f"{one.name}-wal").read_text() == f"log {number}"
    path.unlink()
    path.with_name("ledger.db-wal").write_text("log 3")  # all that is left
    assert file.replace(path, NOON).name == f"ledger.db{STAMP}-4" and path.exists()


def test_a_name_that_only_a_log_has_is_not_taken(path: Path) -> None:
    path.with_name(f"ledger.db{STAMP}-wal").write_text("of one before")
    path.write_text("damaged")
    assert file.replace(path, NOON).name == f"ledger.db{STAMP}-2"
    assert path.with_name(f"ledger.db{STAMP}-wal").read_text() == "of one before"


def test_what_is_in_it_has_to_be_what_may_be_in_it(path: Path) -> None:
    """SQLite opens and reads such a file; only its own check says what is wrong."""
    db = file.open_checked(path)
    db.execute("PRAGMA ignore_check_constraints = 1")
    db.execute("INSERT INTO used VALUES (x'01', 'vpn', 5, x'c0000207', 32, 0.0)")
    db.close()
    before = opened()
    with pytest.raises(Damaged, match="CHECK constraint failed in used"):
        file.open_checked(path)
    assert opened() == before


@pytest.mark.parametrize(
    ("error", "wanted", "words"),
    [
        (failed(sqlite3.SQLITE_CORRUPT), Damaged, "it does not work"),
        (failed(sqlite3.SQLITE_NOTADB), Damaged, "it does not work"),
        (failed(sqlite3.SQLITE_BUSY), LedgerError, "another process is writing to it and does not finish"),
        (failed(sqlite3.SQLITE_IOERR | 1 << 8), LedgerError, "the disk reports an error"),
        (UnicodeDecodeError("utf-8", b"\xff", 0, 1, "no text"), Damaged, "its text is not UTF-8"),
        (PermissionError(13, "Permission denied"), LedgerError, "Permission denied"),
    ],
)
@pytest.mark.parametrize("at", ["connect", "_check"])
def test_only_a_damaged_file_is_set_aside(
    path: Path,
    monkeypatch: pytest.MonkeyPatch,
    at: str,
    error: Exception,
    wanted: type[Exception],
    words: str,
) -> None:
    file.begin(path)
    before = opened()
    monkeypatch.setattr(file, at, raising(error))
    with pytest.raises(wanted, match=words):
        file.open_checked(path)
    assert opened() == before


class Answers:
    """In place of a connection: a ledger of ours whose tables cannot be asked, or that takes no log."""

    def __init__(self, error: sqlite3.Error | None = None) -> None:
        self.error = error

    def execute(self, statement: str) -> Any:
        rows = {
            "PRAGMA application_id": file.APPLICATION,
            "PRAGMA user_version": file.VERSION,
            "PRAGMA quick_check(1)": "ok",
            "PRAGMA journal_mode = WAL": "delete",
        }
        if statement not in rows and self.error is not None:
            raise self.error
        return sqlite3.connect(":memory:").execute("SELECT ?", (rows.get(statement),))


def test_tables_that_are_others_are_damage_and_those_that_cannot_be_asked_now_are_not() -> None:
    db: Any = Answers(failed(sqlite3.SQLITE_ERROR))
    with pytest.raises(Damaged, match="not the ledger's schema: it does not work"):
        file._check(db)
    db = Answers(failed(sqlite3.SQLITE_BUSY))
    with pytest.raises(sqlite3.OperationalError):
        file._check(db)


def test_a_file_system_that_takes_no_log_is_told_as_such() -> None:
    db: Any = Answers()
    with pytest.raises(sqlite3.OperationalError, match="its file system does not allow write-ahead logging"):
        file._check(db)


def test_what_is_reported_with_a_damaged_name_is_damage(path: Path) -> None:
    words = f"{path}: it is damaged; a restart sets it aside"
    with pytest.raises(LedgerError, match=words), file.errors_named(path):
        raise UnicodeDecodeError("utf-8", b"\xff", 0, 1, "no text")
