"""The doorkeeper by itself: who is let in for how long, who finds no room, what is told and written."""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from collections.abc import Callable, Collection, Iterable
from typing import Any, cast

import pytest

from portress.admissions import Admission, Ending, Grant, How
from portress.config.load import parse
from portress.config.model import Config
from portress.events import Events, Fields, Kind
from portress.guard import flows
from portress.guard.ruleset import build
from portress.guard.sessions import Sessions
from portress.guard.table import GuardError, Held, NoRoom, Table
from portress.keyholders.keyholder import Keyholder
from portress.knock import SECOND, Expected, Knock, Sequence, Service, Source
from portress.ledger.ledger import Record
from portress.run import ending, status_answer
from portress.run.doorkeeper import Doorkeeper
from portress.run.fellows import Alone
from portress.run.in_force import InForce
from portress.run.ledger_writer import LedgerWriter
from portress.run.recounting import Recounting
from portress.run.restoring import Inside
from portress.sequence.in_force import SequencesInForce
from portress.tracker import Tracker
from waiting import beside

CONFIG = """\
admissions: 3
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}
  vpn:
    services: [udp/51820]
    stay: 10m
    linger: false
    fixed: {knocks: [tcp/7201, udp/7202, tcp/7203]}
"""
KNOCKS = Sequence((Knock.parse("tcp/4617"),), SECOND)
Cut = dict[tuple[Source, tuple[Service, ...]], int]
ANA, BEN = Source.parse("192.0.2.7"), Source.parse("192.0.2.8")
HOUR = 3600 * SECOND


def source(number: int) -> Source:
    return Source.parse(f"203.0.113.{number}")


class Guard:
    """Stands for the table: what is in its sets, and what it refuses."""

    def __init__(self) -> None:
        self.inside: dict[tuple[str, Source], int] = {}
        self.told_new: list[bool] = []
        self.told_came: list[bool] = []
        self.dismissed: set[Source] = set()
        self.size = 1000
        self.gone = False
        self.held_back: list[tuple[str, int, int]] = []
        self.sessions = Sessions(lambda _: None)

    def admit(self, grants: Iterable[Grant], *, new: bool = False, came: bool = False) -> None:
        grants = list(grants)
        if self.gone:
            raise GuardError("there is no such table")
        coming = {(one.door, one.source) for one in grants} - self.inside.keys()
        if len(self.inside) + len(coming) > self.size:
            raise NoRoom("the set is full")
        self.told_new.append(new)
        self.told_came.append(came)
        self.inside.update({(one.door, one.source): one.stay for one in grants})

    def dismiss(self, entries: Iterable[tuple[str, Source]]) -> None:
        for one in entries:
            self.inside.pop(one, None)

    def hold_back(self, door: str, family: int, ns: int) -> None:
        if self.gone:
            raise GuardError("there is no such table")
        self.held_back.append((door, family, ns))

    def refuse(self, sources: Iterable[Source]) -> None:
        self.dismissed |= set(sources)

    def refuse_no_more(self, sources: Iterable[Source]) -> None:
        self.dismissed -= set(sources)

    def refused(self) -> set[Source]:
        return set(self.dismissed)

    def put_back(self, asked: Iterable[Grant]) -> None:
        for one in asked:
            self.inside.setdefault((one.door, one.source), one.stay)

    def load(self, _ruleset: object, admit: Iterable[Grant], *, in_parts: bool) -> None:
        self.gone = False
        self.inside = {(one.door, one.source): one.stay for one in admit}


class Writes:
    """Stands for the ledger's writer."""

    def __init__(self) -> None:
        self.lines: list[tuple[Any, ...]] = []
        self.since: float | None = None  # as it was said with the last admission

    def admitted(
        self,
        one: Admission,
        until: float,
        step: int | None = None,
        since: float | None = None,
        paper: str = "",
    ) -> None:
        self.since = since
        self.lines.append(("admitted", one.door, str(one.source), until, one.keyholder, step, one.how))

    def admitted_all(self, some: Iterable[tuple[Admission, float]]) -> None:
        self.lines.append(("all", [(one.door, str(one.source), until) for one, until in some]))

    def renewed(self, one: Admission, until: float) -> None:
        self.lines.append(("renewed", one.door, str(one.source), until))

    def ended(self, one: Admission, how: str) -> None:
        self.lines.append(("ended", one.door, str(one.source), how))


class Others(Alone):
    """Stands for the other gateways: what they are told."""

    def __init__(self) -> None:
        self.lines: list[tuple[object, ...]] = []

    def admitted(self, admission: Admission, until: float, step: int | None) -> None:
        self.lines.append(("admitted", admission.door, str(admission.source), until, step))

    def ended(self, admission: Admission, how: Ending) -> None:
        self.lines.append(("ended", admission.door, str(admission.source), how))


class House:
    """A doorkeeper with its surroundings, at a moment that the test moves."""

    def __init__(self, text: str = CONFIG, others: Others | None = None) -> None:
        self.now, self.unix = 5 * HOUR, 1_900_000_000.0
        self.told: list[tuple[str, str, Fields]] = []
        self.guard, self.writes, self.others = Guard(), Writes(), others or Others()
        self.config_text = text
        self.config: Config = parse(text, "portress.yaml")
        sequences = SequencesInForce(self.config)
        self.in_force = InForce(self.config, sequences, Tracker(sequences.trie(1)))
        self.keeper = Doorkeeper(
            self.in_force,
            cast(Table, self.guard),
            cast(LedgerWriter, self.writes),
            Events(self._tell, lambda: self.now),
            lambda: self.now,
            lambda: self.unix,
            self.others,
        )

    def _tell(self, name: str, _kind: Kind, text: str, fields: Fields) -> None:
        self.told.append((name, text, fields))

    def passes(self, seconds: float) -> None:
        self.now += round(seconds * SECOND)
        self.unix += seconds

    def texts(self, name: str) -> list[str]:
        return [text for kind, text, _ in self.told if kind == name]

    def enrol(self, **until: float) -> None:
        holders = [Keyholder(name, ("ssh",), b"A" * 20, "derived", end) for name, end in until.items()]
        self.in_force.sequences = SequencesInForce(self.config, tuple(holders))

    def open(self, *openings: tuple[Expected, Source]) -> None:
        self.keeper.admit([Grant.of(one, source, self.now) for one, source in openings])

    def reload(self, text: str, *ended: Held) -> None:
        async def reload() -> None:
            recounting, config = Recounting(self.keeper), parse(text, "portress.yaml")
            await recounting.begin(config, list(ended))
            self.in_force.config = config
            recounting.adopt()
            await recounting.finish()

        asyncio.run(reload())

    def dismiss(self, who: Source, door: str | None) -> list[Admission]:
        chosen = [one for one in self.keeper.register.of(who) if door in (None, one.door)]
        return asyncio.run(ending.dismiss(self.keeper, chosen, Ending.DISMISSED))

    def admit(self, *sources: Source, door: str = "ssh", stay: int = HOUR) -> list[Admission]:
        return self.keeper.admit([Grant(door, one, stay) for one in sources])


@pytest.fixture
def cut(monkeypatch: pytest.MonkeyPatch) -> Cut:
    """What of flows was asked to be cut; each source has two."""
    asked: Cut = {}

    def cut_each(sources: Collection[Source], services: tuple[Service, ...]) -> Counter[Source]:
        for one in sources:
            asked[one, tuple(services)] = 2
        return Counter(dict.fromkeys(sources, 2))

    monkeypatch.setattr(flows, "cut_each", cut_each)
    return asked


