"""The ledger behind its thread: in order, without making anyone wait, and never forgetting a use."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from portress.admissions import Admission
from portress.events import Events, Fields, Kind
from portress.knock import SECOND, Source
from portress.ledger.ledger import Ledger, LedgerError
from portress.run import use_mark
from portress.run.ledger_writer import Books
from portress.run.use_mark import Mark

ANA = Source.parse("192.0.2.7")
HERS = b"a" * 16  # what ana's uses are remembered under


class Refusing(Ledger):
    """A ledger whose disk is full when it is told so."""

    full = False
    refused = ""  # the door whose admissions cannot be written

    def use(self, claim: bytes, door: str, step: int, source: Source, at: float) -> bool:
        if self.full:
            raise LedgerError("the disk is full")
        return super().use(claim, door, step, source, at)

    def admitted(self, source: Source, door: str, *more: Any, **named: Any) -> int:
        if door == self.refused:
            raise LedgerError("the disk is full")
        return super().admitted(source, door, *more, **named)


def kept(
    folder: Path, work: Callable[[Books, Refusing], Awaitable[None]], *, in_fleet: bool = False
) -> list[str]:
    """Do `work` with books in `folder`; the events told."""
    told: list[str] = []

    def write(_name: str, _kind: Kind, text: str, _fields: Fields) -> None:
        told.append(text)

    async def whole() -> None:
        ledger = Refusing(folder / "ledger.db", 1000.0)
        events, mark = Events(write, lambda: 0), folder / "uses"
        books = Books(ledger, events, lambda: 1000.0, lambda: 0, mark, "boot", in_fleet=in_fleet)
        await work(books, ledger)
        await books.close()

    asyncio.run(whole())
    return told


def test_an_admissions_end_is_written_to_the_row_of_its_beginning(tmp_path: Path) -> None:
    async def work(books: Books, _: Refusing) -> None:
        for number in range(20):
            admission = Admission("ssh", Source.parse(f"192.0.2.{number}"), 0, SECOND)
            books.admitted(admission, 1001.0)
            books.renewed(admission, 1002.0)
            books.ended(admission, "dismissed")

    kept(tmp_path, work)
    with_rows = list(Ledger(tmp_path / "ledger.db", 2000.0).history())
    assert len(with_rows) == 20
    assert all(one.ending == "dismissed" and one.until == 1002.0 for one in with_rows)


def test_the_ledger_is_closed_when_nothing_is_done_with_it_any_more(tmp_path: Path) -> None:
    """A stop while it is pruned, or read at length: SQLite's memory must not go meanwhile."""
    done: list[str] = []
    begun, end = threading.Event(), threading.Event()

    async def work(books: Books, ledger: Refusing) -> None:
        def prune(_before: float) -> None:
            begun.set()
            end.wait(1)
            done.append("pruned")

        def close() -> None:
            Ledger.close(ledger)
            done.append("closed")

        ledger.prune, ledger.close = prune, close  # type: ignore[assignment,method-assign]
        task = asyncio.get_running_loop().create_task(books.prune(0.0))
        await asyncio.to_thread(begun.wait)
        asyncio.get_running_loop().call_soon(task.cancel)  # the loop ends without it, as the daemon's does

    kept(tmp_path, work)
    assert done == ["pruned", "closed"]


def test_many_writes_at_once_cost_the_disk_few(tmp_path: Path) -> None:
    done: list[Books] = []

    async def work(books: Books, _: Refusing) -> None:
        done.append(books)
        for number in range(2000):
            source = Source.parse(f"198.51.{100 + number // 250}.{number % 250}")
            books.admitted(Admission("ssh", source, 0, SECOND), 1001.0)

    kept(tmp_path, work)
    assert len(list(Ledger(tmp_path / "ledger.db", 2000.0).history())) == 2000
    assert 0 < done[0].writing.count < 10


