"""The ledger keeps what it promised through kills, races, damage and full disks."""

from __future__ import annotations

import multiprocessing
import os
import random
import re
import resource
import shutil
import signal
import sqlite3
import stat
import sys
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import pytest

from portress.knock import Source
from portress.ledger.ledger import LastUse, Ledger, LedgerError, Reader

HOME = Source.parse("198.51.100.7")
AWAY = Source.parse("2001:db8::7")
NOON = 1_700_000_000.0
STEP = int(NOON // 30)

fork = multiprocessing.get_context("fork")


def in_child(work: Callable[..., Any], *arguments: object, user: int | None = None) -> Any:
    """What `work` returns, or the exception it raises, in its own process (as `user`, if we are root)."""

    def run(end: Connection) -> None:
        if user is not None and os.geteuid() == 0:
            os.setgroups([])
            os.setgid(user)
            os.setuid(user)
        try:
            end.send(work(*arguments))
        except BaseException as error:
            end.send(error)

    ours, theirs = fork.Pipe(duplex=False)
    child = fork.Process(target=run, args=(theirs,))
    child.start()
    assert ours.poll(30)
    answer = ours.recv()
    child.join(30)
    return answer


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.db"


@pytest.fixture
def ledger(path: Path) -> Iterator[Ledger]:
    with Ledger(path, now=NOON) as ledger:
        yield ledger


@contextmanager
def at_once(ledger: Ledger) -> Iterator[None]:
    """Many writes with one commit, for tests that need many rows and not their durability."""
    ledger._db.execute("BEGIN")
    yield
    ledger._db.execute("COMMIT")


@pytest.fixture
def shared() -> Iterator[Path]:
    """A directory that a user without rights can reach, which pytest's own is not."""
    directory = Path(tempfile.mkdtemp(prefix="portress-test-"))
    if os.geteuid() == 0:
        os.chown(directory, 65534, 65534)
    yield directory
    directory.chmod(0o700)
    shutil.rmtree(directory)


# Steps

ANA, BEN = b"a" * 16, b"b" * 16


def claim(number: int) -> bytes:
    return number.to_bytes(16, "big")


def test_a_step_is_used_once(ledger: Ledger) -> None:
    assert ledger.use(ANA, "vpn", STEP, HOME, NOON)
    assert not ledger.use(ANA, "vpn", STEP, AWAY, NOON + 1)
    assert ledger.used() == {ANA: LastUse(STEP, HOME, "vpn")}


def test_a_step_older_than_the_last_one_is_refused(ledger: Ledger) -> None:
    ledger.use(ANA, "vpn", STEP, HOME, NOON)
    assert not ledger.use(ANA, "vpn", STEP - 1, HOME, NOON)
    assert ledger.use(ANA, "vpn", STEP + 1, AWAY, NOON + 30)
    assert {key: use.at for key, use in ledger.last_uses().items()} == {(ANA, "vpn"): NOON + 30}


def test_each_claim_has_steps_of_its_own(ledger: Ledger) -> None:
    assert all(ledger.use(claim(number), "vpn", STEP, HOME, NOON) for number in range(3))
    assert set(ledger.used()) == {claim(number) for number in range(3)}


def test_a_step_used_at_one_door_is_used_at_all_that_have_its_claim(ledger: Ledger) -> None:
    assert ledger.use(ANA, "vpn", STEP, HOME, NOON)
    assert not ledger.use(ANA, "ssh", STEP, HOME, NOON)
    assert not ledger.use(ANA, "ssh", STEP - 1, HOME, NOON)
    assert ledger.use(ANA, "ssh", STEP + 1, HOME, NOON + 30)
    assert not ledger.use(ANA, "vpn", STEP + 1, HOME, NOON + 30)
    assert ledger.used() == {ANA: LastUse(STEP + 1, HOME, "ssh")}
    assert {key: use.at for key, use in ledger.last_uses().items()} == {
        (ANA, "vpn"): NOON,
        (ANA, "ssh"): NOON + 30,
    }


def test_the_digest_is_that_of_the_uses_and_of_nothing_else(path: Path) -> None:
    with Ledger(path, now=NOON) as ledger:
        digests = [ledger.digest]
        for use in ((ANA, "vpn", STEP), (BEN, "vpn", STEP), (ANA, "vpn", STEP + 1), (ANA, "ssh", STEP + 2)):
            assert ledger.use(*use, HOME, NOON)
            digests.append(ledger.digest)
            with Ledger(path, now=NOON) as again:
                assert again.digest == digests[-1]
        assert len(set(digests)) == 5
        ledger.use(ANA, "vpn", STEP, HOME, NOON)
        ledger.ended(ledger.admitted(HOME, "vpn", NOON, NOON + 60), NOON + 1, "dismissed")
        ledger.prune(NOON + 10)
        assert ledger.digest == digests[-1]


def test_another_ledger_has_another_digest(path: Path) -> None:
    with Ledger(path, now=NOON) as ledger, Ledger(path.with_name("other"), now=NOON) as other:
        assert ledger.digest != other.digest


def test_any_change_of_a_use_changes_the_digest(path: Path) -> None:
    with Ledger(path, now=NOON) as ledger:
        ledger.use(ANA, "vpn", STEP, HOME, NOON)
        true = ledger.digest
    for column, value in (
        ("claim", BEN),
        ("door", "ssh"),
        ("step", STEP - 1),
        ("source", AWAY.packed),
        ("length", 31),
        ("at", NOON - 1),
    ):
        shutil.copy(path, path.with_name("other"))
        db = sqlite3.connect(path.with_name("other"))
        db.execute(f"UPDATE used SET {column} = ?", (value,))
        db.commit()
        db.close()
        with Ledger(path.with_name("other"), now=NOON) as other:
            assert other.digest != true


def test_what_was_used_is_known_after_a_restart(ledger: Ledger, path: Path) -> None:
    ledger.use(ANA, "vpn", STEP, AWAY, NOON)
    ledger.close()
    with Ledger(path, now=NOON) as again:
        assert again.set_aside is None
        assert again.used() == {ANA: LastUse(STEP, AWAY, "vpn")}
        assert not again.use(ANA, "vpn", STEP, HOME, NOON)


def test_a_step_that_use_granted_survives_sigkill(path: Path) -> None:
    """50 rounds: a process uses steps as fast as it can and is killed at a random moment."""
    seeded = random.Random(1)
    Ledger(path, now=NOON).close()
    granted = 0
    for _ in range(50):
        readable, writable = os.pipe()

        def use_steps(first: int, end: int = writable) -> None:
            with Ledger(path, now=NOON) as ledger:
                for step in range(first, first + 10_000):
                    if ledger.use(ANA, "vpn", step, HOME, NOON):
                        os.write(end, step.to_bytes(8, "big"))

        child = fork.Process(target=use_steps, args=(granted + 1,))
        child.start()
        os.close(writable)
        assert child.pid is not None
        told = b""
        wanted = seeded.randrange(1, 6) * 8
        while len(told) < wanted and (more := os.read(readable, wanted - len(told))):
            told += more
        os.kill(child.pid, signal.SIGKILL)
        child.join(10)
        while more := os.read(readable, 65536):
            told += more
        os.close(readable)
        granted = int.from_bytes(told[-8:], "big")
        with Ledger(path, now=NOON) as ledger:
            assert ledger.set_aside is None
            assert ledger.used()[ANA].step >= granted > 0
            granted = ledger.used()[ANA].step


def test_of_two_processes_racing_for_a_step_one_gets_it(path: Path) -> None:
    Ledger(path, now=NOON).close()
    steps = range(1, 41)
    start = fork.Barrier(2)
    granted = fork.SimpleQueue()

    def race() -> None:
        with Ledger(path, now=NOON) as ledger:
            start.wait(10)
            granted.put([step for step in steps if ledger.use(ANA, "vpn", step, HOME, NOON)])

    racers = [fork.Process(target=race) for _ in range(2)]
    for racer in racers:
        racer.start()
    for racer in racers:
        racer.join(30)
    assert sorted(granted.get() + granted.get()) == list(steps)


def test_two_processes_that_begin_a_ledger_at_once_share_one(path: Path) -> None:
    start = fork.Barrier(4)
    granted = fork.SimpleQueue()

    def race() -> None:
        start.wait(10)
        with Ledger(path, now=NOON) as ledger:
            granted.put((ledger.set_aside, ledger.use(ANA, "vpn", 1, HOME, NOON)))

    racers = [fork.Process(target=race) for _ in range(4)]
    for racer in racers:
        racer.start()
    for racer in racers:
        racer.join(30)
    answers = [granted.get() for _ in racers]
    assert sorted(used for _, used in answers) == [False, False, False, True]
    assert {aside for aside, _ in answers} == {None}
    assert [entry.name for entry in path.parent.iterdir() if ".new-" in entry.name] == []


# Admissions


def test_an_admission_is_under_way_until_it_ends(ledger: Ledger) -> None:
    row = ledger.admitted(HOME, "vpn", NOON, NOON + 60, keyholder="ana", step=STEP)
    (record,) = ledger.under_way(NOON + 1)
    assert (record.row, record.source, record.door, record.keyholder) == (row, HOME, "vpn", "ana")
    assert (record.step, record.how, record.state(NOON + 1)) == (STEP, "knock", "active")
    ledger.ended(row, NOON + 5, "dismissed")
    assert ledger.under_way(NOON + 6) == []
    (record,) = ledger.history()
    assert (record.finish, record.state(NOON + 6)) == (NOON + 5, "dismissed")


def test_an_admission_keeps_its_first_ending(ledger: Ledger) -> None:
    row = ledger.admitted(HOME, "ssh", NOON, NOON + 60)
    ledger.ended(row, NOON + 5, "dismissed")
    ledger.ended(row, NOON + 60, "expired")
    assert [(record.ended, record.ending) for record in ledger.history()] == [(NOON + 5, "dismissed")]


def test_an_admission_runs_out_at_its_moment_though_it_is_noted_later(ledger: Ledger) -> None:
    ledger.ended(ledger.admitted(HOME, "ssh", NOON, NOON + 60), NOON + 60.4, "expired")
    ledger.ended(ledger.admitted(HOME, "ssh", NOON, NOON + 60), NOON + 60.4, "dismissed")
    assert [record.ended for record in ledger.history()] == [NOON + 60.4, NOON + 60]


def test_a_renewal_never_shortens(ledger: Ledger) -> None:
    row = ledger.admitted(HOME, "ssh", NOON, NOON + 60)
    ledger.renewed(row, NOON + 90)
    ledger.renewed(row, NOON + 30)
    assert [record.until for record in ledger.under_way(NOON)] == [NOON + 90]


def test_an_admission_that_ran_out_unseen_has_expired_at_its_until(ledger: Ledger) -> None:
    ledger.admitted(HOME, "ssh", NOON, NOON + 60)
    ledger.admitted(AWAY, "ssh", NOON, NOON + 600)
    assert [record.source for record in ledger.under_way(NOON + 60)] == [AWAY]
    assert ledger.expire(NOON + 60) == 1
    assert [(record.source, record.ended, record.ending) for record in ledger.history()] == [
        (AWAY, None, None),
        (HOME, NOON + 60, "expired"),
    ]


def test_rows_are_never_given_out_twice(ledger: Ledger) -> None:
    row = ledger.admitted(HOME, "ssh", NOON, NOON + 60)
    ledger.ended(row, NOON + 60, "expired")
    ledger.prune(NOON + 61)
    assert ledger.admitted(HOME, "ssh", NOON, NOON + 60) > row


# History


def test_history_filters_by_door_keyholder_and_time(ledger: Ledger) -> None:
    ledger.admitted(HOME, "ssh", NOON, NOON + 60)
    ledger.admitted(HOME, "vpn", NOON + 100, NOON + 200, keyholder="ana", step=STEP)
    ledger.admitted(AWAY, "vpn", NOON + 300, NOON + 400, keyholder="ben", step=STEP)

    def since(**filters: Any) -> list[float]:
        return [record.since - NOON for record in ledger.history(**filters)]

    assert since() == [300, 100, 0]
    assert since(door="vpn") == [300, 100]
    assert since(keyholder="ana") == [100]
    assert since(since=NOON + 200) == [300, 100]
    assert since(since=NOON + 201) == [300]
    assert since(until=NOON + 100) == [100, 0]
    assert since(since=NOON + 150, until=NOON + 160) == [100]
    assert since(limit=2) == [300, 100]
    assert since(limit=0) == []


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("198.51.100.7", ["198.51.100.7"]),
        ("198.51.100.0/24", ["198.51.100.7"]),
        ("198.51.100.0/23", ["198.51.101.0/28", "198.51.100.7"]),
        ("198.51.101.1", ["198.51.101.0/28"]),
        ("198.51.101.16", []),
        ("2001:db8::/32", ["2001:db8:1::/64", "2001:db8::7"]),
        ("2001:db8:1::/48", ["2001:db8:1::/64"]),
        ("2001:db8:1::5", ["2001:db8:1::/64"]),
        ("2001:db8:1:1::5", []),
        ("0.0.0.0/0", ["198.51.101.0/28", "198.51.100.7"]),
    ],
)
def test_history_finds_a_source_those_inside_it_and_the_prefix_it_came_in_as(
    ledger: Ledger, asked: str, found: list[str]
) -> None:
    for text in ("198.51.100.7", "198.51.101.0/28", "2001:db8::7", "2001:db8:1::/64"):
        ledger.admitted(Source.parse(text), "ssh", NOON, NOON + 60)
    assert [str(record.source) for record in ledger.history(source=Source.parse(asked))] == found