def test_whoever_completed_stays_for_as_long_as_the_door_says() -> None:
    house = House()
    house.open((Expected(KNOCKS, "ssh"), ANA), (Expected(KNOCKS, "vpn"), BEN))
    assert house.guard.inside == {("ssh", ANA): HOUR, ("vpn", BEN): 600 * SECOND}
    assert house.texts("admitted") == [
        "192.0.2.7 admitted to ssh for 1h",
        "192.0.2.8 admitted to vpn for 10m",
    ]
    assert house.told[0][2] == {
        "PORTRESS_EVENT": "admitted",
        "PORTRESS_SOURCE": "192.0.2.7",
        "PORTRESS_DOOR": "ssh",
        "PORTRESS_STAY": "3600",
    }
    assert house.writes.lines == [
        ("admitted", "ssh", "192.0.2.7", 1_900_003_600.0, None, None, "knock"),
        ("admitted", "vpn", "192.0.2.8", 1_900_000_600.0, None, None, "knock"),
    ]
    assert house.keeper.admitted == {("ssh", "knock"): 1, ("vpn", "knock"): 1}


def test_a_renewed_admission_ends_by_its_new_time_and_is_known_by_its_new_step(cut: Cut) -> None:
    house = House()
    house.keeper.admit([Grant("ssh", ANA, HOUR, "ana", 7)])
    house.passes(1800)
    (one,) = house.keeper.admit([Grant("ssh", ANA, HOUR, "ana", 8)])
    assert (one.step, one.last) == (8, house.now)
    house.passes(1801)
    assert house.keeper.expire() == 0
    house.passes(1800)
    assert house.keeper.expire() == 1


def test_a_new_admission_is_known_by_its_step_and_told_to_the_other_gateways() -> None:
    house = House()
    (one,) = house.keeper.admit([Grant("ssh", ANA, HOUR, "ana", 7)])
    assert (one.step, one.last, one.since) == (7, house.now, house.now)
    assert house.others.lines == [("admitted", "ssh", "192.0.2.7", house.unix + 3600, 7)]
    house.keeper.dismiss(ANA, None)
    assert house.others.lines[1:] == [("ended", "ssh", "192.0.2.7", Ending.DISMISSED)]


def test_single_connections_are_counted_by_door() -> None:
    house = House()
    house.admit(Source(ANA.packed, 32, 40123), BEN)
    assert house.keeper.connections == {"ssh": 1}


def test_a_keyholder_moves_to_the_newest_place(cut: Cut) -> None:
    fixed = "fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}"
    house = House(CONFIG.replace(fixed, "places: 1\n    rotating: {pool: 10100-32767}"))
    house.keeper.admit([Grant("ssh", ANA, HOUR, "ana", 7)])
    house.passes(60)
    house.keeper.admit([Grant("ssh", BEN, HOUR, "ana", 9), Grant("ssh", source(1), HOUR, "ben", 9)])
    assert {(one.keyholder, one.source) for one in house.keeper.register} == {
        ("ana", BEN),
        ("ben", source(1)),
    }
    assert house.guard.inside.keys() == {("ssh", BEN), ("ssh", source(1))}
    assert house.texts("moved") == ["ana moved from 192.0.2.7 to 192.0.2.8 at ssh, for 1h"]
    assert house.texts("dismissed") == [] and len(house.texts("admitted")) == 2
    assert ("ended", "ssh", "192.0.2.7", "moved") in house.writes.lines
    house.admit(source(2), source(3))  # nobody's: places are a keyholder's
    assert house.keeper.register.count("ssh", 4) == 3


def test_dismissed_at_one_door_a_source_stays_at_the_other(cut: Cut) -> None:
    house = House()
    house.admit(ANA)
    house.admit(ANA, door="vpn")
    house.keeper.dismiss(ANA, "vpn")
    assert [one.door for one in house.keeper.register] == ["ssh"]


HOURS = CONFIG.replace(
    "stay: 1h",
    'stay: 1h\n    at_closing: end\n    hours: {from: "06:00", to: "18:00", zone: Europe/London}',
)  # the house begins at 17:46:40 of 17 March 2030, UTC


def test_what_ends_with_the_doors_hours_is_told_as_such_and_every_packet_is_refused(cut: Cut) -> None:
    house = House(HOURS)
    house.admit(ANA, stay=800 * SECOND)
    house.admit(BEN, door="vpn", stay=800 * SECOND)
    house.passes(800)
    assert house.keeper.expire() == 2
    assert house.texts("ended") == [
        "192.0.2.7's admission to ssh ended: closed, 2 flows cut",
        "192.0.2.8's admission to vpn ended: expired, 2 flows cut",
    ]
    assert house.guard.dismissed == {ANA}
    assert ("ssh", ANA) not in house.guard.inside  # shut once it is told, not by the kernel's timeout


def test_what_the_guard_opened_ends_with_the_doors_hours_however_late_it_is_heard_of(cut: Cut) -> None:
    house = House(HOURS)
    house.passes(3)
    house.keeper.opened([Grant("ssh", ANA, when=house.now - 3 * SECOND)])
    (one,) = house.keeper.register
    assert (one.until, one.last) == (house.now + 797 * SECOND, house.now - 3 * SECOND)
    assert house.guard.inside == {("ssh", ANA): 797 * SECOND}
    assert house.writes.lines[-1][3] == house.others.lines[-1][3] == house.unix + 797
    house.passes(797)
    house.keeper.opened([Grant("ssh", BEN, when=house.now - SECOND)])
    assert [one.source for one in house.keeper.register] == [ANA]


def test_what_the_daemon_opens_is_open_from_then_until_the_door_closes(cut: Cut) -> None:
    house = House(HOURS)
    house.passes(3)
    (one,) = house.keeper.admit([Grant("ssh", ANA, when=house.now - 3 * SECOND)])
    assert one.until == house.now + 797 * SECOND
    assert house.guard.inside == {("ssh", ANA): 797 * SECOND}