def test_in_a_fleet_admissions_wait_for_others_doors_and_none_is_lost(tmp_path: Path) -> None:
    others = [Admission("ssh", Source.parse(f"192.0.2.{n}"), 0, SECOND, how="fleet edge-2") for n in range(9)]

    async def work(books: Books, ledger: Refusing) -> None:
        books.admitted_all([(one, 1001.0 + number) for number, one in enumerate(others)])
        books.admitted(Admission("vpn", ANA, 0, SECOND), 1001.0)
        await asyncio.sleep(0.005)
        assert books.writing.count == 0
        await asyncio.sleep(0.3)  # its own is in the ledger long before a second is over
        assert len(list(ledger.history(door="vpn"))) == 1
        books.ended(others[3], "dismissed")
        books.renewed(others[4], 2000.0)

    kept(tmp_path, work, in_fleet=True)
    found = list(Ledger(tmp_path / "ledger.db", 2000.0).history(door="ssh"))
    assert {str(one.source): one.until for one in found if one.source != others[4].source} == {
        str(one.source): 1001.0 + number for number, one in enumerate(others) if number != 4
    }
    assert [one.until for one in found if one.source == others[4].source] == [2000.0]
    assert [str(one.source) for one in found if one.ending == "dismissed"] == ["192.0.2.3"]
    assert {one.how for one in found} == {"fleet edge-2"}


def test_one_that_cannot_be_written_keeps_no_other_from_it(tmp_path: Path) -> None:
    async def work(books: Books, ledger: Refusing) -> None:
        ledger.refused = "shop"
        for door in ("ssh", "shop", "vpn"):
            admission = Admission(door, ANA, 0, SECOND)
            books.admitted(admission, 1001.0)
            books.ended(admission, "dismissed")

    assert kept(tmp_path, work) == ["ledger write failed: the disk is full"]
    records = list(Ledger(tmp_path / "ledger.db", 2000.0).history())
    assert sorted((one.door, one.ending) for one in records) == [("ssh", "dismissed"), ("vpn", "dismissed")]


def marked(folder: Path) -> Mark:
    mark = use_mark.read(folder / "uses", "boot")
    assert mark is not None
    return mark


def test_a_sequence_is_used_once(tmp_path: Path) -> None:
    async def work(books: Books, ledger: Refusing) -> None:
        assert await books.use(HERS, "vpn", 5, ANA) == "new"
        assert marked(tmp_path) == Mark(ledger.digest)
        assert await books.use(HERS, "vpn", 5, ANA) == "used"
        assert await books.use(HERS, "vpn", 4, ANA) == "used"
        assert await books.use(HERS, "vpn", 6, ANA) == "new"
        assert marked(tmp_path) == Mark(ledger.digest)

    assert kept(tmp_path, work) == []
    assert (tmp_path / "uses").stat().st_mode & 0o777 == 0o600


def test_the_mark_keeps_the_moment_before_which_not_all_is_known(tmp_path: Path) -> None:
    async def work(books: Books, ledger: Refusing) -> None:
        books.begin(12.5, ())
        assert marked(tmp_path) == Mark(ledger.digest, 12.5)
        await books.use(HERS, "vpn", 5, ANA)
        assert marked(tmp_path) == Mark(ledger.digest, 12.5)

    assert kept(tmp_path, work) == []


def test_a_use_that_could_not_be_written_is_owed_and_paid_later(tmp_path: Path) -> None:
    async def work(books: Books, ledger: Refusing) -> None:
        ledger.full = True
        assert await books.use(HERS, "vpn", 5, ANA) == "new"
        assert marked(tmp_path) == Mark(ledger.digest, None, ((HERS, "vpn", 5, ANA, 1000.0),))
        assert books.failures == 1
        await books.settle()
        assert len(marked(tmp_path).owed) == 1
        ledger.full = False
        await books.settle()
        assert marked(tmp_path) == Mark(ledger.digest)
        assert await books.use(HERS, "vpn", 5, ANA) == "used"

    assert kept(tmp_path, work) == ["ledger write failed: the disk is full"] * 2