def test_history_gives_every_row_once_however_many_share_a_moment(ledger: Ledger) -> None:
    with at_once(ledger):
        rows = [ledger.admitted(HOME, "ssh", NOON + number // 400, NOON + 60) for number in range(1201)]
    assert [record.row for record in ledger.history()] == rows[::-1]
    assert [record.row for record in ledger.history(limit=777)] == rows[::-1][:777]


def test_history_half_read_does_not_hold_the_log_back(ledger: Ledger, path: Path) -> None:
    with at_once(ledger):
        for number in range(600):
            ledger.admitted(HOME, "ssh", NOON + number, NOON + 60)
    with Reader(path) as reader:
        half = reader.history()
        next(half)
        (busy, frames, moved) = ledger._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        assert (busy, frames, moved) == (0, 0, 0)
        assert len(list(half)) == 599


def test_a_reader_sees_what_the_daemon_writes_and_cannot_write(ledger: Ledger, path: Path) -> None:
    with Reader(path) as reader:
        ledger.admitted(HOME, "ssh", NOON, NOON + 60)
        assert [record.source for record in reader.history()] == [HOME]
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            reader._db.execute("DELETE FROM admission")


def test_a_reader_of_no_ledger_says_so(path: Path) -> None:
    with pytest.raises(LedgerError, match="no ledger yet"):
        Reader(path)
    assert not path.exists()
    path.mkdir()
    with pytest.raises(LedgerError, match="not a regular file"):
        Reader(path)


def test_a_reader_without_rights_to_the_directory_reads_a_ledger_at_rest(shared: Path) -> None:
    path = shared / "ledger.db"
    with Ledger(path, now=NOON) as ledger:
        ledger.admitted(HOME, "ssh", NOON, NOON + 60)
    if os.geteuid() == 0:
        os.chown(path, 65534, 65534)
    shared.chmod(0o500)

    def read() -> list[str]:
        with Reader(path) as reader:
            return [str(record.source) for record in reader.history()]

    assert in_child(read, user=65534) == ["198.51.100.7"]


def test_pruning_keeps_the_file_bounded(ledger: Ledger, path: Path) -> None:
    def fill(day: int) -> int:
        with at_once(ledger):
            for number in range(800):
                since = NOON + 86400 * day + number
                ledger.ended(ledger.admitted(HOME, "ssh", since, since + 60), since + 60, "expired")
        ledger.prune(NOON + 86400 * day)
        ledger._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        return path.stat().st_size

    sizes = [fill(day) for day in range(4)]
    assert sizes[3] <= sizes[1] * 1.1
    assert len(list(ledger.history())) == 800


def test_pruning_makes_the_file_smaller(path: Path) -> None:
    """What is dropped is given back to the disk, to the last page that is free."""
    with Ledger(path, now=NOON) as ledger:
        with at_once(ledger):
            for number in range(20_000):
                row = ledger.admitted(HOME, "ssh", NOON + number, NOON + number + 60, keyholder="k" * 60)
                ledger.ended(row, NOON + number + 60, "expired")
        ledger.prune(NOON)
        full = path.stat().st_size
        assert full > 2_000_000
        assert ledger.prune(NOON + 10**6) == 20_000
        assert path.stat().st_size < full / 20
        assert ledger._db.execute("PRAGMA freelist_count").fetchone() == (0,)


def test_pruning_spares_what_is_under_way(ledger: Ledger) -> None:
    ledger.admitted(HOME, "ssh", NOON, NOON + 10**6)
    assert ledger.prune(NOON + 10**5) == 0
    assert len(ledger.under_way(NOON)) == 1


# The file


def test_every_file_is_private_from_its_first_moment(path: Path) -> None:
    """No file of ours is ever seen with more than 0600, whatever the umask."""
    seen: set[int] = set()

    def watch(frame: Any, event: str, argument: Any) -> Any:
        seen.update(stat.S_IMODE(entry.stat().st_mode) for entry in path.parent.iterdir() if entry.is_file())
        return watch

    before = os.umask(0)
    sys.settrace(watch)
    try:
        ledger = Ledger(path, now=NOON)
        ledger.use(ANA, "vpn", 1, HOME, NOON)
    finally:
        sys.settrace(None)
        os.umask(before)
    assert {entry.name for entry in path.parent.iterdir()} == {"ledger.db", "ledger.db-wal", "ledger.db-shm"}
    assert seen == {0o600}
    ledger.close()


def test_a_file_that_others_could_read_is_made_private(path: Path) -> None:
    Ledger(path, now=NOON).close()
    path.chmod(0o644)
    Ledger(path, now=NOON).close()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def truncated(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2 + 100)


def random_bytes(path: Path) -> None:
    path.write_bytes(random.Random(2).randbytes(path.stat().st_size))


def emptied_with_its_log_left(path: Path) -> None:
    os.truncate(path, 0)
    Path(f"{path}-wal").write_bytes(b"left over")


def emptied(path: Path) -> None:
    os.truncate(path, 0)


def gone_with_its_log_left(path: Path) -> None:
    path.unlink()
    Path(f"{path}-wal").write_bytes(b"left over")


def another_programs(path: Path) -> None:
    path.unlink()
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE used (colour TEXT)")
    db.close()


def of_another_shape(path: Path) -> None:
    with sqlite3.connect(path) as db:
        db.execute("ALTER TABLE used RENAME COLUMN step TO pace")
    db.close()


def of_a_newer_version(path: Path) -> None:
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 2")
    db.close()


DAMAGES: dict[Callable[[Path], None], str] = {
    truncated: "malformed|database disk image",
    random_bytes: "file is not a database",
    emptied_with_its_log_left: "the file is empty",
    emptied: "the file is empty",
    gone_with_its_log_left: "the file is gone",
    another_programs: "not a ledger of Portress",
    of_another_shape: "not the ledger's schema",
    of_a_newer_version: "schema 2, this one is 1",
}


@pytest.mark.parametrize("damage", DAMAGES, ids=lambda damage: damage.__name__)
def test_a_damaged_file_is_set_aside_and_a_new_one_begun(path: Path, damage: Callable[[Path], None]) -> None:
    with Ledger(path, now=NOON) as ledger, at_once(ledger):
        for number in range(200):
            ledger.admitted(HOME, "ssh", NOON, NOON + 60, keyholder=f"keyholder-{number}")
    damage(path)
    left = path.read_bytes() if path.exists() else None
    with Ledger(path, now=NOON) as ledger:
        assert ledger.set_aside == path.with_name("ledger.db.damaged-20231114T221320Z")
        assert ledger.damage is not None
        assert re.search(DAMAGES[damage], ledger.damage)
        assert list(ledger.history()) == []
        assert ledger.use(ANA, "vpn", STEP + 2, HOME, NOON + 60)
    if left is not None:
        assert path.with_name("ledger.db.damaged-20231114T221320Z").read_bytes() == left
    with Ledger(path, now=NOON) as ledger:
        assert ledger.set_aside is None


def test_damage_twice_in_a_second_keeps_both_files(path: Path) -> None:
    Ledger(path, now=NOON).close()
    asides = []
    for _ in range(2):
        random_bytes(path)
        with Ledger(path, now=NOON) as ledger:
            asides.append(ledger.set_aside)
    assert len(set(asides)) == 2
    assert all(aside is not None and aside.exists() for aside in asides)


def test_no_mutation_of_the_file_raises_anything_but_a_ledger_error(path: Path) -> None:
    """80 seeded mutations: each is opened, set aside or refused, and every method goes on likewise."""
    with Ledger(path, now=NOON) as ledger, at_once(ledger):
        for number in range(60):
            ledger.use(claim(number), "vpn", STEP, HOME, NOON)
            ledger.admitted(HOME, "vpn", NOON, NOON + 60, keyholder=f"keyholder-{number}", step=STEP)
    sound = path.read_bytes()
    seeded = random.Random(3)
    outcomes = set()
    for _ in range(80):
        for entry in path.parent.iterdir():
            entry.unlink()
        mutated = bytearray(sound)
        for _ in range(seeded.choice((1, 4, 64))):
            mutated[seeded.randrange(len(mutated))] = seeded.randrange(256)
        path.write_bytes(mutated[: seeded.choice((len(mutated), seeded.randrange(len(mutated))))])
        try:
            with Ledger(path, now=NOON) as ledger:
                outcomes.add("aside" if ledger.set_aside else "opened")
                ledger._db.execute("PRAGMA synchronous = OFF")
                ledger.use(ANA, "vpn", STEP + 9, HOME, NOON)
                row = ledger.admitted(HOME, "vpn", NOON, NOON + 60)
                ledger.renewed(row, NOON + 70)
                ledger.ended(row, NOON + 1, "dismissed")
                ledger.used(), ledger.last_uses(), ledger.under_way(NOON), list(ledger.history())
                ledger.expire(NOON + 100)
                ledger.prune(NOON + 100)
        except LedgerError:
            outcomes.add("refused")
    assert {"aside", "opened"} <= outcomes


# Disks


def every_write(ledger: Ledger) -> list[Callable[[], object]]:
    return [
        lambda: ledger.use(ANA, "vpn", STEP + 10**6, HOME, NOON),
        lambda: ledger.admitted(HOME, "vpn", NOON, NOON + 60),
        lambda: ledger.renewed(1, NOON + 10**6),
        lambda: ledger.ended(1, NOON, "dismissed"),
        lambda: ledger.expire(NOON + 10**7),
        lambda: ledger.prune(NOON + 10**7),
    ]


def test_a_full_disk_raises_a_ledger_error_and_a_freed_one_goes_on(ledger: Ledger) -> None:
    pages = ledger._db.execute("PRAGMA page_count").fetchone()[0]
    ledger._db.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(LedgerError, match=r"ledger\.db: the disk is full$"):
        for number in range(10_000):
            ledger.use(claim(number), "vpn", STEP, HOME, NOON)
    ledger._db.execute("PRAGMA max_page_count = 100000")
    assert ledger.use(ANA, "vpn", STEP, HOME, NOON)


def test_a_file_size_limit_raises_a_ledger_error_and_lifted_goes_on(path: Path) -> None:
    def work() -> tuple[list[str], bool]:
        with Ledger(path, now=NOON) as ledger:
            ledger.admitted(HOME, "vpn", NOON, NOON + 60)
            ledger.ended(ledger.admitted(AWAY, "vpn", NOON, NOON + 60), NOON + 1, "dismissed")
            ledger.use(claim(0), "vpn", STEP, HOME, NOON)
            _, most = resource.getrlimit(resource.RLIMIT_FSIZE)
            resource.setrlimit(resource.RLIMIT_FSIZE, (Path(f"{path}-wal").stat().st_size, most))
            raised = []
            for write in every_write(ledger):
                try:
                    write()
                except Exception as error:
                    raised.append(type(error).__name__)
            resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
            return raised, ledger.use(ANA, "vpn", STEP + 10**6, HOME, NOON)

    raised, used = in_child(work)
    assert raised == ["LedgerError"] * 6
    assert used


def test_no_room_for_a_new_ledger_is_a_ledger_error_and_leaves_nothing(path: Path) -> None:
    def work() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (2048, 2048))
        Ledger(path, now=NOON)

    assert isinstance(in_child(work), LedgerError)
    assert list(path.parent.iterdir()) == []


def test_no_room_beside_a_damaged_ledger_leaves_it_where_it_is(path: Path) -> None:
    def work() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (2048, 2048))
        Ledger(path, now=NOON)

    path.write_bytes(b"no ledger" * 100)
    assert isinstance(in_child(work), LedgerError)
    assert [entry.name for entry in path.parent.iterdir()] == ["ledger.db"]


