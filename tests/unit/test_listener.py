"""What the daemon does with what it hears: verdicts in, admissions asked for, uses noted, events told."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

import pytest
from attrs import evolve

from hearing import AWAY, HOME, WORK, A, B, C, D, E, ana, code, expect
from portress.admissions import Admission, Ending, Grant
from portress.config.load import parse
from portress.config.model import Misses
from portress.events import DEBUG, Events, Fields, Kind
from portress.guard.table import GuardError
from portress.knock import SECOND, TIMELESS, Expected, Source
from portress.register import Register
from portress.run.fellows import Alone
from portress.run.listener import BUDGET, Listener
from portress.sequence.in_force import SequencesInForce
from portress.sequence.trie import Trie
from portress.tracker import Tracker
from portress.verdict import Closed, Completed, Expired, Missed, Use
from waiting import beside

SIX = bytes(15) + b"\x07"
SSH = expect("ssh", A, B)
LEAVE = evolve(expect("ssh", B, C), leaves=True)
VPN = ana(5, C, D)
WORDS = "its use cannot be recorded anywhere, so it could be repeated"
CONFIG = parse(
    "decide: daemon\ndoors: {ssh: {services: [tcp/22], fixed: {knocks: [tcp/4617, udp/2953]}},"
    " vpn: {services: [tcp/23], rotating: {pool: 20000-29999, skew: 1}}}\n",
    "portress.yaml",
)


class Ears:
    """A watcher that was told what to hear."""

    def __init__(self) -> None:
        self.told: list[tuple[bytes, int, int, int]] = []
        self.lost = self.overruns = self.lag = 0
        self.interval: int | None = None
        self.port: int | None = 40123

    def read(self, most: int) -> Iterator[tuple[bytes, int, int, int]]:
        some, self.told = self.told[:most], self.told[most:]
        self.lag = SECOND if self.told else 0
        return iter(some)

    def came_from(self, packed: bytes, knock: int, when: int) -> tuple[bytes, int] | None:
        return None if self.port is None else (packed, self.port)


class Fellow(Alone):
    """The other gateways, that say what they are asked."""

    def __init__(self, happened: list[Any]) -> None:
        self.happened = happened
        self.is_first, self.paper = True, "new"

    async def first(self, opening: Expected, source: Source) -> bool:
        self.happened.append(("asked", opening.door))
        return self.is_first

    async def on_paper(self, opening: Expected, source: Source) -> Any:
        return self.paper

    async def used(self, opening: Expected, source: Source) -> None:
        self.happened.append(("told", opening.door, str(source)))


def whole(packed: bytes) -> Source:
    return Source(packed, len(packed) * 8)


class Scene:
    """A listener with everything that it works with; `happened` is what it had done, in order."""

    def __init__(self, *expected: Expected, misses: Misses | None = None) -> None:
        self.happened: list[Any] = []
        self.admitted: list[Grant] = []
        self.now = 10 * SECOND
        self.ears, self.noted, self.refusal = Ears(), "new", ""
        self.sequences: Any = SimpleNamespace(keeps_hours=False, paper_left=lambda _used: {})
        self.tracker = Tracker(Trie(expected), misses=misses)
        self.in_force: Any = SimpleNamespace(
            tracker=self.tracker,
            config=CONFIG,
            sequences=self.sequences,
            source=whole,
            loading=asyncio.Lock(),
        )
        self.register = Register()
        keeper: Any = SimpleNamespace(
            config=CONFIG, register=self.register, unix_at=lambda ns: ns / SECOND, dismiss=self._dismiss
        )
        table: Any = SimpleNamespace(shun=self._shun, tried=self._tried)
        ledger_writer: Any = SimpleNamespace(use=self._use, use_paper=self._use_paper)
        self.events: list[tuple[str, str]] = []
        self.fields: dict[str, str] = {}  # of the last event
        events = Events(self._tell, lambda: self.now, DEBUG)
        self.fellow = Fellow(self.happened)
        watcher: Any = self.ears
        self.listener = Listener(
            watcher=watcher,
            in_force=self.in_force,
            doorkeeper=keeper,
            table=table,
            ledger_writer=ledger_writer,
            events=events,
            clock=lambda: self.now,
            admit=self._admit,
            fellows=self.fellow,
        )

    def _tell(self, name: str, _kind: Kind, text: str, fields: Fields) -> None:
        self.events.append((name, text))
        self.fields = {key: str(value) for key, value in fields.items()}

    def _dismiss(self, source: Source, door: str, how: Ending) -> None:
        self.happened.append(("dismissed", str(source), door, str(how)))

    def _refuse(self) -> None:
        if self.refusal:
            raise GuardError(self.refusal)

    def _shun(self, source: Source, ns: int) -> None:
        self._refuse()
        self.happened.append(("shunned", str(source), ns))

    def _tried(self, door: str) -> list[Source]:
        self._refuse()
        return [Source(HOME, 32)]

    async def _use(self, claim: bytes, door: str, step: int, source: Source) -> str:
        self.happened.append(("use", claim, door, step, str(source)))
        return self.noted

    async def _use_paper(self, claim: bytes, door: str, source: Source) -> str:
        self.happened.append(("paper", claim, door, str(source)))
        return self.noted

    def _admit(self, grants: list[Grant]) -> None:
        self._refuse()
        self.admitted += grants
        self.happened.append(("admitted", [(one.door, str(one.source)) for one in grants]))

    def knock(self, source: bytes, *knocks: int) -> None:
        """These knocks come, a millisecond from one to the next, and wait to be heard."""
        for knock in knocks:
            self.now += SECOND // 1000
            self.ears.told.append((source, knock, self.now, 0))

    def hear(self, source: bytes, *knocks: int) -> None:
        self.knock(source, *knocks)
        self.listener.listen()

    def admit(self, door: str, source: bytes, keyholder: str | None = None) -> None:
        self.register.put(Admission(door, whole(source), 0, 1 << 62, keyholder))


def doing(*works: Callable[[], None]) -> None:
    """Do each in a loop, and all that follows from it."""

    async def all_of_it() -> None:
        for work in works:
            work()
            for _ in range(10):
                await asyncio.sleep(0)
            assert len(asyncio.all_tasks()) == 1

    asyncio.run(all_of_it())


def names(scene: Scene) -> list[str]:
    return [name for name, _ in scene.events]


# What is heard


def test_all_that_is_heard_in_one_read_is_admitted_together() -> None:
    scene = Scene(SSH)
    scene.knock(HOME, A, B)
    scene.knock(WORK, A)
    scene.knock(SIX, A, B)
    scene.listener.listen()
    assert scene.happened == [("admitted", [("ssh", "198.51.100.7"), ("ssh", "::7")])]
    assert scene.listener.counts[Completed] == 2
    assert [type(one) for _, _, one in scene.listener.recent.of(HOME)][-1] is Completed
    assert scene.listener.opening.count == 2
    assert scene.listener.opening.total == pytest.approx(0.003)  # three knocks came before it was read
    bounds = [float(bound) for bound, _ in scene.listener.opening.buckets()]
    assert bounds == sorted(set(bounds)) and 0 < bounds[0] < 0.001 and bounds[-2] > 1
    scene.hear(AWAY, D)
    assert len(scene.happened) == 1 and scene.listener.recent.of(AWAY) == []


def test_no_more_is_read_at_once_than_the_loop_can_spare() -> None:
    scene = Scene(SSH)
    scene.knock(HOME, *[C] * (BUDGET + 1))
    scene.listener.listen()
    assert len(scene.ears.told) == 1


def test_only_the_connection_is_admitted_that_follows_from_the_last_knocks_port() -> None:
    scene = Scene(evolve(SSH, one_connection=True))
    scene.hear(HOME, A, B)
    assert scene.happened == [("admitted", [("ssh", "198.51.100.7 port 40123")])]
    assert scene.admitted[0].source == Source(HOME, 32, 40123)
    scene.ears.port = None
    scene.hear(WORK, A, B)
    text = "203.0.113.9 not admitted to ssh: the port it knocked from is unknown"
    assert len(scene.happened) == 1 and scene.events[-1] == ("warning", text)


def test_misses_are_told_and_one_too_many_shuns() -> None:
    limits = Misses(limit=2, within=100 * SECOND, shun=600 * SECOND)
    scene = Scene(expect("ssh", A, B, C), misses=limits)
    scene.hear(HOME, A, C)
    assert names(scene) == ["advanced", "missed"] and scene.happened == []
    scene.hear(HOME, A, C)
    assert names(scene)[2:] == ["advanced", "missed", "shunned"]
    assert scene.happened == [("shunned", "198.51.100.7", 600 * SECOND)]
    assert scene.listener.shuns == 1
    assert scene.events[-1][1] == "198.51.100.7 shunned for 10m after 2 misses within 1m 40s (ssh)"


def test_who_is_shunned_without_the_guard_is_told_of_once_a_minute_with_a_count() -> None:
    scene = Scene(expect("ssh", A, B, C), misses=Misses(1, 100 * SECOND, 600 * SECOND))
    scene.refusal = "the set is full"
    for source in (HOME, WORK, AWAY):
        scene.hear(source, A, C)
    what = (
        "shunned by the daemon only, which sees more packets than necessary: the set is full (see `callers`)"
    )
    assert [line for name, line in scene.events if name == "full"] == [f"1 source {what}"]
    assert names(scene).count("shunned") == 3
    scene.now += 61 * SECOND
    scene.listener.tidy()
    assert [line for name, line in scene.events if name == "full"][1:] == [f"2 sources {what}"]


# Sequences that work once


def test_a_use_is_on_the_disk_before_anybody_is_in_and_told_elsewhere_after_that() -> None:
    scene, held = Scene(VPN), []
    doing(lambda: scene.hear(HOME, C, D), lambda: held.append(len(scene.listener._tasks)))
    assert held == [0]  # what is done is not kept
    assert scene.happened == [
        ("use", VPN.claim, "vpn", 5, "198.51.100.7"),
        ("asked", "vpn"),
        ("admitted", [("vpn", "198.51.100.7")]),
        ("told", "vpn", "198.51.100.7"),
    ]


@pytest.mark.parametrize(
    ("noted", "event", "words"),
    [("used", "replayed", "replay of keyholder ana"), ("nowhere", "warning", f"refused at vpn: {WORDS}")],
)
def test_a_use_that_is_not_noted_as_new_admits_nobody(noted: str, event: str, words: str) -> None:
    scene = Scene(VPN)
    scene.noted = noted
    doing(lambda: scene.hear(HOME, C, D))
    assert [one[0] for one in scene.happened] == ["use"]
    name, line = scene.events[-1]
    assert name == event and words in line
    assert scene.listener.replays["vpn"] == (noted == "used")


def test_who_is_second_among_gateways_or_unenrolled_meanwhile_is_not_in() -> None:
    scene = Scene(VPN)
    scene.fellow.is_first = False
    doing(lambda: scene.hear(HOME, C, D))
    assert [one[0] for one in scene.happened] == ["use", "asked"]
    gone = Scene(VPN)

    def unenrolled() -> None:
        gone.hear(HOME, C, D)
        gone.tracker.replace(Trie([SSH]))

    doing(unenrolled)
    assert [one[0] for one in gone.happened] == ["use"]


PAPER = evolve(VPN, step=TIMELESS, paper=(3, 10))


@pytest.mark.parametrize(
    ("elsewhere", "noted", "wanted"),
    [
        ("new", "new", ["paper", "admitted", "told"]),
        ("new", "used", ["paper"]),
        ("used", "new", []),
        ("away", "new", []),
    ],
)
def test_a_line_of_paper_is_claimed_with_the_others_first(
    elsewhere: str, noted: str, wanted: list[str]
) -> None:
    scene = Scene(PAPER)
    scene.fellow.paper, scene.noted = elsewhere, noted
    doing(lambda: scene.hear(HOME, C, D))
    assert [one[0] for one in scene.happened] == wanted
    if elsewhere == "away":
        text = "sequences on paper are refused while the fleet's store cannot be asked"
        assert scene.events[-1] == ("warning", f"198.51.100.7 refused at vpn: {text}")


def test_few_lines_that_are_left_are_told() -> None:
    scene = Scene(PAPER)
    scene.sequences.paper_left = lambda _used: {("ana", "vpn"): (2, 10)}
    doing(lambda: scene.hear(HOME, C, D))
    text = "ana has 2 of 10 sequences on paper left for vpn"
    assert any(name == "paper" and line.startswith(text) for name, line in scene.events)


# Replays


def used(scene: Scene, source: bytes, step: int = 5) -> None:
    scene.tracker.used[VPN.claim] = Use(step, source, "vpn")


def test_a_replay_is_counted_and_told() -> None:
    scene = Scene(VPN)
    used(scene, WORK)
    scene.hear(HOME, C, D)
    assert names(scene)[-1] == "replayed" and scene.listener.replays == {"vpn": 1}
    assert scene.happened == []


def test_a_step_out_of_order_by_the_keyholder_who_is_inside_is_no_alarm() -> None:
    scene = Scene(VPN)
    used(scene, WORK, step=6)
    scene.admit("vpn", HOME, "ana")
    scene.hear(HOME, C, D)
    assert "replayed" not in names(scene) and not scene.listener.replays
    for door, keyholder in (("ssh", "ana"), ("vpn", "ben")):  # inside elsewhere, or as somebody else
        other = Scene(VPN)
        used(other, WORK, step=6)
        other.admit(door, HOME, keyholder)
        other.hear(HOME, C, D)
        assert "replayed" in names(other)


def test_the_same_step_over_the_other_family_is_no_alarm_and_an_older_one_is() -> None:
    """Browsers send a sequence over both."""
    for source, last, step, alarm in (
        (HOME, SIX, 5, False),
        (SIX, HOME, 5, False),
        (HOME, WORK, 5, True),
        (HOME, SIX, 6, True),
    ):
        scene = Scene(VPN)
        used(scene, last, step)
        scene.hear(source, C, D)
        assert ("replayed" in names(scene)) is alarm


def test_a_code_that_its_own_holder_used_at_another_door_is_no_theft() -> None:
    for source, name, replays in ((HOME, "spent", {}), (WORK, "replayed", {"vpn": 1})):
        scene = Scene(code(5, C, D))
        scene.tracker.used[code(5, C, D).claim] = Use(5, HOME, "ssh")
        scene.hear(source, C, D)
        assert names(scene)[-1] == name and scene.listener.replays == replays


def test_a_step_that_comes_long_after_is_told_of_a_clock_that_was_ahead() -> None:
    """With a skew of 1, steps 5 and 7 can be in force together, and 5 and 8 cannot."""
    for step, ahead in ((7, False), (8, True)):
        scene = Scene(VPN)
        used(scene, HOME, step)
        scene.hear(HOME, C, D)
        assert ("at a clock that was ahead" in scene.events[-1][1]) is ahead


# Leaving


def test_who_came_in_before_can_leave_in_the_same_read() -> None:
    scene = Scene(SSH, LEAVE)
    scene.admit("ssh", HOME)
    scene.knock(WORK, A, B)
    scene.knock(HOME, B, C)
    scene.listener.listen()
    assert scene.happened == [
        ("admitted", [("ssh", "203.0.113.9")]),
        ("dismissed", "198.51.100.7", "ssh", Ending.LEFT.value),
    ]
    assert scene.listener.leaving.left == {"ssh": 1}


@pytest.mark.parametrize(
    ("noted", "first", "wanted"),
    [
        ("new", True, ["use", "asked", "dismissed", "told"]),
        ("new", False, ["use", "asked"]),
        ("used", True, ["use"]),
        ("nowhere", True, ["use"]),
    ],
)
def test_a_leaving_sequence_works_once_too(noted: str, first: bool, wanted: list[str]) -> None:
    leave = evolve(VPN, leaves=True)
    scene = Scene(leave)
    scene.noted, scene.fellow.is_first = noted, first
    scene.admit("vpn", HOME, "ana")
    doing(lambda: scene.hear(HOME, C, D))
    assert [one[0] for one in scene.happened] == wanted
    if noted == "used":
        assert names(scene)[-1] == "replayed"
    if noted == "nowhere":
        assert scene.events[-1] == ("warning", f"198.51.100.7 cannot leave vpn: {WORDS}")


def test_who_was_unenrolled_while_it_was_noted_leaves_nothing() -> None:
    scene = Scene(evolve(VPN, leaves=True))
    scene.admit("vpn", HOME, "ana")

    def unenrolled() -> None:
        scene.hear(HOME, C, D)
        scene.tracker.replace(Trie([SSH]))

    doing(unenrolled)
    assert [one[0] for one in scene.happened] == ["use"]


# Hours


class Shut(SequencesInForce):
    """Nothing opens at this hour."""

    keeps_hours = True  # type: ignore[assignment]

    def in_hours(self, one: Expected, unix: float) -> bool:
        return one.door == "ssh"


def test_what_is_completed_while_the_door_is_closed_is_used_up() -> None:
    scene = Scene(evolve(SSH, door="wiki"), VPN, expect("ssh", A, E))
    scene.in_force.sequences = Shut(CONFIG)
    doing(lambda: scene.hear(HOME, A, B), lambda: scene.hear(HOME, C, D))
    assert scene.happened == [
        ("use", VPN.claim, "vpn", 5, "198.51.100.7"),
        ("told", "vpn", "198.51.100.7"),
    ]
    assert scene.listener.counts[Closed] == 2 and scene.listener.counts[Completed] == 0
    assert [line for name, line in scene.events if name == "closed"] == [
        "198.51.100.7 knocked right, but wiki is closed",
        "198.51.100.7 knocked right (keyholder ana), but vpn is closed",
    ]
    doing(lambda: scene.hear(WORK, A, E))
    assert scene.happened[-1] == ("admitted", [("ssh", "203.0.113.9")])


def test_a_line_of_paper_is_used_up_by_it_as_well() -> None:
    scene = Scene(PAPER)
    scene.in_force.sequences = Shut(CONFIG)
    scene.in_force.sequences.paper_left = lambda _used: {("ana", "vpn"): (2, 10)}
    doing(lambda: scene.hear(HOME, C, D))
    assert [one[0] for one in scene.happened] == ["paper"]
    assert names(scene).count("paper") == 1  # few are left
    scene.noted = "used"
    scene.tracker.used.clear()
    doing(lambda: scene.hear(HOME, C, D))
    assert names(scene).count("closed") == 2 and names(scene).count("paper") == 1


def test_when_a_closed_door_opens_is_told_with_the_day_unless_it_is_today() -> None:
    scene = Scene(SSH)
    opens = 13 * 3600.0

    class Later(Shut):
        def judged(self, one: Completed, _shut: Any, _unix: float) -> Closed:
            return Closed(one.openings, opens, "UTC")

        def shut(self, one: Completed, _unix: float) -> list[Expected]:
            return []

    scene.in_force.sequences = Later(CONFIG)
    for scene.now, when in (
        (12 * 3600 * SECOND, "at 13:00"),
        (36 * 3600 * SECOND, "at Thu 1970-01-01 13:00"),
    ):
        scene.hear(HOME, A, B)
        assert scene.events[-1][1].endswith(f"knocked right, but ssh is closed; opens {when} (UTC)")


# Once a second


def test_callers_whose_gap_is_over_are_told_and_noted() -> None:
    scene = Scene(expect("ssh", A, B, gap=2))
    scene.hear(HOME, A)
    scene.now += 2 * SECOND
    scene.listener.tidy()
    assert "expired" not in names(scene)  # exactly at the gap is in time
    scene.now += 1
    scene.listener.tidy()
    assert scene.events[-1] == ("expired", "198.51.100.7 expired after 1 of 2 knocks right (ssh)")
    assert scene.listener.recent.of(HOME)[-1] == (scene.now, 0, Expired(1, 2, ("ssh",)))


def test_what_came_in_time_and_waits_to_be_read_is_not_over() -> None:
    scene = Scene(expect("ssh", A, B, gap=2))
    scene.hear(HOME, A)
    scene.ears.told.append((HOME, B, scene.now + SECOND, 0))
    scene.now += 10 * SECOND
    scene.listener.tidy()
    assert [one[0] for one in scene.happened] == ["admitted"] and "expired" not in names(scene)


def test_what_waits_does_not_keep_the_loop_and_who_is_late_only_by_that_is_not_over() -> None:
    """Once a second as much is read as at other times; more only where room is to be made."""
    scene = Scene(expect("ssh", A, B, gap=2))
    scene.hear(HOME, A)
    scene.knock(WORK, *[C] * (5 * BUDGET))
    scene.now += SECOND + SECOND // 5
    scene.listener.tidy()
    assert len(scene.ears.told) == 4 * BUDGET
    assert "expired" not in names(scene)  # his next knock may wait among the others: they are a second old
    scene.listener._catch_up(3)
    assert len(scene.ears.told) == BUDGET
    scene.listener._catch_up(3)
    assert scene.ears.told == []
    scene.listener.tidy()
    assert names(scene)[-1] == "expired"


def test_a_watcher_with_an_interval_of_its_own_is_not_read_in_between() -> None:
    scene = Scene(SSH)
    scene.ears.interval = 100
    scene.knock(HOME, A, B)
    scene.listener.tidy()
    assert scene.happened == [] and len(scene.ears.told) == 2


def test_reports_that_were_lost_are_told_once() -> None:
    scene = Scene(SSH)
    scene.ears.lost, scene.ears.overruns = 3, 1
    for _ in range(2):
        scene.listener.tidy()
    assert scene.events == [("lost", "3 reported packets lost, the buffer was full 1 time")]
    assert scene.fields["PORTRESS_COUNT"] == "3"
    scene.ears.overruns = 3
    scene.listener.tidy()
    assert scene.events[1:] == [("lost", "0 reported packets lost, the buffer was full 2 times")]
    other: Any = Ears()
    other.lost, other.overruns = 7, 7  # before it was turned to
    scene.listener.turn_to(other)
    scene.listener.tidy()
    assert len(scene.events) == 2


def test_who_dialled_in_vain_is_nobody_where_the_guard_cannot_say() -> None:
    scene = Scene(SSH)
    assert scene.listener.tried("ssh") == [Source(HOME, 32)]
    scene.refusal = "there is no guard"
    assert scene.listener.tried("ssh") == []


def test_followers_who_want_every_knock_get_all_but_noise() -> None:
    scene = Scene(SSH)
    told: list[tuple[str, int, str]] = []
    followers: Any = SimpleNamespace(
        closely=True,
        want=lambda _name: False,
        knock=lambda source, knock, verdict: told.append((str(source), knock, type(verdict).__name__)),
        tell=lambda *_: None,
    )
    scene.listener._events.followers = followers
    scene.hear(HOME, D, A, A, C)
    assert told == [
        ("198.51.100.7", A, "Advanced"),
        ("198.51.100.7", A, "Repeated"),
        ("198.51.100.7", C, "Missed"),
    ]
    followers.closely = False
    scene.hear(HOME, A)
    assert len(told) == 3 and scene.listener.counts[Missed] == 1


def test_who_completes_a_sequence_while_the_guard_is_loaded_is_in_after_that() -> None:
    scene = Scene(VPN)
    seen = beside(
        scene.in_force.loading, lambda: scene.hear(HOME, C, D), lambda: [one[0] for one in scene.happened]
    )
    assert seen == (["use", "asked"], ["use", "asked", "admitted", "told"])
