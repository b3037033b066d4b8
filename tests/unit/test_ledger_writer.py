"""The ledger behind its thread: in order, without making anyone wait, and never forgetting a use."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from portress.admissions import Admission
from portress.events import Events, Fields, Kind
from portress.knock import SECOND, Source
from portress.ledger import ledger as ledger_file
from portress.ledger.ledger import Ledger, LedgerError
from portress.run import use_mark
from portress.run.ledger_writer import LedgerWriter
from portress.run.use_mark import Mark

ANA = Source.parse("192.0.2.7")
HERS = b"a" * 16  # what ana's uses are remembered under


class Refusing(Ledger):
    """A ledger whose disk is full when it is told so."""

    full = False
    refused = ""  # the door whose admissions cannot be written

    def use(self, claim: bytes, door: str, step: int, source: Source, at: float, coming: Any = None) -> bool:
        if self.full:
            raise LedgerError("the disk is full")
        return super().use(claim, door, step, source, at, coming)

    def admitted(self, source: Source, door: str, *more: Any, **named: Any) -> int:
        if door == self.refused:
            raise LedgerError("the disk is full")
        return super().admitted(source, door, *more, **named)


def kept(
    folder: Path,
    work: Callable[[LedgerWriter, Refusing], Awaitable[None]],
    *,
    in_fleet: bool = False,
    witnesses: Sequence[Path] | None = None,
    told: list[str] | None = None,
) -> list[str]:
    """Do `work` with a ledger writer in `folder`; the events told."""
    told = [] if told is None else told

    def write(_name: str, _kind: Kind, text: str, _fields: Fields) -> None:
        told.append(text)

    async def whole() -> None:
        ledger = Refusing(folder / "ledger.db", 1000.0)
        events, mark = Events(write, lambda: 0), folder / "uses"
        ledger_writer = LedgerWriter(
            ledger, events, lambda: 1000.0, lambda: 0, mark, "boot", witnesses, in_fleet=in_fleet
        )
        await work(ledger_writer, ledger)
        await ledger_writer.close()

    asyncio.run(whole())
    return told


async def written(ledger_writer: LedgerWriter, times: int) -> None:
    """Wait until the ledger's thread has had so much to do."""
    for _ in range(5000):
        if ledger_writer.writing.count >= times:
            return
        await asyncio.sleep(0.001)
    raise AssertionError("not written")


def test_an_admissions_end_is_written_to_the_row_of_its_beginning(tmp_path: Path) -> None:
    async def work(ledger_writer: LedgerWriter, _: Refusing) -> None:
        for number in range(20):
            admission = Admission("ssh", Source.parse(f"192.0.2.{number}"), 0, SECOND)
            ledger_writer.admitted(admission, 1001.0)
            ledger_writer.renewed(admission, 1002.0)
            ledger_writer.ended(admission, "dismissed")

    kept(tmp_path, work)
    with_rows = list(Ledger(tmp_path / "ledger.db", 2000.0).history())
    assert len(with_rows) == 20
    assert all(one.ending == "dismissed" and one.until == 1002.0 for one in with_rows)


def test_the_ledger_is_closed_when_nothing_is_done_with_it_any_more(tmp_path: Path) -> None:
    """A stop while it is pruned, or read at length: SQLite's memory must not go meanwhile."""
    done: list[str] = []
    begun, end = threading.Event(), threading.Event()

    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        def prune(_before: float) -> None:
            begun.set()
            end.wait(0.05)
            done.append("pruned")

        def close() -> None:
            Ledger.close(ledger)
            done.append("closed")

        ledger.prune, ledger.close = prune, close  # type: ignore[assignment,method-assign]
        task = asyncio.get_running_loop().create_task(ledger_writer.prune(0.0))
        await asyncio.to_thread(begun.wait)
        asyncio.get_running_loop().call_soon(task.cancel)  # the loop ends without it, as the daemon's does

    kept(tmp_path, work)
    assert done == ["pruned", "closed"]


def test_many_writes_at_once_cost_the_disk_few(tmp_path: Path) -> None:
    done: list[LedgerWriter] = []

    async def work(ledger_writer: LedgerWriter, _: Refusing) -> None:
        done.append(ledger_writer)
        for number in range(2000):
            source = Source.parse(f"198.51.{100 + number // 250}.{number % 250}")
            ledger_writer.admitted(Admission("ssh", source, 0, SECOND), 1001.0)

    kept(tmp_path, work)
    assert len(list(Ledger(tmp_path / "ledger.db", 2000.0).history())) == 2000
    assert 0 < done[0].writing.count < 10