def test_the_guard_is_left_alone_where_its_own_timeouts_end_what_is_over(
    cut: Cut, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever reads the guard begins anew when it is told to end something."""
    house = House(HOURS)
    house.admit(BEN, door="vpn", stay=800 * SECOND)
    asked: list[object] = []
    monkeypatch.setattr(house.guard, "dismiss", asked.append)
    house.passes(800)
    assert house.keeper.expire() == 1 and asked == []


def test_admissions_of_a_door_that_closes_end_at_once(cut: Cut) -> None:
    house = House(HOURS)
    house.admit(ANA)
    house.admit(BEN, door="vpn")
    house.passes(799)
    assert house.keeper.close() == []
    house.passes(1)
    assert [one.source for one in house.keeper.close()] == [ANA]
    assert house.guard.inside.keys() == {("vpn", BEN)} and house.guard.dismissed == {ANA}


def test_doors_are_closed_once_a_second(cut: Cut) -> None:
    house = House(HOURS)
    house.admit(ANA)
    house.passes(800)
    house.keeper.settle()
    assert house.guard.inside == {}


def test_another_source_prefix_holds_for_the_refused_and_not_for_single_connections() -> None:
    house = House()
    alone = Source(BEN.packed, 32, 40123)
    house.admit(alone)
    house.keeper.refuse([ANA])
    house.reload(f"source_prefix: {{ipv4: 24}}\n{CONFIG}")
    assert [one.source for one in house.keeper.register] == [alone]
    assert house.keeper.refused == [Source.parse("192.0.2.0/24")]  # which the guard has carried over
    house.reload(CONFIG)
    assert house.keeper.refused == []  # which of them it was, nobody knows


WIDE = f"source_prefix: {{ipv4: 24}}\n{CONFIG}"


@pytest.mark.parametrize("first", [ANA, BEN])
def test_of_those_that_are_one_source_now_the_longest_stays_and_the_ledger_knows_of_the_other(
    first: Source,
) -> None:
    house = House()
    second = BEN if first is ANA else ANA
    house.admit(first, stay=2 * HOUR)
    house.admit(second)
    house.writes.lines.clear()
    house.others.lines.clear()
    house.reload(WIDE)
    (one,) = house.keeper.register
    assert (str(one.source), one.until - house.now) == ("192.0.2.0/24", 2 * HOUR)
    assert house.writes.lines == [("ended", "ssh", str(second), "source_prefix changed")]
    assert not house.others.lines and not house.texts("ended")  # who is inside by it goes on
    house.passes(3601)
    assert house.keeper.expire() == 0 and list(house.keeper.register) == [one]
    house.passes(3600)
    assert house.keeper.expire() == 1 and not len(house.keeper.register)


def _meanwhile(house: House, text: str, ended: list[Held], work: Callable[[int], None]) -> int:
    """A reload, with `work` done in each turn of the loop meanwhile: how many turns there were."""

    async def go() -> int:
        recounting, config = Recounting(house.keeper), parse(text, "portress.yaml")
        turns = 0

        async def others() -> None:
            nonlocal turns
            while True:
                work(turns)
                turns += 1
                await asyncio.sleep(0)

        task = asyncio.create_task(others())
        await recounting.begin(config, ended)
        house.config = house.in_force.config = config
        recounting.adopt()
        await recounting.finish()
        task.cancel()
        return turns

    return asyncio.run(asyncio.wait_for(go(), 60))


CROWD = [Source(bytes((198, 18, high, low)), 32) for high in range(8) for low in range(0, 256, 2)]
ROOM = CONFIG.replace("admissions: 3", "admissions: 2000")


def test_very_many_are_counted_again_while_others_come_and_go(cut: Cut) -> None:
    """1,024 sources that become 512: in each turn of the loop one is dismissed, and one comes."""
    house = House(ROOM)
    house.guard.size = 5000
    house.admit(*CROWD)
    gone, come = set[Source](), list[Source]()

    def work(turn: int) -> None:
        widths = house.in_force.config.widths
        if turn < 100:
            one = widths.counted(CROWD[turn * 9 + 4])
            house.keeper.dismiss(one, None)
            gone.add(CROWD[turn * 9 + 4])
            two = widths.counted(Source(bytes((198, 19, turn, 7)), 32))
            house.admit(two)
            come.append(two)

    turns = _meanwhile(house, f"source_prefix: {{ipv4: 30}}\n{ROOM}", [], work)
    assert turns > len(CROWD) / 250
    widths = house.in_force.config.widths
    wanted = {widths.counted(one) for one in [*CROWD, *come]} - {widths.counted(one) for one in gone}
    found = {one.source for one in house.keeper.register}
    assert found >= wanted and all(one.length == 30 for one in found)
    # Before they are one source, the neighbour of who is dismissed is not, and stays.
    assert found - wanted <= {widths.counted(one) for one in gone}
    for one in found:
        house.keeper.dismiss(one, None)
    assert not len(house.keeper.register)


@pytest.mark.parametrize("linger", ["false", "true"])
def test_very_many_that_were_not_carried_over_end_a_part_at_a_time(linger: str, cut: Cut) -> None:
    house = House(ROOM.replace("stay: 1h", f"stay: 1h\n    linger: {linger}"))
    house.guard.size = 5000
    house.admit(*CROWD)
    house.writes.lines.clear()
    held = [Held("ssh", one, HOUR) for one in CROWD[1:]]
    turns = _meanwhile(house, house.config_text, held, lambda turn: None)
    assert turns > 2 * len(CROWD) / 250 and not held
    assert [one.source for one in house.keeper.register] == CROWD[:1]
    ends = [("ended", "ssh", str(one), "source_prefix changed") for one in CROWD[1:]]
    assert house.writes.lines == ends == house.others.lines[len(CROWD) :]
    more = ", 2 flows cut" if linger == "false" else ""
    assert house.texts("ended")[0] == f"{CROWD[1]}'s admission to ssh ended: source_prefix changed{more}"
    assert len(cut) == (len(CROWD) - 1 if linger == "false" else 0)


def test_those_of_a_door_that_is_gone_end_and_their_flows_go_on(cut: Cut) -> None:
    house = House()
    house.admit(ANA, door="vpn")
    house.reload(CONFIG[: CONFIG.index("  vpn:")], Held("vpn", ANA, HOUR))
    assert house.writes.lines[-1] == ("ended", "vpn", "192.0.2.7", "door removed")
    assert house.texts("ended") == ["192.0.2.7's admission to vpn ended: door removed"]
    assert not cut and not len(house.keeper.register)


def test_what_counts_as_before_is_not_counted_again() -> None:
    house = House()
    house.admit(ANA)
    before = house.keeper.register._by_door
    house.reload(CONFIG.replace("stay: 1h", "stay: 2h"))
    assert house.keeper.register._by_door is before


def test_of_a_wider_source_nobody_knows_who_it_was() -> None:
    """Also where there was no guard that could have carried it over or not."""
    house = House(WIDE)
    house.admit(Source.parse("192.0.2.0/24"))
    house.reload(CONFIG)
    assert not len(house.keeper.register)
    assert house.writes.lines[-1] == ("ended", "ssh", "192.0.2.0/24", "source_prefix changed")


def test_who_is_admitted_by_a_wider_source_while_all_are_counted_again_is_not_inside() -> None:
    house = House(f"source_prefix: {{ipv4: 24}}\n{ROOM}")
    house.guard.size = 5000
    house.admit(*(Source(bytes((198, 18, number, 0)), 24) for number in range(256)))
    late = Source.parse("198.51.100.0/24")
    assert _meanwhile(house, ROOM, [], lambda turn: None if turn else house.admit(late).clear()) > 2
    assert not len(house.keeper.register)
    assert ("ssh", late) not in house.guard.inside
    assert ("ended", "ssh", str(late), "source_prefix changed") in house.writes.lines


def test_those_unenrolled_end_a_part_at_a_time() -> None:
    house = House(ROOM)
    house.guard.size = 5000
    grants = [Grant("ssh", one, HOUR, ("ana", "ben")[place % 2]) for place, one in enumerate(CROWD)]
    house.keeper.admit(grants)
    house.writes.lines.clear()

    async def go() -> list[Admission]:
        keeping = asyncio.create_task(ending.keep_only(house.keeper, {("ana", "ssh")}))
        for _ in range(5):
            await asyncio.sleep(0)
        house.keeper.dismiss(CROWD[-1], None)  # who is dismissed beside it ends once
        return await keeping

    gone = asyncio.run(go())
    assert [one.source for one in gone] == CROWD[1:-1:2]
    assert {one.keyholder for one in house.keeper.register} == {"ana"}
    assert len(house.guard.inside) == len(house.keeper.register) == len(CROWD) / 2
    ended = [line for line in house.writes.lines if line[3] == "unenrolled"]
    assert [line[2] for line in ended] == [str(one.source) for one in gone]


def test_of_some_that_are_to_be_dismissed_those_go_that_are_still_there() -> None:
    house = House()
    one, other = house.admit(ANA, BEN)
    house.keeper.dismiss(BEN, None)
    assert house.keeper.dismiss_part([one, other], Ending.DISMISSED) == [one]
    assert house.writes.lines.count(("ended", "ssh", "192.0.2.8", "dismissed")) == 1
    assert ("ended", "ssh", "192.0.2.7", "dismissed") in house.writes.lines
    assert ("ended", "ssh", "192.0.2.7", "dismissed") in house.others.lines
    assert house.guard.inside == {} and house.guard.dismissed == {ANA, BEN}


@pytest.mark.parametrize(
    ("door", "services"),
    [(None, ("tcp/22", "udp/51820")), ("ssh", ("tcp/22",)), ("vpn", ("udp/51820",))],
)
def test_what_outlived_an_admission_is_cut_by_command(
    monkeypatch: pytest.MonkeyPatch, door: str | None, services: tuple[str, ...]
) -> None:
    house, asked = House(), []

    def cut_flows(one: Source, those: Collection[Service]) -> int:
        asked.append((one, tuple(map(str, those))))
        return 2

    monkeypatch.setattr(flows, "cut", cut_flows)
    assert asyncio.run(house.keeper.cut(ANA, door)) == 2
    assert asked == [(ANA, services)] and house.guard.dismissed == {ANA}
    assert house.texts("dismissed") == ["192.0.2.7: 2 flows that outlived the admission cut by command"]


@pytest.mark.parametrize("refused", [True, False])
def test_where_nothing_could_be_cut_nothing_is_told(monkeypatch: pytest.MonkeyPatch, refused: bool) -> None:
    def cut_flows(_one: Source, _services: object) -> int:
        if refused:
            raise PermissionError
        return 0

    house = House()
    monkeypatch.setattr(flows, "cut", cut_flows)
    assert asyncio.run(house.keeper.cut(ANA, None)) == 0
    assert house.told == []


def test_strangers_are_refused_by_as_much_of_their_addresses_as_counts() -> None:
    house = House(f"source_prefix: {{ipv4: 24}}\n{CONFIG}")
    house.keeper.refuse([ANA, Source(BEN.packed, 32, 40123)])
    assert house.guard.dismissed == {Source.parse("192.0.2.0/24")}


def test_whoever_comes_in_is_the_only_one_refused_no_more() -> None:
    house = House()
    house.keeper.refuse([ANA, BEN])
    house.admit(ANA, source(1))
    assert house.guard.dismissed == {BEN}
    house.guard.dismissed.add(ANA)  # by somebody else: not asked for again
    house.admit(ANA, stay=2 * HOUR)
    assert house.guard.dismissed == {ANA, BEN}


# Where the guard itself has let somebody in


def by_guard(house: House, when: float, keyholder: str | None = None, door: str = "ssh") -> None:
    """The guard let Ana in by a knock so many seconds ago."""
    step = None if keyholder is None else 63_333_333
    grant = Grant.of(Expected(KNOCKS, door, keyholder, step), ANA, house.now - round(when * SECOND))
    house.keeper.opened([grant])


def test_whom_the_guard_let_in_is_noted_from_the_knock_on_and_nothing_is_asked_of_the_guard() -> None:
    house = House()
    by_guard(house, 2)
    (one,) = house.keeper.register
    assert (one.since, one.until) == (house.now - 2 * SECOND, house.now + HOUR - 2 * SECOND)
    assert house.guard.told_came == [] and house.keeper.admitted == {("ssh", "knock"): 1}
    assert house.texts("admitted") == ["192.0.2.7 admitted to ssh for 1h"]


@pytest.mark.parametrize("left", [90, 0.5])
def test_the_guards_stay_is_cut_to_the_keyholders_end(left: float) -> None:
    house = House()
    house.enrol(ana=house.unix + left)
    by_guard(house, 0, "ana")
    assert house.guard.inside == {("ssh", ANA): round(left * SECOND)} and house.guard.told_came == [True]
    assert [one.until for one in house.keeper.register] == [house.now + round(left * SECOND)]


@pytest.mark.parametrize("over", [0, 5])
def test_whom_the_guard_let_in_after_the_keyholders_end_is_put_out(over: float) -> None:
    house = House()
    house.enrol(ana=house.unix - over)
    house.guard.inside["ssh", ANA] = HOUR
    by_guard(house, 0, "ana")
    assert house.guard.inside == {} and not list(house.keeper.register) and house.told == []


def test_the_guard_does_not_shorten_an_admission() -> None:
    house = House()
    house.admit(ANA, stay=2 * HOUR)
    house.passes(10)
    by_guard(house, 0)
    assert house.guard.inside == {("ssh", ANA): 2 * HOUR - 10 * SECOND}
    assert house.guard.told_came == [False, True]
    assert [line[0] for line in house.writes.lines] == ["admitted"]


def test_a_renewal_by_the_guard_to_the_very_end_there_was_is_noted_as_one() -> None:
    house = House()
    house.admit(ANA, stay=HOUR)
    by_guard(house, 0)
    assert house.guard.told_came == [False]
    assert [line[0] for line in house.writes.lines] == ["admitted", "renewed"]


@pytest.mark.parametrize(("later", "renewed"), [(1, False), (SECOND, False), (SECOND + 1, True)])
def test_who_was_found_in_the_guard_before_it_was_told_is_not_renewed_for_a_moment(
    later: int, renewed: bool
) -> None:
    house = House()
    house.keeper.find([Held("ssh", ANA, HOUR + later)])
    by_guard(house, 0)
    assert house.guard.told_came == [True] * renewed
    known = house.keeper.register.get("ssh", ANA)
    assert known is not None and known.until == house.now + HOUR + later * renewed


def test_in_a_full_set_the_time_that_the_guard_gave_is_what_there_is() -> None:
    house = House()
    house.admit(ANA, stay=2 * HOUR)
    house.guard.inside.clear()
    house.guard.size = 0
    by_guard(house, 0)
    assert [one.until for one in house.keeper.register] == [house.now + 2 * HOUR]


def test_who_may_not_stay_so_long_is_put_out_where_a_full_set_takes_no_shorter_time() -> None:
    house = House()
    house.enrol(ana=house.unix + 90)
    house.guard.inside["ssh", ANA], house.guard.inside["ssh", BEN] = HOUR, HOUR
    house.guard.size = 1
    by_guard(house, 0, "ana")
    assert [*house.guard.inside] == [("ssh", BEN)] and not list(house.keeper.register)
    assert house.keeper.turned_away == {"ssh": 1}


def test_whom_the_guard_let_in_may_have_flows_that_outlive_it_again() -> None:
    house = House()
    house.admit(ANA)
    house.keeper.dismiss(ANA, None)
    assert house.guard.dismissed == {ANA}
    by_guard(house, 0)
    assert house.guard.dismissed == set()


def test_what_the_guard_opened_of_a_door_that_is_gone_is_not_noted() -> None:
    house = House()
    by_guard(house, 0, door="shop")
    assert not list(house.keeper.register) and house.told == []


def test_whom_the_guard_found_no_room_for_is_counted_and_told() -> None:
    house = House()
    house.keeper.found_full("ssh")
    house.keeper.found_full("ssh")
    assert house.keeper.turned_away == {"ssh": 2}
    assert house.texts("full") == ["1 admission refused: admissions is full (see `admissions`, 3 now)"]
    house.passes(61)
    house.keeper.settle()
    assert house.texts("full")[1:] == ["1 admission refused: admissions is full (see `admissions`, 3 now)"]


def test_a_moment_of_the_clock_is_known_in_unix_time() -> None:
    house = House()
    assert house.keeper.unix_at(house.now - 3 * SECOND) == house.unix - 3


def test_a_door_that_is_gone_lets_nobody_in() -> None:
    house = House()
    house.open((Expected(KNOCKS, "shop"), ANA))
    assert house.guard.inside == {} and house.told == []


@pytest.mark.parametrize(("left", "stay"), [(7200, 3600), (3600, 3600), (90, 90), (0.5, 0.5)])
def test_no_stay_goes_beyond_the_keyholders_end(left: float, stay: float) -> None:
    house = House()
    house.enrol(ana=house.unix + left, ben=house.unix + 5)
    house.open((Expected(KNOCKS, "ssh", "ana", 63_333_333), ANA))
    assert house.guard.inside == {("ssh", ANA): round(stay * SECOND)}
    assert house.writes.lines[0][4:6] == ("ana", 63_333_333)


@pytest.mark.parametrize("left", [0, -1, -86400])
def test_a_keyholder_whose_time_is_over_gets_in_no_more(left: float) -> None:
    house = House()
    house.enrol(ana=house.unix + left)
    house.open((Expected(KNOCKS, "ssh", "ana", 1), ANA))
    assert house.guard.inside == {} and len(house.keeper.register) == 0


def test_admission_again_sets_the_full_stay_anew() -> None:
    house = House()
    house.admit(ANA)
    house.passes(600)
    house.admit(ANA)
    known = house.keeper.register.get("ssh", ANA)
    assert known is not None and known.until == house.now + HOUR and known.since == house.now - 600 * SECOND
    assert house.guard.told_new == [True, False]
    assert house.texts("admitted")[1] == "192.0.2.7 admitted again to ssh for 1h"
    assert house.writes.lines[1] == ("renewed", "ssh", "192.0.2.7", house.unix + 3600)


@pytest.mark.parametrize("stay", [HOUR, HOUR - 1, SECOND])
def test_admission_again_never_shortens(stay: int) -> None:
    house = House()
    house.admit(ANA)
    before = house.keeper.register.get("ssh", ANA)
    assert before is not None
    until = before.until
    assert house.admit(ANA, stay=stay) == []
    assert house.guard.inside == {("ssh", ANA): HOUR} and before.until == until
    assert len(house.told) == 1 and len(house.writes.lines) == 1


def test_one_that_is_longer_by_a_nanosecond_counts() -> None:
    house = House()
    house.admit(ANA)
    assert len(house.admit(ANA, stay=HOUR + 1)) == 1
    assert house.guard.inside == {("ssh", ANA): HOUR + 1}


def test_another_keyholder_of_the_same_source_has_an_admission_of_his_own() -> None:
    house = House()
    house.keeper.admit([Grant("ssh", ANA, HOUR, "ana", 7)])
    house.passes(10)
    house.keeper.admit([Grant("ssh", ANA, HOUR, "ben", 8)])
    assert [line[0] for line in house.writes.lines] == ["admitted", "ended", "admitted"]
    assert house.writes.lines[1] == ("ended", "ssh", "192.0.2.7", "superseded")
    known = house.keeper.register.get("ssh", ANA)
    assert known is not None and known.keyholder == "ben" and known.since == house.now
    assert len(house.keeper.register) == 1
    assert [one.source for one in house.keeper.register.held_by("ben")] == [ANA]
    assert house.keeper.register.held_by("ana") == []


def test_a_full_door_takes_nobody_new_and_those_inside_renew() -> None:
    house = House()
    house.admit(source(1), source(2), source(3))
    house.passes(1)
    made = house.admit(source(4), source(2), source(5), source(3))
    assert [one.source for one in made] == [source(2), source(3)]
    assert {who for _, who in house.guard.inside} == {source(1), source(2), source(3)}
    assert house.keeper.turned_away == {"ssh": 2}
    # The other door has room of its own, and so has the other family.
    assert len(house.admit(source(4), door="vpn")) == 1
    assert len(house.admit(Source.parse("2001:db8::7"))) == 1


def test_one_batch_cannot_fill_more_than_there_is_room_for() -> None:
    house = House()
    made = house.admit(*(source(number) for number in (1, 1, 2, 2, 3, 3, 4, 4)))
    assert {one.source for one in made} == {source(1), source(2), source(3)}
    assert len(house.keeper.register) == 3 and house.keeper.turned_away == {"ssh": 2}


def test_a_full_door_is_told_at_once_and_then_once_a_minute_with_the_count() -> None:
    house = House()
    house.admit(source(1), source(2), source(3))
    for _ in range(90):
        house.admit(source(4), source(5))
        house.keeper.settle()
        house.passes(1)
    assert house.texts("full") == [
        "1 admission refused: admissions is full (see `admissions`, 3 now): ssh over IPv4",
        "120 admissions refused: admissions is full (see `admissions`, 3 now): ssh over IPv4",
    ]


def test_a_set_that_the_kernel_calls_full_keeps_nobody_out_for_whom_there_is_room() -> None:
    """The kernel clears what is over away once a second: it may be full when by the register it is not."""
    house = House(CONFIG.replace("admissions: 3", "admissions: 9"))
    house.guard.size = 5
    made = house.admit(*(source(number) for number in range(1, 9)))
    assert len(made) == 5 == len(house.guard.inside) == len(house.keeper.register)
    assert house.keeper.turned_away == {"ssh": 3}
    house.passes(1)
    assert len(house.admit(*(one.source for one in made))) == 5


def test_a_guard_that_is_gone_lets_nobody_in_and_is_not_taken_for_a_full_one() -> None:
    house = House()
    house.guard.gone = True
    with pytest.raises(GuardError):
        house.admit(ANA)
    assert len(house.keeper.register) == 0 and house.writes.lines == [] and house.told == []
    assert house.keeper.turned_away == {}


def test_what_is_over_is_told_written_and_its_flows_cut_where_they_may_not_linger(
    cut: Cut,
) -> None:
    house = House()
    house.admit(ANA, stay=60 * SECOND)
    house.admit(ANA, door="vpn", stay=60 * SECOND)
    house.passes(59.999)
    assert house.keeper.expire() == 0
    house.passes(0.001)
    assert house.keeper.expire() == 2
    assert cut == {(ANA, house.config.doors["vpn"].services): 2}
    assert sorted(house.texts("ended")) == [
        "192.0.2.7's admission to ssh ended: expired",
        "192.0.2.7's admission to vpn ended: expired, 2 flows cut",
    ]
    assert {line[:2] for line in house.writes.lines if line[0] == "ended"} == {
        ("ended", "ssh"),
        ("ended", "vpn"),
    }
    assert house.keeper.expire() == 0


def test_many_that_end_at_once_are_seen_to_a_few_at_a_time() -> None:
    house = House(CONFIG.replace("admissions: 3", "admissions: 100"))
    house.admit(*(source(number) for number in range(1, 101)))
    house.passes(3600)
    assert [house.keeper.expire(40) for _ in range(4)] == [40, 40, 20, 0]


def test_the_dismissed_are_out_at_once_with_their_flows(
    cut: Cut,
) -> None:
    house = House()
    house.admit(ANA, BEN)
    house.admit(ANA, door="vpn")
    ended = house.dismiss(ANA, "ssh")
    assert [(one.door, one.source) for one in ended] == [("ssh", ANA)]
    assert house.guard.inside.keys() == {("ssh", BEN), ("vpn", ANA)} and house.guard.dismissed == {ANA}
    assert cut == {(ANA, house.config.doors["ssh"].services): 2}
    assert house.texts("dismissed") == ["192.0.2.7's admission to ssh ended: dismissed, 2 flows cut"]
    assert house.dismiss(ANA, "ssh") == []
    assert [one.door for one in house.dismiss(ANA, None)] == ["vpn"]
    house.admit(ANA)  # whoever is let in again may have flows that outlive it again
    assert house.guard.dismissed == set()


def test_only_those_enrolled_keep_their_admissions(
    cut: Cut,
) -> None:
    house = House()
    house.keeper.admit(
        [Grant("ssh", ANA, HOUR, "ana"), Grant("vpn", ANA, HOUR, "ana"), Grant("ssh", BEN, HOUR)]
    )
    gone = house.keeper.keep_only({("ana", "ssh")})
    assert [(one.door, one.keyholder) for one in gone] == [("vpn", "ana")]
    assert house.writes.lines[-1] == ("ended", "vpn", "192.0.2.7", "unenrolled")
    assert house.guard.inside.keys() == {("ssh", ANA), ("ssh", BEN)}
    assert cut == {(ANA, house.config.doors["vpn"].services): 2}


def record(who: Source, left: float, row: int, door: str = "ssh", since: float = -60.0) -> Record:
    unix = 1_900_000_000.0
    return Record(row, who, door, "ana", 7, "knock", unix + since, unix + left)


def test_of_more_than_there_may_be_the_kernel_is_told_at_once_and_each_second() -> None:
    """`admissions` is 3: more than 70 of a family are more than whole sources and connections can be."""
    house, back = House(), ("ssh", 4, 10 * SECOND)
    held = [Held("ssh", source(number), HOUR) for number in range(72)]
    house.keeper.find([*held[:70], Held("vpn", ANA, HOUR), Held("ssh", Source.parse("2001:db8::1"), HOUR)])
    house.keeper.settle()
    assert house.guard.held_back == []
    house.keeper.find(held)
    assert house.guard.held_back == [back]
    house.keeper.settle()
    assert house.guard.held_back == [back, back]
    house.keeper.dismiss(source(70), None)
    house.keeper.dismiss(source(71), None)
    house.keeper.settle()
    assert house.guard.held_back == [back, back]


def test_so_it_is_of_those_that_a_daemon_finds_at_its_start_whether_or_not_the_ledger_knows_them() -> None:
    for records in ([], [record(source(number), 60, number) for number in range(71)]):
        house = House()
        house.keeper.take_over([Held("ssh", source(number), HOUR) for number in range(70)], records)
        assert house.guard.held_back == []
        house = House()
        house.keeper.take_over([Held("ssh", source(number), HOUR) for number in range(71)], records)
        assert set(house.guard.held_back) == {("ssh", 4, 10 * SECOND)}
        house.guard.gone = True
        house.keeper.settle()  # the guard is put back: then it is told


def test_what_the_ledger_says_is_of_the_sources_that_count_now() -> None:
    alone = Source(BEN.packed, 32, 40123)
    records = [record(ANA, 60, 1), record(BEN, 90, 2), record(BEN, 50, 3, "vpn"), record(alone, 10, 4)]
    house = House(WIDE)
    found = {one.row: one.source for one in house.keeper.counted_now(records)}
    wide = Source.parse("192.0.2.0/24")
    assert found == {2: wide, 3: wide, 4: alone}
    assert house.writes.lines == [("ended", "ssh", str(wide), "source_prefix changed")]
    house = House()
    assert house.keeper.counted_now([record(wide, 60, 5), *records]) == sorted(
        records, key=lambda one: one.until
    )
    assert house.writes.lines == [("ended", "ssh", "192.0.2.0/24", "source_prefix changed")]


def test_what_the_kernel_holds_is_known_with_what_the_ledger_says_of_it() -> None:
    house = House()
    held = [Held("ssh", ANA, 100 * SECOND), Held("ssh", BEN, 50 * SECOND)]
    assert house.keeper.take_over(iter(held), [record(ANA, 90.0, 12)]) == 2
    ana, ben = house.keeper.register.get("ssh", ANA), house.keeper.register.get("ssh", BEN)
    assert ana is not None and ben is not None
    assert (ana.keyholder, ana.how, ana.row) == ("ana", "knock", 12)
    assert ana.until == house.now + 100 * SECOND and ana.since == house.now - 60 * SECOND
    assert (ben.keyholder, ben.how, ben.until) == (None, How.FOUND, house.now + 50 * SECOND)
    assert house.writes.lines == [("admitted", "ssh", "192.0.2.8", 1_900_000_050.0, None, None, "found")]
    assert house.told == []


def test_those_that_the_kernel_lost_are_let_in_for_the_time_left_without_a_line_each() -> None:
    house = House()
    known = [record(source(number), 100.0, number) for number in range(1, 6)]
    known.append(record(ANA, 100.0, 9, door="shop"))
    assert house.keeper.restore(known) == 3  # as many as find room
    assert house.guard.inside == {("ssh", source(number)): 100 * SECOND for number in (1, 2, 3)}
    restored = house.keeper.register.get("ssh", source(2))
    assert restored is not None and (restored.row, restored.how) == (2, How.RESTORED)
    assert house.keeper.admitted == {("ssh", "restored"): 3}
    assert house.texts("admitted") == [] and house.writes.lines == []


def test_another_source_prefix_makes_one_of_those_it_covers_and_the_longest_stays() -> None:
    house = House()
    house.admit(source(1), stay=60 * SECOND)
    house.admit(source(2), stay=90 * SECOND)
    house.dismiss(source(3), None)
    house.reload(f"source_prefix: {{ipv4: 24}}\n{CONFIG}")
    (one,) = house.keeper.register
    assert str(one.source) == "203.0.113.0/24" and one.until == house.now + 90 * SECOND


@pytest.mark.parametrize(
    ("text", "how"),
    [
        (CONFIG.replace("  ssh:", "  sea:"), Ending.DOOR_REMOVED),
        (f"source_prefix: {{ipv4: 24}}\n{CONFIG}", Ending.PREFIX_CHANGED),
    ],
)
def test_what_the_guard_could_not_carry_over_ends_with_the_reason(text: str, how: Ending) -> None:
    house = House()
    house.admit(ANA)
    house.reload(text, Held("ssh", ANA, 5))
    assert len(house.keeper.register) == 0
    assert house.writes.lines[-1] == ("ended", "ssh", "192.0.2.7", how.value)
    assert house.texts("ended") == [f"192.0.2.7's admission to ssh ended: {how.value}"]


def test_a_guard_put_back_has_everybody_with_the_time_left_and_the_dismissed_again(
    cut: Cut,
) -> None:
    house = House()
    house.admit(ANA, stay=60 * SECOND)
    house.admit(BEN, stay=10 * SECOND)
    house.admit(source(3))
    house.dismiss(source(3), None)
    house.guard.dismissed.clear()
    house.passes(10)
    assert asyncio.run(house.keeper.put_back(build(house.config, frozenset()))) == []
    assert house.guard.inside == {("ssh", ANA): 50 * SECOND}
    assert house.guard.dismissed == {source(3)}


def test_who_comes_and_goes_while_the_guard_is_loaded_in_a_thread_is_in_or_out_after_it() -> None:
    house = House(CONFIG.replace("admissions: 3", "admissions: 100"))
    house.admit(*(source(number) for number in range(1, 81)), stay=60 * SECOND)
    load, spaces = house.guard.load, []

    def loaded(ruleset: Any, admit: Iterable[Grant], *, in_parts: bool) -> None:
        spaces.append({one.name: one.size for one in ruleset.living})
        house.dismiss(source(3), None)
        load(ruleset, admit, in_parts=in_parts)
        house.admit(source(90), stay=60 * SECOND)

    house.guard.load = loaded  # type: ignore[method-assign]
    rest = asyncio.run(house.keeper.put_back(build(house.config, frozenset())))
    first = {("ssh", source(number)) for number in range(1, 65)}
    assert house.guard.inside.keys() == (first | {("ssh", source(90))}) - {("ssh", source(3))}
    assert {one.source for one in rest} == {source(number) for number in [*range(65, 81), 90]}
    assert spaces[0]["ssh_4"] >= 80 and spaces[0]["ssh_6"] >= 1
    assert house.guard.dismissed == {source(3)}


def test_where_nobody_goes_meanwhile_nobody_is_dismissed() -> None:
    house = House()
    house.admit(ANA, stay=60 * SECOND)
    ended: list[Any] = []
    house.guard.dismiss = ended.append  # type: ignore[method-assign]
    assert asyncio.run(house.keeper.put_back(build(house.config, frozenset()))) == []
    assert not ended and house.guard.inside == {("ssh", ANA): 60 * SECOND}


@pytest.mark.parametrize(("seconds", "again"), [(-1, True), (0, False), (1, False)])
def test_whom_a_guard_that_counted_sources_otherwise_let_in_is_let_in_by_this_one(
    seconds: float, again: bool
) -> None:
    house = House()
    house.passes(100)
    assert house.keeper._recreated < house.now
    house.reload(f"source_prefix: {{ipv4: 24}}\n{CONFIG}")
    when = house.now + round(seconds * SECOND)
    house.passes(2)
    grant = Grant("ssh", source(0), house.config.doors["ssh"].stay, when=when)
    house.keeper.opened([grant])
    assert (("ssh", source(0)) in house.guard.inside) == again
    assert house.keeper.register.get("ssh", source(0)) is not None


def test_of_very_many_the_first_are_put_back_with_the_guard_and_the_rest_after_it() -> None:
    house = House(CONFIG.replace("admissions: 3", "admissions: 100"))
    house.admit(*(source(number) for number in range(1, 81)), stay=60 * SECOND)
    house.passes(10)
    rest = asyncio.run(house.keeper.put_back(build(house.config, frozenset())))
    assert len(house.guard.inside) == 64 and {str(one.source) for one in rest} == {
        str(source(number)) for number in range(65, 81)
    }
    house.keeper.dismiss_part([one for one in rest if one.source == source(70)], Ending.DISMISSED)
    house.guard.inside["ssh", source(71)] = 99 * SECOND  # let in by the kernel meanwhile
    house.keeper.put_back_part(rest)
    assert ("ssh", source(70)) not in house.guard.inside and len(house.guard.inside) == 79
    assert house.guard.inside["ssh", source(71)] == 99 * SECOND
    assert house.guard.inside["ssh", source(72)] == 50 * SECOND


def test_an_admissions_line_of_json_is_its_values() -> None:
    for source in ("192.0.2.7", "2001:db8::7", "2001:db8:0:1::/64", "::ffff:192.0.2.1", "0.0.0.7", "::1:2"):
        for keyholder, how in ((None, "knock"), ('a"\n\u202e', "fleet edge")):
            one = Admission("ssh", Source.parse(source), 5, 7 * SECOND + 1, keyholder, how)
            for unix in (0.0005, 1_700_000_000.9996):
                line = status_answer.admission_line(one, 9, unix)
                assert json.loads(line) == status_answer.admission(one, 9, unix)


@pytest.mark.parametrize("kernel", [True, False])
def test_after_a_restart_both_addresses_of_one_knock_are_one_place_still(kernel: bool, cut: Cut) -> None:
    """A client knocks over IPv4 and IPv6 at once: of two places that is one, and the second is free."""
    fixed = "fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}"
    house = House(CONFIG.replace(fixed, "places: 2\n    rotating: {pool: 10100-32767}"))
    both = ANA, Source.parse("2001:db8::7")
    records = [record(one, 100.0, row) for row, one in enumerate(both)]
    if kernel:
        house.keeper.take_over([Held("ssh", one, 100 * SECOND) for one in both], records)
    else:
        house.keeper.restore(records)
    house.keeper.admit([Grant("ssh", BEN, HOUR, "ana", 9)])
    assert {one.source for one in house.keeper.register} == {*both, BEN}
    house.passes(1)
    house.keeper.admit([Grant("ssh", source(1), HOUR, "ana", 11)])
    assert {one.source for one in house.keeper.register} == {BEN, source(1)}


def test_those_whose_admission_cannot_be_had_again_are_not_restored() -> None:
    """Single connections, and those at a door whose hours are over."""
    hours = "hours: {from: '00:00', to: '00:01', zone: UTC}\n    at_closing: end"
    house = House(CONFIG.replace("stay: 10m", f"stay: 10m\n    {hours}"))
    known = [record(Source(ANA.packed, 32, 40123), 100.0, 1), record(BEN, 100.0, 2, door="vpn")]
    house.admit(source(9))
    known += [record(source(9), 5.0, 3), record(source(8), 100.0, 4)]
    assert house.keeper.restore(known) == 1
    assert {(one.door, one.source) for one in house.keeper.register} == {
        ("ssh", source(9)),
        ("ssh", source(8)),
    }
    restored = house.keeper.register.get("ssh", source(8))
    assert restored is not None and restored.keyholder == "ana"
    assert (restored.since, restored.until) == (house.now, house.now + 100 * SECOND)


def test_whom_the_guard_let_in_untold_is_known_from_then_on_and_who_was_renewed_stays_longer() -> None:
    house = House()
    house.admit(BEN, stay=60 * SECOND)
    house.writes.lines.clear()
    held = [
        Held("ssh", ANA, 100 * SECOND, 60 * SECOND),
        Held("shop", ANA, 100 * SECOND),
        Held("ssh", BEN, 61 * SECOND),  # what the kernel rounds
    ]
    house.keeper.find(iter(held))
    ana, ben = house.keeper.register.get("ssh", ANA), house.keeper.register.get("ssh", BEN)
    assert ana is not None and ben is not None and len(house.keeper.register) == 2
    assert (ana.since, ana.until) == (house.now - 60 * SECOND, house.now + 100 * SECOND)
    assert (ana.keyholder, ana.how, ben.until) == (None, How.FOUND, house.now + 60 * SECOND)
    assert house.writes.lines == [("admitted", "ssh", "192.0.2.7", house.unix + 100, None, None, "found")]
    assert house.writes.since == house.unix - 60
    house.keeper.find([Held("ssh", BEN, 61 * SECOND + 1)])
    assert ben.until == house.now + 61 * SECOND + 1
    assert house.writes.lines[1:] == [
        ("renewed", "ssh", "192.0.2.8", pytest.approx(house.unix + 61, abs=0.001))
    ]
    house.passes(61)
    assert house.keeper.expire() == 0
    house.passes(1)
    assert house.keeper.expire() == 1


def test_the_dismissed_of_an_earlier_daemon_are_refused_no_more_when_they_are_let_in() -> None:
    house = House()
    house.guard.dismissed = {ANA, BEN}
    house.keeper.take_over([], [])
    house.admit(ANA)
    assert house.guard.dismissed == {BEN}


def test_who_is_inside_is_known_by_door_and_source() -> None:
    house = House()
    house.admit(ANA)
    inside = Inside(house.keeper.register)
    asked = [("ssh", ANA), ("vpn", ANA), ("ssh", BEN)]
    assert [one in inside for one in asked] == [True, False, False]


def fleet(*who: Source, door: str = "ssh", stay: int = HOUR) -> list[Grant]:
    return [Grant(door, one, stay, "ana", 7, "fleet edge-2") for one in who]


def test_very_many_who_were_let_in_elsewhere_are_let_in_at_a_stroke() -> None:
    house = House()
    house.keeper.refuse([ANA, BEN])
    house.keeper.take_in(fleet(ANA, source(1), source(2)) + fleet(ANA, door="vpn", stay=60 * SECOND))
    assert house.guard.inside == {
        ("ssh", ANA): HOUR,
        ("ssh", source(1)): HOUR,
        ("ssh", source(2)): HOUR,
        ("vpn", ANA): 60 * SECOND,
    }
    assert house.guard.told_new == [True] and house.guard.dismissed == {BEN}
    assert house.writes.lines == [
        (
            "all",
            [
                ("ssh", "192.0.2.7", house.unix + 3600),
                ("ssh", "203.0.113.1", house.unix + 3600),
                ("ssh", "203.0.113.2", house.unix + 3600),
                ("vpn", "192.0.2.7", house.unix + 60),
            ],
        )
    ]
    assert house.keeper.admitted == {("ssh", "fleet"): 3, ("vpn", "fleet"): 1}
    assert house.others.lines == []  # whoever let them in has told the others
    assert house.texts("admitted")[0] == "192.0.2.7 admitted to ssh for 1h, keyholder ana, at edge-2"
    one = house.keeper.register.get("vpn", ANA)
    assert one is not None and (one.since, one.last, one.until) == (
        house.now,
        house.now,
        house.now + 60 * SECOND,
    )
    assert (one.keyholder, one.how) == ("ana", "fleet edge-2")
    house.keeper.take_in(fleet(BEN, door="vpn"))
    assert house.keeper.admitted["vpn", "fleet"] == 2


def test_of_very_many_those_who_are_here_already_or_find_no_room_are_seen_to_one_by_one() -> None:
    house = House()  # room for three
    house.admit(ANA, stay=60 * SECOND)
    house.keeper.take_in(fleet(ANA, source(1), source(1), source(2), source(3)))
    assert house.guard.inside == {("ssh", one): HOUR for one in (ANA, source(1), source(2))}
    assert len(house.keeper.register) == 3 and house.keeper.turned_away == {"ssh": 1}
    assert [one.how for one in house.keeper.register.of(source(1))] == ["fleet edge-2"]
    assert house.texts("admitted").count("203.0.113.1 admitted to ssh for 1h, keyholder ana, at edge-2") == 1


def test_where_the_kernel_has_no_room_for_all_as_many_as_can_be_come_in() -> None:
    house = House()
    house.guard.size = 2
    house.keeper.take_in(fleet(ANA, BEN, source(1)))
    assert len(house.guard.inside) == 2 and len(house.keeper.register) == 2
    assert house.keeper.turned_away == {"ssh": 1}
    assert [line[0] for line in house.writes.lines] == ["admitted", "admitted"]


def test_at_a_door_with_few_places_the_newest_have_them_also_of_very_many(cut: Cut) -> None:
    fixed = "fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}"
    house = House(CONFIG.replace(fixed, "places: 1\n    rotating: {pool: 10100-32767}"))
    house.keeper.take_in(fleet(ANA))
    house.passes(1)
    house.keeper.take_in([Grant("ssh", BEN, HOUR, "ana", 9, "fleet edge-2")])
    assert house.guard.inside.keys() == {("ssh", BEN)}


class _Gateways:
    """Stands for gateways that want to hear of it soon: what was written down when they heard."""

    def __init__(self) -> None:
        self.house: House | None = None
        self.found: list[tuple[set[tuple[str, Source]], int]] = []

    def admitted(self, admission: Admission, until: float, step: int | None) -> None:
        assert self.house is not None
        self.found.append(({*self.house.guard.inside}, len(self.house.writes.lines + self.house.told)))

    def ended(self, admission: Admission, how: Ending) -> None: ...


def in_a_fleet(work: Callable[[House, _Gateways], object]) -> None:
    async def run() -> None:
        gateways = _Gateways()
        house = gateways.house = House(others=cast(Others, gateways))
        work(house, gateways)

    asyncio.run(run())


def test_in_a_fleet_the_others_hear_before_anything_is_written_down() -> None:
    def work(house: House, gateways: _Gateways) -> None:
        unix = house.unix
        house.admit(ANA)
        assert gateways.found == [({("ssh", ANA)}, 0)]
        assert not house.writes.lines and not house.told
        assert house.keeper.admitted == {("ssh", "knock"): 1}
        house.passes(0.01)
        house.keeper.after.done()
        assert house.writes.lines == [("admitted", "ssh", "192.0.2.7", unix + 3600, None, None, "knock")]
        assert house.writes.since == unix
        assert house.texts("admitted") == ["192.0.2.7 admitted to ssh for 1h"]

    in_a_fleet(work)


def test_what_waits_is_written_down_by_itself_soon() -> None:
    async def run() -> None:
        gateways = _Gateways()
        house = gateways.house = House(others=cast(Others, gateways))
        house.admit(ANA)
        while not house.told:
            await asyncio.sleep(0.005)
        assert len(house.writes.lines) == 1

    asyncio.run(asyncio.wait_for(run(), 20))


@pytest.mark.parametrize("way", ["dismiss", "dismiss_part", "expire", "find", "write_ended"])
def test_what_ends_or_goes_on_is_written_down_behind_its_beginning(way: str, cut: Cut) -> None:
    def work(house: House, _: _Gateways) -> None:
        house.admit(ANA)
        match way:
            case "dismiss":
                house.keeper.dismiss(ANA, None)
            case "dismiss_part":
                house.keeper.dismiss_part(list(house.keeper.register), Ending.DISMISSED)
            case "expire":
                house.passes(3601)
                house.keeper.expire()
            case "find":
                house.keeper.find([Held("ssh", ANA, 2 * HOUR)])
            case _:
                house.keeper.write_ended(list(house.keeper.register), Ending.DOOR_REMOVED)
        assert [line[0] for line in house.writes.lines] == [
            "admitted",
            "renewed" if way == "find" else "ended",
        ]
        assert [name for name, *_ in house.told][:1] == ["admitted"]

    in_a_fleet(work)


def test_renewals_and_other_keyholders_are_written_down_in_their_order() -> None:
    def work(house: House, _: _Gateways) -> None:
        for keyholder, seconds in (("ana", 0), ("ana", 1), ("ben", 1)):
            house.passes(seconds)
            house.keeper.admit([Grant("ssh", ANA, HOUR, keyholder, 7)])
        house.keeper.after.done()
        assert [line[0] for line in house.writes.lines] == ["admitted", "renewed", "ended", "admitted"]
        assert house.writes.lines[2][3] == Ending.SUPERSEDED
        assert [text.split()[1:3] for text in house.texts("admitted")] == [
            ["admitted", "to"],
            ["admitted", "again"],
            ["admitted", "again"],
        ]

    in_a_fleet(work)


def test_who_is_dismissed_while_the_guard_is_loaded_goes_after_that(monkeypatch: pytest.MonkeyPatch) -> None:
    house = House()
    house.admit(ANA)
    some = list(house.keeper.register)
    seen = beside(
        house.in_force.loading,
        lambda: ending.dismiss(house.keeper, some, Ending.DISMISSED),
        lambda: set(house.guard.inside),
    )
    assert seen == ({("ssh", ANA)}, set())
    monkeypatch.setattr(flows, "cut", lambda _one, _services: 1)
    house = House()
    cut = beside(
        house.in_force.loading, lambda: house.keeper.cut(BEN, None), lambda: BEN in house.guard.dismissed
    )
    assert cut == (False, True)