def test_a_read_only_directory_is_a_ledger_error(shared: Path) -> None:
    shared.chmod(0o500)
    error = in_child(Ledger, shared / "ledger.db", user=65534)
    assert isinstance(error, LedgerError)
    assert str(error) == f"{shared}/ledger.db: Permission denied"


def test_a_read_only_file_is_a_ledger_error(shared: Path) -> None:
    path = shared / "ledger.db"
    Ledger(path, now=NOON).close()
    path.chmod(0o400)
    if os.geteuid() == 0:
        os.chown(path, 65534, 65534)
    assert isinstance(in_child(Ledger, path, user=65534), LedgerError)


def test_a_ledger_removed_under_the_daemon_is_noticed_at_the_next_write(ledger: Ledger, path: Path) -> None:
    path.unlink()
    for write in every_write(ledger):
        with pytest.raises(LedgerError, match="moved or removed"):
            write()


def test_another_processs_endless_write_is_a_ledger_error(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("portress.ledger.file.PATIENCE", 0.05)
    with Ledger(path, now=NOON) as ledger:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LedgerError, match="another process is writing"):
            ledger.use(ANA, "vpn", STEP, HOME, NOON)
        other.execute("ROLLBACK")
        other.close()
        assert ledger.use(ANA, "vpn", STEP, HOME, NOON)


