"""The ledger behind its thread: in order, without making anyone wait, and never forgetting a use."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from portress.admissions import Admission
from portress.events import Events, Fields, Kind
from portress.knock import SECOND, Source
from portress.ledger.ledger import Ledger, LedgerError
from portress.run.ledger_writer import Books

ANA = Source.parse("192.0.2.7")


class Refusing(Ledger):
    """A ledger whose disk is full when it is told so."""

    full = False
    refused = ""  # the door whose admissions cannot be written

    def use(self, keyholder: str, door: str, step: int, source: Source, at: float) -> bool:
        if self.full:
            raise LedgerError("the disk is full")
        return super().use(keyholder, door, step, source, at)

    def admitted(self, source: Source, door: str, *more: Any, **named: Any) -> int:
        if door == self.refused:
            raise LedgerError("the disk is full")
        return super().admitted(source, door, *more, **named)


def kept(folder: Path, work: Callable[[Books, Refusing], Awaitable[None]]) -> list[str]:
    """Do `work` with books in `folder`; the events told."""
    told: list[str] = []

    def write(_name: str, _kind: Kind, text: str, _fields: Fields) -> None:
        told.append(text)

    async def whole() -> None:
        ledger = Refusing(folder / "ledger.db", 1000.0)
        books = Books(ledger, Events(write, lambda: 0), lambda: 1000.0, lambda: 0, folder / "owed")
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


def test_many_writes_at_once_cost_the_disk_few(tmp_path: Path) -> None:
    written: list[float] = []

    async def work(books: Books, _: Refusing) -> None:
        books.observe = written.append
        for number in range(2000):
            source = Source.parse(f"198.51.{100 + number // 250}.{number % 250}")
            books.admitted(Admission("ssh", source, 0, SECOND), 1001.0)

    kept(tmp_path, work)
    assert len(list(Ledger(tmp_path / "ledger.db", 2000.0).history())) == 2000
    assert len(written) < 10


def test_one_that_cannot_be_written_keeps_no_other_from_it(tmp_path: Path) -> None:
    async def work(books: Books, ledger: Refusing) -> None:
        ledger.refused = "shop"
        for door in ("ssh", "shop", "vpn"):
            admission = Admission(door, ANA, 0, SECOND)
            books.admitted(admission, 1001.0)
            books.ended(admission, "dismissed")

    assert kept(tmp_path, work) == ["the ledger was not written: the disk is full"]
    records = list(Ledger(tmp_path / "ledger.db", 2000.0).history())
    assert sorted((one.door, one.ending) for one in records) == [("ssh", "dismissed"), ("vpn", "dismissed")]


def test_a_sequence_is_used_once(tmp_path: Path) -> None:
    async def work(books: Books, _: Refusing) -> None:
        assert await books.use("ana", "vpn", 5, ANA)
        assert not await books.use("ana", "vpn", 5, ANA)
        assert not await books.use("ana", "vpn", 4, ANA)
        assert await books.use("ana", "vpn", 6, ANA)

    assert kept(tmp_path, work) == []


def test_a_use_that_could_not_be_written_is_owed_and_paid_later(tmp_path: Path) -> None:
    async def work(books: Books, ledger: Refusing) -> None:
        ledger.full = True
        assert await books.use("ana", "vpn", 5, ANA)
        assert (tmp_path / "owed").stat().st_mode & 0o777 == 0o600
        assert books.failures == 1
        ledger.full = False
        await books.settle()
        assert not (tmp_path / "owed").exists()
        assert not await books.use("ana", "vpn", 5, ANA)

    assert kept(tmp_path, work) == ["the ledger was not written: the disk is full"]


def test_the_next_daemon_knows_what_the_last_one_owed(tmp_path: Path) -> None:
    async def owe(books: Books, ledger: Refusing) -> None:
        ledger.full = True
        assert await books.use("ana", "vpn", 5, ANA)
        assert await books.use("ana", "vpn", 7, Source.parse("192.0.2.9"))

    async def know(books: Books, _: Refusing) -> None:
        assert books.owed() == {("ana", "vpn"): (7, Source.parse("192.0.2.9"))}
        await books.settle()
        assert not await books.use("ana", "vpn", 7, ANA)

    kept(tmp_path, owe)
    assert (tmp_path / "owed").exists()
    kept(tmp_path, know)
    assert not (tmp_path / "owed").exists()


def test_a_file_of_owed_uses_that_makes_no_sense_does_no_harm(tmp_path: Path) -> None:
    async def work(books: Books, _: Refusing) -> None:
        assert books.owed() == {}

    (tmp_path / "owed").write_text('[]\n{}\nnonsense\n["a", "b", "c", "d", "e"]\n[1]\n')
    kept(tmp_path, work)


def test_without_a_ledger_work_goes_on(tmp_path: Path) -> None:
    async def whole() -> None:
        books = Books(None, Events(lambda *_: None, lambda: 0), lambda: 0.0, lambda: 0, tmp_path / "owed")
        assert await books.use("ana", "vpn", 5, ANA)
        books.admitted(Admission("ssh", ANA, 0, 1), 1.0)
        await books.close()

    asyncio.run(whole())
    assert (tmp_path / "owed").exists()
