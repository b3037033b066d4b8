"""What a daemon knows of the time before it: can it prove that it knows every use; what does it refuse."""

from __future__ import annotations

import asyncio
import random
import shutil
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from portress.clock import STEP
from portress.config.model import Config, Door, Rotating
from portress.events import Events, Fields, Kind
from portress.knock import SECOND, TCP, TIMELESS, UDP, Service, Source
from portress.ledger.ledger import Ledger, LedgerError
from portress.paths import Paths
from portress.run import use_mark
from portress.run.ledger_writer import LedgerWriter
from portress.run.recovery import NEVER, Recovery, open_ledger
from portress.verdict import Use

RULE = Rotating((10100, 32767), (TCP, UDP), 4, 10 * SECOND, 1)
CONFIG = Config({"vpn": Door("vpn", (Service.parse("udp/51820"),), SECOND, rotating=RULE)})
NOON = 1_700_000_000.0
NOW = int(NOON // STEP)
HOME = Source.parse("198.51.100.7")
CLAIMS = [number.to_bytes(16, "big") for number in range(1, 40)]


class Run:
    """One daemon's life as far as uses go. `unix` and `boottime` are its clocks."""

    def __init__(
        self,
        folder: Path,
        unix: float = NOON,
        boottime: float = 500.0,
        boot: str = "boot",
        *,
        record: str | None = None,
        fleets_era: str | None = None,
        paper: bool = False,
    ) -> None:
        self.unix, self.boottime = unix, boottime
        self.told: list[str] = []
        self.paths = Paths(folder / "portress.yaml", folder / "run" / "s", folder / "state")
        self.paths.socket.parent.mkdir(exist_ok=True)
        events = Events(self._tell, lambda: 0)
        mark = self.paths.socket.parent / "uses"
        ledger = open_ledger(self.paths, events, self.unix)
        witnesses = [folder / "witness"] if paper else None
        self.ledger_writer = LedgerWriter(ledger, events, lambda: self.unix, lambda: 0, mark, boot, witnesses)
        self.recovery = Recovery(
            self.ledger_writer,
            events,
            lambda: self.unix,
            lambda: self.boottime,
            mark,
            boot,
            record,
            fleets_era,
        )
        self.used = self.recovery.used()

    def _tell(self, _name: str, _kind: Kind, text: str, _fields: Fields) -> None:
        self.told.append(text)

    def use(self, *entries: tuple[bytes, int]) -> None:
        async def all_of_them() -> None:
            for claim, step in entries:
                assert await self.ledger_writer.use(claim, "vpn", step, HOME) == "new"

        asyncio.run(all_of_them())

    def use_paper(self, claim: bytes) -> None:
        async def it() -> None:
            assert await self.ledger_writer.use_paper(claim, "vpn", HOME) == "new"

        asyncio.run(it())

    def end(self) -> None:
        asyncio.run(self.ledger_writer.close())

    def refuses(self, claim: bytes, step: int) -> bool:
        """As the tracker decides it."""
        last = self.used.get(claim)
        return step <= self.recovery.floor(CONFIG) or (last is not None and step <= last.step)

    @property
    def doubts(self) -> bool:
        return self.recovery.doubt(CONFIG) is not None


def settled(folder: Path) -> None:
    """A daemon has run here for long, and knows all there is to know."""
    run = Run(folder, NOON - 10_000, 10.0)
    run.use(*((claim, NOW - 300) for claim in CLAIMS[:5]))
    run.end()
    run = Run(folder, NOON - 1000, 100.0)
    run.end()


def test_a_restart_in_the_same_boot_knows_all(tmp_path: Path) -> None:
    settled(tmp_path)
    run = Run(tmp_path)
    assert not run.doubts
    run.use((CLAIMS[0], NOW))
    again = Run(tmp_path)  # the first one was killed
    assert not again.doubts and again.recovery.floor(CONFIG) < NOW - 10
    assert again.refuses(CLAIMS[0], NOW)
    assert not again.refuses(CLAIMS[1], NOW - 1)
    run.end()
    again.end()


@pytest.mark.parametrize("written", [0, 1, 2])
def test_a_kill_in_the_middle_of_a_use_leaves_nothing_in_doubt(tmp_path: Path, written: int) -> None:
    """`written`: whether it is before the ledger's file and the mark are written, between them, or after."""
    settled(tmp_path)
    run = Run(tmp_path)
    mark = tmp_path / "run" / "uses"
    marks: list[bytes] = [mark.read_bytes()]
    write = use_mark.write

    def noted(path: Path, boot: str, told: use_mark.Mark) -> None:
        write(path, boot, told)
        marks.append(path.read_bytes())

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(use_mark, "write", noted)
        run.use((CLAIMS[7], NOW))
    run.end()
    assert len(marks) == 3  # before, with what is coming, and after
    mark.write_bytes(marks[written])
    again = Run(tmp_path)
    assert again.doubts == (written == 0)  # that mark is older than the ledger
    assert again.refuses(CLAIMS[7], NOW)
    again.end()


def test_the_first_start_after_a_boot_refuses_for_a_minute(tmp_path: Path) -> None:
    settled(tmp_path)
    run = Run(tmp_path, boottime=3.0, boot="another")
    doubt = run.recovery.doubt(CONFIG)
    assert doubt is not None and doubt.floor == NOW + 1 and "booted" in doubt.why
    assert doubt.until == (NOW + 2) * STEP
    run.unix, run.boottime = run.unix + 30, run.boottime + 30  # the last step that is refused
    assert run.doubts
    run.unix, run.boottime = run.unix - 30, run.boottime - 30
    assert run.refuses(CLAIMS[9], NOW + 1) and not run.refuses(CLAIMS[9], NOW + 2)
    run.unix += 60
    run.boottime += 60
    assert not run.doubts
    assert run.refuses(CLAIMS[9], NOW + 1) and not run.refuses(CLAIMS[9], NOW + 2)
    run.end()


def test_the_refusal_outlasts_a_restart_and_not_by_a_second(tmp_path: Path) -> None:
    Run(tmp_path, NOON, 500.0).end()
    run = Run(tmp_path, NOON + 20, 520.0)
    assert run.recovery.floor(CONFIG) == NOW + 1
    run.end()
    run = Run(tmp_path, NOON + 90, 590.0)
    assert run.recovery.floor(CONFIG) == NOW + 1 and not run.doubts
    run.end()


@pytest.mark.parametrize("off", [86400.0, 10 * 366 * 86400.0, -86400.0, 45.0, -45.0])
def test_the_refusal_moves_with_the_clocks_correction(tmp_path: Path, off: float) -> None:
    """The clock was wrong by so much when the doubt arose, and is put right 10 s later."""
    run = Run(tmp_path, NOON + off, 500.0)
    assert run.recovery.floor(CONFIG) == int((NOON + off) // STEP) + 1
    run.unix, run.boottime = NOON + 10, 510.0
    assert run.recovery.floor(CONFIG) == NOW + 1
    run.end()
    again = Run(tmp_path, NOON + 12, 512.0)
    assert again.recovery.floor(CONFIG) == NOW + 1
    again.end()


def test_after_a_restart_the_refusal_is_never_later_than_now_and_the_skew(tmp_path: Path) -> None:
    run = Run(tmp_path, NOON + 10 * 366 * 86400.0, 500.0)
    run.end()
    for boottime, boot in ((505.0, "boot"), (3.0, "another"), (3.0, "boot")):
        run = Run(tmp_path, NOON, boottime, boot)
        assert run.recovery.floor(CONFIG) <= NOW + 1
        run.end()


def test_a_longer_skew_reaches_further(tmp_path: Path) -> None:
    """Also where it is set after the doubt arose."""
    run = Run(tmp_path)
    wider = Config({"vpn": Door("vpn", (), SECOND, rotating=Rotating((1, 9), (TCP,), 2, SECOND, 10))})
    assert run.recovery.floor(wider) == NOW + 10
    run.unix, run.boottime = NOON + 600, 1100.0
    assert run.recovery.floor(wider) == NOW + 10
    run.end()


def test_without_a_ledger_no_rotating_sequence_is_accepted(tmp_path: Path) -> None:
    settled(tmp_path)
    (tmp_path / "state").rename(tmp_path / "elsewhere")
    (tmp_path / "state").write_text("in the way")
    run = Run(tmp_path)
    why = f"{tmp_path / 'state'}: File exists"
    assert run.told == [f"continuing without a ledger, and without rotating sequences: {why}"]
    assert run.recovery.under_way() == []
    assert run.recovery.floor(CONFIG) == NEVER
    assert run.refuses(CLAIMS[9], NOW + 10**6) and run.refuses(CLAIMS[9], 10**12)  # none, ever
    run.recovery.tell_doubt(rotating())
    assert len(run.told) == 1
    doubt = run.recovery.doubt(CONFIG)
    assert doubt is not None and doubt.until is None and "no ledger" in doubt.why
    (tmp_path / "state").unlink()
    (tmp_path / "elsewhere").rename(tmp_path / "state")
    run.unix, run.boottime = NOON + 120, 620.0
    assert asyncio.run(run.recovery.look_for_ledger(run.paths, run.used))
    assert CLAIMS[0] in run.used
    assert run.told[1:] == [f"{run.paths.ledger}: the ledger can be written again"]
    assert run.recovery.floor(CONFIG) == int((NOON + 120) // STEP) + 1  # for a minute from then on
    assert not asyncio.run(run.recovery.look_for_ledger(run.paths, run.used))
    run.end()


# Damage: what is in the state directory is not what the daemon left there. No used step is accepted again.


def flip_wal(state: Path, seeded: random.Random) -> None:
    wal = state / "ledger.db-wal"
    data = bytearray(wal.read_bytes())
    data[seeded.randrange(len(data))] ^= 1 << seeded.randrange(8)
    wal.write_bytes(data)


def flip_file(state: Path, seeded: random.Random) -> None:
    file = state / "ledger.db"
    data = bytearray(file.read_bytes())
    data[seeded.randrange(len(data))] ^= 1 << seeded.randrange(8)
    file.write_bytes(data)


def cut_wal(state: Path, seeded: random.Random) -> None:
    wal = state / "ledger.db-wal"
    wal.write_bytes(wal.read_bytes()[: seeded.randrange(wal.stat().st_size)])


def remove_wal(state: Path, _: random.Random) -> None:
    (state / "ledger.db-wal").unlink()


def delete_all(state: Path, _: random.Random) -> None:
    for file in state.glob("ledger.db*"):
        file.unlink()


def restore_older(state: Path, _: random.Random) -> None:
    delete_all(state, random.Random(0))
    for file in (state.parent / "older").iterdir():
        shutil.copy(file, state)


@pytest.mark.parametrize(
    ("harm", "rounds"),
    [(flip_wal, 150), (cut_wal, 60), (flip_file, 60), (remove_wal, 2), (delete_all, 2), (restore_older, 2)],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_after_sigkill_and_damage_no_used_step_is_accepted(
    tmp_path: Path, harm: Callable[[Path, random.Random], None], rounds: int
) -> None:
    settled(tmp_path)
    shutil.copytree(tmp_path / "state", tmp_path / "older")
    run = Run(tmp_path)
    seeded = random.Random(9)
    used = [(claim, NOW + seeded.randint(-1, 1)) for claim in CLAIMS]
    run.use(*used)
    shutil.copytree(tmp_path / "state", tmp_path / "killed")  # the -wal is not written back
    assert (tmp_path / "killed" / "ledger.db-wal").stat().st_size > 10_000
    mark = (tmp_path / "run" / "uses").read_bytes()
    run.end()
    for _ in range(rounds):
        shutil.rmtree(tmp_path / "state")
        shutil.copytree(tmp_path / "killed", tmp_path / "state")
        (tmp_path / "run" / "uses").write_bytes(mark)
        harm(tmp_path / "state", seeded)
        again = Run(tmp_path, NOON + 3, 503.0)
        accepted = [entry for entry in used if not again.refuses(*entry)]
        assert accepted == []
        again.end()


def test_undamaged_it_refuses_what_was_used_and_nothing_else(tmp_path: Path) -> None:
    """The loop above would pass if everything were refused always."""
    settled(tmp_path)
    run = Run(tmp_path)
    run.use(*((claim, NOW) for claim in CLAIMS[:20]))
    again = Run(tmp_path, NOON + 3, 503.0)
    assert [claim for claim in CLAIMS if again.refuses(claim, NOW)] == CLAIMS[:20]
    run.end()
    again.end()


def test_a_use_owed_to_a_full_disk_is_known_to_the_next_daemon(tmp_path: Path) -> None:
    settled(tmp_path)
    run = Run(tmp_path)
    assert isinstance(run.ledger_writer.ledger, Ledger)
    run.ledger_writer.ledger._db.execute("PRAGMA query_only = 1")
    run.use((CLAIMS[0], NOW), (CLAIMS[30], NOW), (CLAIMS[31], NOW))
    run.ledger_writer.ledger._db.execute("PRAGMA query_only = 0")
    run.use((CLAIMS[31], NOW + 1))  # there is room again, and what is owed has not been paid yet
    again = Run(tmp_path, NOON + 3, 503.0)
    assert not again.doubts
    assert (
        again.refuses(CLAIMS[0], NOW)
        and again.refuses(CLAIMS[30], NOW)
        and again.refuses(CLAIMS[31], NOW + 1)
    )
    assert not again.refuses(CLAIMS[1], NOW) and not again.refuses(CLAIMS[30], NOW + 1)
    assert again.used[CLAIMS[30]].door == "vpn" and again.used[CLAIMS[30]].source == HOME.packed
    again.end()


def rotating(*void: tuple[str, str], rotates: bool = True) -> Any:
    """In place of what is in force: sequences that rotate, and whose paper is void."""
    return SimpleNamespace(config=CONFIG, rotates=rotates, void_paper=list(void))


def test_only_a_host_with_keyholders_is_told_why_it_refuses(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.recovery.tell_doubt(rotating(rotates=False))
    assert run.told == []
    run.unix = NOON + 5
    run.recovery.tell_doubt(rotating())
    left = (NOW + 2) * STEP - NOON - 5
    why = "this is the first start since the host was booted"
    assert run.told == [f"rotating sequences are refused for {left:.0f} s: {why}"]
    run.unix, run.boottime = NOON + 100, 600.0
    run.recovery.tell_doubt(rotating())
    assert len(run.told) == 1
    run.end()


def test_a_ledger_that_is_gone_or_damaged_proves_nothing_though_nothing_was_used(tmp_path: Path) -> None:
    Run(tmp_path, NOON - 1000, 10.0).end()
    run = Run(tmp_path)
    assert not run.doubts
    run.end()
    delete_all(tmp_path / "state", random.Random(0))
    run = Run(tmp_path)
    assert run.doubts
    run.end()
    (tmp_path / "state" / "ledger.db").write_bytes(b"no ledger" * 1000)
    run = Run(tmp_path, NOON + 1000, 1500.0)
    assert run.doubts and "damaged" in run.told[0]
    run.end()


def test_a_use_that_cannot_be_read_is_no_known_one(tmp_path: Path) -> None:
    """A source of an impossible length: the rest of the table is not believed either."""
    settled(tmp_path)
    run = Run(tmp_path)
    run.use((CLAIMS[0], NOW), (CLAIMS[1], NOW))
    assert isinstance(run.ledger_writer.ledger, Ledger)
    run.ledger_writer.ledger._db.execute("UPDATE used SET length = 77 WHERE claim = ?", (CLAIMS[0],))
    run.end()
    again = Run(tmp_path, NOON + 3, 503.0)
    assert again.told and "impossible length" in again.told[0]
    assert all(again.refuses(claim, NOW) for claim in CLAIMS)
    again.end()


def test_the_state_directory_is_made_for_the_daemon_alone(tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    paths = Paths(tmp_path / "portress.yaml", tmp_path / "run" / "s", tmp_path / "var" / "lib" / "portress")
    told: list[str] = []
    events = Events(lambda _n, _k, text, _f: told.append(text), lambda: 0)
    ledger = open_ledger(paths, events, NOON)
    assert ledger is not None and told == []
    ledger.close()
    assert paths.state.stat().st_mode & 0o777 == 0o700
    paths.ledger.unlink()
    paths.ledger.mkdir()
    assert open_ledger(paths, events, NOON) is None
    why = f"{paths.ledger}: not a regular file"
    assert told == [f"continuing without a ledger, and without rotating sequences: {why}"]


def test_a_ledger_whose_directory_is_gone_is_begun_again(tmp_path: Path) -> None:
    """What the tracker knows to be later than the new ledger's word stays known."""
    (tmp_path / "var").write_text("in the way")
    (tmp_path / "run").mkdir()
    run = Run(tmp_path)
    run.end()
    run.ledger_writer = LedgerWriter(
        None, run.recovery._events, lambda: NOON, lambda: 0, tmp_path / "uses", "boot"
    )
    run.recovery = Recovery(
        run.ledger_writer, run.recovery._events, lambda: NOON, lambda: 500.0, tmp_path / "uses", "boot"
    )
    paths = Paths(tmp_path / "portress.yaml", tmp_path / "run" / "s", tmp_path / "var" / "lib" / "state")
    assert not asyncio.run(run.recovery.look_for_ledger(paths, {}))
    (tmp_path / "var").unlink()
    other = Ledger(tmp_path / "other.db", NOON)
    for claim in CLAIMS[:3]:
        other.use(claim, "vpn", NOW, HOME, NOON)
    other.close()
    paths.state.mkdir(parents=True)
    (tmp_path / "other.db").rename(paths.ledger)
    later, earlier = Use(NOW + 1, b"", "vpn"), Use(NOW - 1, b"", "vpn")
    used = {CLAIMS[0]: later, CLAIMS[1]: earlier}
    assert asyncio.run(run.recovery.look_for_ledger(paths, used))
    there = Use(NOW, HOME.packed, "vpn")
    assert used == {CLAIMS[0]: later, CLAIMS[1]: there, CLAIMS[2]: there}
    run.end()
    run.ledger_writer = LedgerWriter(
        None, run.recovery._events, lambda: NOON, lambda: 0, tmp_path / "uses", "boot"
    )
    run.recovery = Recovery(
        run.ledger_writer, run.recovery._events, lambda: NOON, lambda: 500.0, tmp_path / "uses", "boot"
    )
    shutil.rmtree(tmp_path / "var")
    assert asyncio.run(run.recovery.look_for_ledger(paths, {}))
    assert paths.state.stat().st_mode & 0o777 == 0o700
    run.end()


@pytest.mark.parametrize(("named", "doubts"), [("", False), ("guard 7", False), ("guard 8", True)])
def test_where_the_guard_that_recorded_uses_is_gone_they_are_not_known(
    tmp_path: Path, named: str, doubts: bool
) -> None:
    settled(tmp_path)
    run = Run(tmp_path)
    run.ledger_writer.records(named)
    run.end()
    run = Run(tmp_path, record="guard 7")
    assert run.doubts is doubts
    if doubts:
        doubt = run.recovery.doubt(CONFIG)
        assert doubt is not None and doubt.why == "the guard in which uses were recorded is gone"
    run.end()
    assert not Run(tmp_path).doubts or doubts  # where the daemon decides, no guard has a record


def test_where_every_use_is_known_no_step_is_refused(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.ledger_writer.begin(None, ())
    run.end()
    run = Run(tmp_path)
    assert run.recovery.floor(CONFIG) == -1 and not run.doubts
    run.end()


def test_the_refusal_is_worked_out_to_the_second(tmp_path: Path) -> None:
    """It arises as a time step begins; and a clock since the boot that is behind is not believed."""
    begins = float(NOW * STEP)
    run = Run(tmp_path, begins, 500.0)
    assert run.recovery.floor(CONFIG) == NOW + 1
    run.end()
    run = Run(tmp_path, begins - 0.5, 400.0)
    assert run.recovery.floor(CONFIG) == NOW
    run.end()


def test_a_ledger_that_cannot_be_read_proves_nothing_and_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settled(tmp_path)

    def fails(*_: Any) -> Any:
        raise LedgerError("the disk reports an error")

    with monkeypatch.context() as broken:
        broken.setattr(Ledger, "used", fails)
        broken.setattr(Ledger, "under_way", fails)
        run = Run(tmp_path)
        assert run.doubts and run.recovery.under_way() == []
    assert run.told == ["the ledger cannot be read: the disk reports an error"] * 2
    run.end()


def test_admissions_under_way_are_those_with_time_left_and_the_others_have_ended(tmp_path: Path) -> None:
    run = Run(tmp_path, NOON - 100)
    assert run.ledger_writer.ledger is not None
    for number, until in enumerate((NOON - 1, NOON + 50)):
        run.ledger_writer.ledger.admitted(Source.parse(f"192.0.2.{number}"), "vpn", NOON - 90, until)
    run.end()
    run = Run(tmp_path)
    assert [str(one.source) for one in run.recovery.under_way()] == ["192.0.2.1"]
    assert run.ledger_writer.ledger is not None
    assert {one.ending for one in run.ledger_writer.ledger.history()} == {"expired", None}
    run.end()


# Paper


def test_a_used_sequence_on_paper_is_known_as_such(tmp_path: Path) -> None:
    run = Run(tmp_path, paper=True)
    assert run.recovery.era == run.ledger_writer.era != ""
    run.use_paper(CLAIMS[7])
    run.end()
    run = Run(tmp_path, paper=True, fleets_era="ab" * 8)
    assert run.used[CLAIMS[7]] == Use(TIMELESS, HOME.packed, "vpn")
    assert run.recovery.era == "ab" * 8  # that of the fleet, where its own uses can be recorded
    run.ledger_writer.without_paper()
    assert run.recovery.era == ""
    run.end()
    assert CLAIMS[7] not in Run(tmp_path).used


def test_paper_is_in_force_again_when_its_uses_can_be_recorded(tmp_path: Path) -> None:
    (tmp_path / "witness").write_text("in the way")
    run = Run(tmp_path, paper=True)
    used: dict[bytes, Use] = {}
    assert run.recovery.era == "" and not asyncio.run(run.recovery.paper_again(used)) and used == {}
    assert run.ledger_writer.ledger is not None
    (tmp_path / "witness").unlink()
    with run.ledger_writer.ledger.together() as db:
        values = ("00" * 8, CLAIMS[3], "vpn", HOME.packed, HOME.length, NOON)
        db.execute(
            "INSERT INTO paper (era, claim, door, source, length, at) VALUES (?, ?, ?, ?, ?, ?)", values
        )
    assert asyncio.run(run.recovery.paper_again(used)) and run.recovery.era
    assert used == {CLAIMS[3]: Use(TIMELESS, HOME.packed, "vpn")}
    run.end()


def test_paper_whose_uses_cannot_be_read_is_not_in_force(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(_: Any) -> Any:
        raise LedgerError("the disk reports an error")

    monkeypatch.setattr("portress.ledger.paper.PaperUses.used", fails)
    run = Run(tmp_path, paper=True)
    assert run.recovery.era == "" and run.used == {}
    assert run.told == ["the uses of paper cannot be read: the disk reports an error"]
    run.end()


@pytest.mark.parametrize(
    ("paper", "fleets_era", "void", "why"),
    [
        (True, None, None, "some of its uses were lost before"),
        (True, None, "its record is older", "its record is older"),
        (True, "ab" * 8, None, "it was not printed for this fleet, or with another secret of it"),
        (False, "ab" * 8, None, "no use of it can be recorded now"),
    ],
)
def test_whose_paper_is_void_is_told_with_why(
    tmp_path: Path, paper: bool, fleets_era: str | None, void: str | None, why: str
) -> None:
    run = Run(tmp_path, paper=paper, fleets_era=fleets_era)
    if run.ledger_writer.paper is not None:
        run.ledger_writer.paper.void = void
    run.recovery.tell_void(rotating())
    assert run.told == []
    some = [(f"holder{number}", "vpn") for number in range(12)]
    more = "portress enrol NAME --door DOOR --paper prints new sheets"
    for count, rest in ((1, ""), (10, ""), (12, " and 2 more")):
        run.recovery.tell_void(rotating(*some[:count]))
        names = ", ".join(f"{name} (vpn)" for name, _ in some[: min(count, 10)])
        assert run.told[-1] == f"paper printed before is void, {why}: {names}{rest}; {more}"
    if run.ledger_writer.paper is not None:
        run.ledger_writer.paper.era = ""
        run.recovery.tell_void(rotating(*some[:1]))
        assert run.told[-1].startswith("paper printed before is void, no use of it can be recorded now: ")
    run.end()