def test_a_closed_ledger_raises_a_ledger_error(path: Path) -> None:
    ledger = Ledger(path, now=NOON)
    ledger.close()
    with pytest.raises(LedgerError):
        ledger.use(ANA, "vpn", STEP, HOME, NOON)


def test_a_ledger_made_in_one_thread_is_used_in_another(ledger: Ledger) -> None:
    with ThreadPoolExecutor(1) as executor:
        assert executor.submit(ledger.use, ANA, "vpn", STEP, HOME, NOON).result()


@pytest.mark.parametrize("length", [-1, 33, 129])
def test_a_source_of_an_impossible_length_is_damage_told_in_one_line(path: Path, length: int) -> None:
    with Ledger(path, now=NOON) as ledger:
        ledger.use(ANA, "vpn", STEP, HOME, NOON)
        ledger.admitted(HOME, "vpn", NOON, NOON + 60)
        for table in ("used", "admission"):
            ledger._db.execute(f"UPDATE {table} SET length = ?", (length,))
        for read in (ledger.used, lambda: ledger.under_way(NOON), lambda: list(ledger.history())):
            with pytest.raises(LedgerError, match="a source of an impossible length"):
                read()
        ledger._db.execute("UPDATE admission SET length = 32")
        assert len(ledger.under_way(NOON)) == 1