def test_in_a_fleet_admissions_wait_for_others_doors_and_none_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("portress.run.ledger_writer.OWN_LATER", 0.5)
    monkeypatch.setattr("portress.run.ledger_writer.OTHERS_LATER", 60.0)
    others = [Admission("ssh", Source.parse(f"192.0.2.{n}"), 0, SECOND, how="fleet edge-2") for n in range(9)]

    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        ledger_writer.admitted_all([(one, 1001.0 + number) for number, one in enumerate(others)])
        ledger_writer.admitted(Admission("vpn", ANA, 0, SECOND), 1001.0)
        await asyncio.sleep(0.005)
        assert ledger_writer.writing.count == 0
        await written(ledger_writer, 1)  # its own does not wait as long as others'
        assert len(list(ledger.history(door="vpn"))) == 1
        ledger_writer.ended(others[3], "dismissed")
        ledger_writer.renewed(others[4], 2000.0)

    kept(tmp_path, work, in_fleet=True)
    found = list(Ledger(tmp_path / "ledger.db", 2000.0).history(door="ssh"))
    assert {str(one.source): one.until for one in found if one.source != others[4].source} == {
        str(one.source): 1001.0 + number for number, one in enumerate(others) if number != 4
    }
    assert [one.until for one in found if one.source == others[4].source] == [2000.0]
    assert [str(one.source) for one in found if one.ending == "dismissed"] == ["192.0.2.3"]
    assert {one.how for one in found} == {"fleet edge-2"}


def test_one_that_cannot_be_written_keeps_no_other_from_it(tmp_path: Path) -> None:
    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        ledger.refused = "shop"
        for door in ("ssh", "shop", "vpn"):
            admission = Admission(door, ANA, 0, SECOND)
            ledger_writer.admitted(admission, 1001.0)
            ledger_writer.ended(admission, "dismissed")

    assert kept(tmp_path, work) == ["ledger write failed: the disk is full"]
    records = list(Ledger(tmp_path / "ledger.db", 2000.0).history())
    assert sorted((one.door, one.ending) for one in records) == [("ssh", "dismissed"), ("vpn", "dismissed")]


def marked(folder: Path) -> Mark:
    mark = use_mark.read(folder / "uses", "boot")
    assert mark is not None
    return mark


def test_a_sequence_is_used_once(tmp_path: Path) -> None:
    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        assert await ledger_writer.use(HERS, "vpn", 5, ANA) == "new"
        assert marked(tmp_path) == Mark(ledger.digest)
        assert await ledger_writer.use(HERS, "vpn", 5, ANA) == "used"
        assert await ledger_writer.use(HERS, "vpn", 4, ANA) == "used"
        assert await ledger_writer.use(HERS, "vpn", 6, ANA) == "new"
        assert marked(tmp_path) == Mark(ledger.digest)

    assert kept(tmp_path, work) == []
    assert (tmp_path / "uses").stat().st_mode & 0o777 == 0o600


def on_the_disk(path: Path) -> int:
    """The digest of the ledger that a daemon would find if this one died now."""
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    name = db.execute("SELECT value FROM mark WHERE name = 'name'").fetchone()
    rows = db.execute(ledger_file._ALL_USED).fetchall()
    db.close()
    digest: int = ledger_file._number(("ledger", name))
    for row in rows:
        digest ^= ledger_file._number(row)
    return digest


def test_a_daemon_that_dies_while_a_use_is_written_leaves_a_mark_that_fits_before_and_after(
    tmp_path: Path,
) -> None:
    """Killed between the ledger's file and the mark's, it must not make the next one doubt what is known."""

    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        seen: list[tuple[Mark, int]] = []
        write = use_mark.write

        def watched(path: Path, boot: str, mark: Mark) -> None:
            write(path, boot, mark)
            seen.append((marked(tmp_path), on_the_disk(tmp_path / "ledger.db")))

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(use_mark, "write", watched)
            assert await ledger_writer.use(HERS, "vpn", 5, ANA) == "new"
            ledger.full = True
            assert await ledger_writer.use(HERS, "vpn", 6, ANA) == "new"  # owed
            ledger.full = False
            await ledger_writer.settle()
        assert all(mark.fits(digest) for mark, digest in seen)
        after = ledger.digest
        upcoming = [mark for mark, _ in seen if mark.coming is not None]
        assert len(upcoming) == 2 and upcoming[-1].fits(after) and upcoming[0].fits(seen[1][1])
        assert upcoming[0].coming == seen[1][1] != seen[0][1]
        assert not marked(tmp_path).fits(after ^ 1)

    kept(tmp_path, work)