def test_the_next_daemon_pays_what_the_last_one_owed(tmp_path: Path) -> None:
    async def owe(books: Books, ledger: Refusing) -> None:
        ledger.full = True
        assert await books.use(HERS, "vpn", 5, ANA) == "new"
        assert await books.use(HERS, "vpn", 7, Source.parse("192.0.2.9")) == "new"
        books.ledger = None  # it dies

    async def know(books: Books, _: Refusing) -> None:
        owed = marked(tmp_path).owed
        assert [(entry[2], str(entry[3])) for entry in owed] == [(5, "192.0.2.7"), (7, "192.0.2.9")]
        books.begin(None, owed)
        await books.settle()
        assert marked(tmp_path).owed == ()
        assert await books.use(HERS, "vpn", 7, ANA) == "used"

    kept(tmp_path, owe)
    kept(tmp_path, know)


def test_a_use_that_can_be_noted_nowhere_is_told_as_such(tmp_path: Path) -> None:
    async def work(books: Books, ledger: Refusing) -> None:
        (tmp_path / "uses").mkdir()
        ledger.full = True
        assert await books.use(HERS, "vpn", 5, ANA) == "nowhere"
        (tmp_path / "uses").rmdir()
        ledger.full = False
        assert await books.use(HERS, "vpn", 5, ANA) == "new"  # it had opened nothing

    told = kept(tmp_path, work)
    assert told[0] == "ledger write failed: the disk is full"
    assert told[1].startswith(f"{tmp_path}/uses: cannot be written: ")
    assert len(told) == 2


def test_where_the_mark_cannot_be_written_there_is_none(tmp_path: Path) -> None:
    """The next daemon must not take an old one for the truth."""

    async def work(books: Books, _: Refusing) -> None:
        books.begin(None, ())
        (tmp_path / "uses.new").mkdir()
        assert await books.use(HERS, "vpn", 5, ANA) == "new"
        assert use_mark.read(tmp_path / "uses", "boot") is None

    assert len(kept(tmp_path, work)) == 1


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", "nonsense", '{"boot": "boot", "digest": "0"}', "[" * 100_000]
)
def test_a_mark_that_makes_no_sense_is_none(tmp_path: Path, text: str) -> None:
    (tmp_path / "uses").write_text(text)
    assert use_mark.read(tmp_path / "uses", "boot") is None


def test_a_mark_of_another_boot_is_none(tmp_path: Path) -> None:
    use_mark.write(tmp_path / "uses", "boot", Mark(7))
    assert use_mark.read(tmp_path / "uses", "boot") == Mark(7)
    assert use_mark.read(tmp_path / "uses", "another") is None


def test_a_mark_is_not_written_through_a_link(tmp_path: Path) -> None:
    (tmp_path / "theirs").write_text("theirs")
    for name in ("uses", "uses.new"):
        (tmp_path / name).symlink_to(tmp_path / "theirs")
    use_mark.write(tmp_path / "uses", "boot", Mark(7))
    assert (tmp_path / "theirs").read_text() == "theirs"
    assert use_mark.read(tmp_path / "uses", "boot") == Mark(7)


def test_without_a_ledger_work_goes_on_and_no_use_counts(tmp_path: Path) -> None:
    async def whole() -> None:
        books = Books(None, Events(lambda *_: None, lambda: 0), lambda: 0.0, lambda: 0, tmp_path / "uses", "")
        assert await books.use(HERS, "vpn", 5, ANA) == "nowhere"
        books.admitted(Admission("ssh", ANA, 0, 1), 1.0)
        await books.close()

    asyncio.run(whole())


def test_the_name_of_this_boot_is_the_kernels(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert use_mark.boot() == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    monkeypatch.setattr(use_mark, "BOOT", tmp_path / "nothing")
    assert use_mark.boot() == ""