def test_the_mark_keeps_the_moment_before_which_not_all_is_known(tmp_path: Path) -> None:
    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        ledger_writer.begin(12.5, ())
        assert marked(tmp_path) == Mark(ledger.digest, 12.5)
        await ledger_writer.use(HERS, "vpn", 5, ANA)
        assert marked(tmp_path) == Mark(ledger.digest, 12.5)

    assert kept(tmp_path, work) == []


def test_a_use_that_could_not_be_written_is_owed_and_paid_later(tmp_path: Path) -> None:
    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        ledger.full = True
        assert await ledger_writer.use(HERS, "vpn", 5, ANA) == "new"
        assert marked(tmp_path) == Mark(ledger.digest, None, ((HERS, "vpn", 5, ANA, 1000.0),))
        assert ledger_writer.failures == 1
        await ledger_writer.settle()
        assert len(marked(tmp_path).owed) == 1
        ledger.full = False
        await ledger_writer.settle()
        assert marked(tmp_path) == Mark(ledger.digest)
        assert await ledger_writer.use(HERS, "vpn", 5, ANA) == "used"

    assert kept(tmp_path, work) == ["ledger write failed: the disk is full"] * 2


def test_the_next_daemon_pays_what_the_last_one_owed(tmp_path: Path) -> None:
    async def owe(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        ledger.full = True
        assert await ledger_writer.use(HERS, "vpn", 5, ANA) == "new"
        assert await ledger_writer.use(HERS, "vpn", 7, Source.parse("192.0.2.9")) == "new"
        ledger_writer.ledger = None  # it dies

    async def know(ledger_writer: LedgerWriter, _: Refusing) -> None:
        owed = marked(tmp_path).owed
        assert [(entry[2], str(entry[3])) for entry in owed] == [(5, "192.0.2.7"), (7, "192.0.2.9")]
        ledger_writer.begin(None, owed)
        await ledger_writer.settle()
        assert marked(tmp_path).owed == ()
        assert await ledger_writer.use(HERS, "vpn", 7, ANA) == "used"

    kept(tmp_path, owe)
    kept(tmp_path, know)


def test_a_use_that_can_be_noted_nowhere_is_told_as_such(tmp_path: Path) -> None:
    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        (tmp_path / "uses").mkdir()
        ledger.full = True
        assert await ledger_writer.use(HERS, "vpn", 5, ANA) == "nowhere"
        (tmp_path / "uses").rmdir()
        ledger.full = False
        assert await ledger_writer.use(HERS, "vpn", 5, ANA) == "new"  # it had opened nothing
        assert marked(tmp_path) == Mark(ledger.digest)

    told = kept(tmp_path, work)
    assert told[0] == "ledger write failed: the disk is full"
    assert told[1] == f"{tmp_path}/uses: cannot be written: Is a directory"
    assert len(told) == 2


def test_where_the_mark_cannot_be_written_there_is_none(tmp_path: Path) -> None:
    """The next daemon must not take an old one for the truth."""

    async def work(ledger_writer: LedgerWriter, _: Refusing) -> None:
        ledger_writer.begin(None, ())
        (tmp_path / "uses.new").mkdir()
        assert await ledger_writer.use(HERS, "vpn", 5, ANA) == "new"
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
        ledger_writer = LedgerWriter(
            None, Events(lambda *_: None, lambda: 0), lambda: 0.0, lambda: 0, tmp_path / "uses", ""
        )
        assert await ledger_writer.use(HERS, "vpn", 5, ANA) == "nowhere"
        ledger_writer.admitted(Admission("ssh", ANA, 0, 1), 1.0)
        await ledger_writer.close()

    asyncio.run(whole())


def test_the_name_of_this_boot_is_the_kernels(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert use_mark.boot() == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    monkeypatch.setattr(use_mark, "BOOT", tmp_path / "nothing")
    assert use_mark.boot() == ""


def test_an_end_is_never_written_to_the_row_of_another(tmp_path: Path) -> None:
    """A row's number that was taken back goes to the next one."""

    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        outcomes = iter([True, False, False, True])  # together; then each by itself
        admitted = ledger.admitted

        def now_and_then(*values: Any) -> int:
            if not next(outcomes):
                raise LedgerError("the disk is full")
            return admitted(*values)

        ledger.admitted = now_and_then  # type: ignore[method-assign]
        one, other = Admission("shop", ANA, 0, SECOND), Admission("vpn", ANA, 0, SECOND)
        ledger_writer.admitted(one, 1001.0)
        ledger_writer.admitted(other, 1001.0)
        await written(ledger_writer, 3)
        ledger_writer.ended(one, "dismissed")
        ledger_writer.renewed(one, 2000.0)

    assert kept(tmp_path, work) == ["ledger write failed: the disk is full"]
    (record,) = Ledger(tmp_path / "ledger.db", 2000.0).history()
    assert (record.door, record.until, record.ending) == ("vpn", 1001.0, None)


def test_of_very_many_at_once_none_keeps_the_row_of_an_attempt_that_was_taken_back(tmp_path: Path) -> None:
    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        first, second = (Admission(door, ANA, 0, SECOND) for door in ("ssh", "shop"))
        first.row = 77  # of a ledger before this one
        ledger.refused = "ssh"
        ledger_writer.admitted_all([(first, 1001.0), (second, 1001.0)])
        ledger_writer.ended(first, "dismissed")
        await ledger_writer.close()
        assert first.row is None

    told = kept(tmp_path, work)
    assert told == ["ledger write failed: the disk is full"]


def test_an_admission_may_have_begun_before_it_is_noted_and_is_renewed_by_one_write(tmp_path: Path) -> None:
    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        one = Admission("ssh", ANA, 0, SECOND)
        ledger_writer.admitted(one, 1001.0, since=900.0)
        for until in (1002.0, 1003.0, 1004.0):
            ledger_writer.renewed(one, until)
        assert len(ledger_writer._waiting) == 2
        await written(ledger_writer, 1)
        assert [one.until for one in ledger.under_way(1000.0)] == [1004.0]
        ledger_writer.renewed(one, 1005.0)

    kept(tmp_path, work)
    (record,) = Ledger(tmp_path / "ledger.db", 2000.0).history()
    assert (record.since, record.until) == (900.0, 1005.0)


def test_a_start_does_not_wait_for_the_writing_of_what_others_did(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("portress.run.ledger_writer.OTHERS_LATER", 0.1)
    others = [Admission("ssh", Source.parse(f"192.0.2.{n}"), 0, SECOND, how="fleet edge-2") for n in range(9)]

    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        with ledger_writer.held():
            ledger_writer.admitted_all([(one, 2000.0) for one in others[:5]])
            await asyncio.sleep(0.3)
            assert ledger_writer.writing.count == 0
            ledger_writer.admitted_all([(one, 2000.0) for one in others[5:]])
        await written(ledger_writer, 2)
        assert len(list(ledger.under_way(1500.0))) == 9
        with ledger_writer.held():  # of this gateway itself: as soon as ever
            ledger_writer.admitted_all([(others[0], 2000.0)])
            ledger_writer.admitted(Admission("ssh", ANA, 0, SECOND), 2000.0)
            await written(ledger_writer, 3)

    kept(tmp_path, work, in_fleet=True)


def test_what_others_did_is_written_in_one_go_and_leaves_no_moment_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("portress.run.ledger_writer.OTHERS_LATER", 0.5)
    others = [Admission("ssh", Source.parse(f"192.0.2.{n}"), 0, SECOND, how="fleet edge-2") for n in range(4)]

    async def work(ledger_writer: LedgerWriter, _: Refusing) -> None:
        for one in others[:3]:
            ledger_writer.admitted(one, 2000.0)
            await asyncio.sleep(0.05)
        await written(ledger_writer, 1)
        assert not ledger_writer._waiting
        await asyncio.sleep(0.2)  # by now each of them would have had a moment of its own
        ledger_writer.admitted(others[3], 2000.0)
        await asyncio.sleep(0.1)
        assert ledger_writer._waiting and ledger_writer.writing.count == 1

    kept(tmp_path, work, in_fleet=True)


def test_a_start_that_fails_keeps_no_later_write_waiting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("portress.run.ledger_writer.OTHERS_LATER", 0.001)
    one = Admission("ssh", ANA, 0, SECOND, how="fleet edge-2")

    async def work(ledger_writer: LedgerWriter, _: Refusing) -> None:
        with pytest.raises(OSError, match="no store"), ledger_writer.held():
            raise OSError("no store")
        ledger_writer.admitted_all([(one, 2000.0)])
        await written(ledger_writer, 1)

    kept(tmp_path, work, in_fleet=True)


@pytest.mark.parametrize("in_fleet", [False, True])
def test_only_in_a_fleet_admissions_wait_and_a_stop_waits_for_nothing(tmp_path: Path, in_fleet: bool) -> None:
    delays: list[float] = []

    async def work(ledger_writer: LedgerWriter, _: Refusing) -> None:
        loop = asyncio.get_running_loop()
        later = loop.call_later

        def call_later(delay: float, call: Any, *more: Any) -> Any:
            if call != ledger_writer._hurry.set:
                return later(delay, call, *more)
            delays.append(delay)
            return None  # that moment does not come

        async def waiting() -> bool:
            await asyncio.sleep(0)
            await asyncio.sleep(0)
            return bool(ledger_writer._waiting)

        loop.call_later = call_later  # type: ignore[method-assign]
        for how in ("fleet edge-2", "knock", "command"):
            ledger_writer.admitted(Admission("ssh", ANA, 0, SECOND, how=how), 1001.0)
        assert await waiting() is in_fleet
        one = Admission("vpn", ANA, 0, SECOND)
        ledger_writer.ended(one, "dismissed")  # which does not wait, and nothing before it then
        await written(ledger_writer, 1 if in_fleet else 2)
        assert not await waiting()
        ledger_writer.admitted(one, 1001.0)
        assert await waiting() is in_fleet
        await asyncio.wait_for(ledger_writer.close(), 5)

    kept(tmp_path, work, in_fleet=in_fleet)
    if in_fleet:  # what others' disks have, too, may wait longest
        assert len(delays) == 4 and delays[0] > delays[1] == delays[2] == delays[3] > 0
    else:
        assert delays == []
    assert len(list(Ledger(tmp_path / "ledger.db", 2000.0).history())) == 4


def test_how_long_writing_takes_is_counted_in_ascending_parts_of_seconds(tmp_path: Path) -> None:
    async def work(ledger_writer: LedgerWriter, _: Refusing) -> None:
        moments = iter((5 * SECOND, 5 * SECOND + SECOND // 4))
        ledger_writer._clock = lambda: next(moments)
        await ledger_writer.prune(0.0)
        assert (ledger_writer.writing.count, ledger_writer.writing.total) == (1, 0.25)
        ledger_writer._clock = lambda: 0
        bounds = [float(bound) for bound, _ in ledger_writer.writing.buckets()]
        assert bounds == sorted(set(bounds)) and 0 < bounds[0] < 0.001 and bounds[-2] > 1

    kept(tmp_path, work)


def test_what_is_owed_for_several_is_paid_for_each_and_nothing_is_done_where_nothing_is(
    tmp_path: Path,
) -> None:
    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        await ledger_writer.settle()
        assert ledger_writer.writing.count == 0
        ledger.full = True
        for claim in (HERS, b"b" * 16):
            await ledger_writer.use(claim, "vpn", 5, ANA)
        ledger.full = False
        await ledger_writer.settle()
        assert ledger.used().keys() == {HERS, b"b" * 16}
        ledger.full = True
        await ledger_writer.use(HERS, "vpn", 6, ANA)
        ledger.full = False  # and it stops

    kept(tmp_path, work)
    assert Ledger(tmp_path / "ledger.db", 2000.0).used()[HERS].step == 6
    assert marked(tmp_path).owed == ()


def test_what_cannot_be_written_is_told_at_once(tmp_path: Path) -> None:
    told: list[str] = []

    async def work(ledger_writer: LedgerWriter, ledger: Refusing) -> None:
        def prune(_before: float) -> None:
            raise LedgerError("the disk is full")

        ledger.prune = prune  # type: ignore[method-assign]
        await ledger_writer.prune(0.0)
        assert told == ["ledger write failed: the disk is full"]

    kept(tmp_path, work, told=told)


def test_a_mark_that_cannot_be_written_at_the_start_is_told_at_once(tmp_path: Path) -> None:
    told: list[str] = []

    async def work(ledger_writer: LedgerWriter, _: Refusing) -> None:
        (tmp_path / "uses").mkdir()
        ledger_writer.begin(None, ())
        assert told == [f"{tmp_path}/uses: cannot be written: Is a directory"]

    kept(tmp_path, work, told=told)


def test_the_guards_own_record_is_named_in_the_mark(tmp_path: Path) -> None:
    async def work(ledger_writer: LedgerWriter, _: Refusing) -> None:
        for name in ("guard 7", "", "guard 8"):
            ledger_writer.records(name)
            await ledger_writer._in_thread(lambda: None)
            assert marked(tmp_path).record == name
        (tmp_path / "uses").unlink()
        ledger_writer.records("guard 8")  # as it is there
        await ledger_writer._in_thread(lambda: None)
        assert not (tmp_path / "uses").exists()

    kept(tmp_path, work)


def test_a_ledger_that_is_there_at_last_is_in_the_mark_with_what_is_not_known(tmp_path: Path) -> None:
    async def whole() -> None:
        ledger_writer = LedgerWriter(
            None, Events(lambda *_: None, lambda: 0), lambda: 0.0, lambda: 0, tmp_path / "uses", "boot"
        )
        ledger = Ledger(tmp_path / "ledger.db", 1000.0)
        await ledger_writer.resume(ledger, 12.5)
        assert marked(tmp_path) == Mark(ledger.digest, 12.5) and ledger_writer.ledger is ledger
        assert await ledger_writer.use(HERS, "vpn", 5, ANA) == "new"
        await ledger_writer.close()

    asyncio.run(whole())


# Sequences on paper


def test_a_sequence_on_paper_is_used_once_and_the_next_daemon_knows(tmp_path: Path) -> None:
    eras: list[str] = []

    async def first(ledger_writer: LedgerWriter, _: Refusing) -> None:
        eras.append(ledger_writer.era)
        assert await ledger_writer.use_paper(HERS, "vpn", ANA) == "new"
        assert await ledger_writer.use_paper(HERS, "vpn", ANA) == "used"

    async def second(ledger_writer: LedgerWriter, _: Refusing) -> None:
        eras.append(ledger_writer.era)
        assert await ledger_writer.use_paper(HERS, "ssh", ANA) == "used"
        assert not await ledger_writer.paper_again()  # it is in force already
        ledger_writer.without_paper()
        assert ledger_writer.era == "" and await ledger_writer.use_paper(b"b" * 16, "vpn", ANA) == "nowhere"

    for work in (first, second):
        assert kept(tmp_path, work, witnesses=[tmp_path / "witness"]) == []
    assert eras[0] == eras[1] != ""


def test_without_witnesses_there_is_no_paper(tmp_path: Path) -> None:
    async def work(ledger_writer: LedgerWriter, _: Refusing) -> None:
        assert ledger_writer.era == "" and await ledger_writer.use_paper(HERS, "vpn", ANA) == "nowhere"
        assert not await ledger_writer.paper_again()

    assert kept(tmp_path, work) == []


def test_a_witness_that_cannot_be_written_is_told_and_tried_again(tmp_path: Path) -> None:
    told: list[str] = []
    place = tmp_path / "witness"
    place.write_text("in the way")

    async def work(ledger_writer: LedgerWriter, _: Refusing) -> None:
        assert ledger_writer.era == "" and len(told) == 1
        assert told[0].startswith(f"{place}") and "a use of paper cannot be recorded: " in told[0]
        assert await ledger_writer.use_paper(HERS, "vpn", ANA) == "nowhere"
        assert await ledger_writer.paper_again() is False and len(told) == 3 and len(set(told)) == 1
        place.unlink()
        assert await ledger_writer.paper_again() is True and ledger_writer.era
        place.rename(tmp_path / "gone")
        place.write_text("in the way")
        assert await ledger_writer.use_paper(HERS, "vpn", ANA) == "nowhere" and len(told) == 4
        place.unlink()
        assert await ledger_writer.use_paper(b"b" * 16, "vpn", ANA) == "new"

    kept(tmp_path, work, witnesses=[place], told=told)
    assert len(told) == 4


def test_a_ledger_that_cannot_be_read_or_written_has_no_paper(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def work(ledger_writer: LedgerWriter, _: Refusing) -> None:
        assert ledger_writer.paper is not None

        def use(*_: Any) -> Any:
            raise LedgerError("the disk is full")

        monkeypatch.setattr(ledger_writer.paper, "use", use)
        assert await ledger_writer.use_paper(HERS, "vpn", ANA) == "nowhere" and ledger_writer.failures == 1

    assert kept(tmp_path, work, witnesses=[tmp_path / "witness"]) == ["ledger write failed: the disk is full"]

    def rows(*_: Any) -> Any:
        raise LedgerError("it is damaged")

    async def none(ledger_writer: LedgerWriter, _: Refusing) -> None:
        assert ledger_writer.era == ""

    monkeypatch.setattr("portress.ledger.paper.PaperUses._rows", rows)
    told = kept(tmp_path, none, witnesses=[tmp_path / "witness"])
    assert told == ["the uses of paper cannot be read: it is damaged"]
