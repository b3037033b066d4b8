"""What the guard's reports left out: when its maps and sets are read, and what follows from them."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from types import SimpleNamespace
from typing import Any

import pytest
from attrs import evolve

from hearing import AWAY, HOME, WORK, A, B, C, D, ana, expect
from portress.config.load import parse
from portress.events import DEBUG, Events
from portress.guard.table import GuardError, Held
from portress.knock import SECOND, Expected, Source
from portress.mirror import Mirror
from portress.register import Register
from portress.run.catching_up import MOST, PART, CatchingUp
from portress.run.fellows import Alone
from portress.sequence.trie import Trie
from portress.tracker import Tracker
from portress.verdict import Report, Use
from waiting import beside

SSH = expect("ssh", A, B, C)
VPN = ana(5, C, D)
LEAVES = evolve(ana(5, D, C), claim=b"leaves", leaves=True)
NOBODY = "0.0.0.0"  # the guard's record of uses does not say whose they were
CONFIG = parse(
    "doors: {ssh: {services: [tcp/22], fixed: {knocks: [tcp/4617, udp/2953]}},"
    " vpn: {services: [tcp/23], rotating: {pool: 20000-29999, skew: 1}}}\n",
    "portress.yaml",
)


def whole(packed: bytes) -> Source:
    return Source(packed, len(packed) * 8)


class Ears:
    """A watcher that hears nothing, and may have lost something."""

    def __init__(self) -> None:
        self.lost = self.overruns = self.lag = 0
        self.interval: int | None = None

    def read(self, _most: int) -> Iterator[Any]:
        return iter(())


class Fellow(Alone):
    def __init__(self, happened: list[Any]) -> None:
        self.happened = happened

    async def used(self, opening: Expected, source: Source) -> None:
        self.happened.append(("told", opening.door, str(source)))


class Scene:
    """A listener where the kernel decides; `happened` is what it had done, in order."""

    def __init__(self, *expected: Expected, mirror: bool = True) -> None:
        self.happened: list[Any] = []
        self.now, self.wait = 10 * SECOND, 0
        self.ears, self.noted = Ears(), "new"
        self.refusal = ""  # of the guard
        self.counters: Counter[str] = Counter()
        self.asked: list[str] = []  # counters that were looked at
        self.spent: list[Expected] = []
        self.inside: list[Held] = []
        self.callers: list[tuple[bytes, int, int]] | None = []
        self.listing: Any = SimpleNamespace(maps={"next": 1}, sets={"spent": 1})
        trie = Trie(expected)
        self.tracker: Tracker = Mirror(trie) if mirror else Tracker(trie)
        self.plan = SimpleNamespace(place_of=self._place_of)
        self.in_force: Any = SimpleNamespace(
            loading=asyncio.Lock(),
            tracker=self.tracker,
            config=CONFIG,
            source=whole,
            plan=None,
            sequences=SimpleNamespace(keeps_hours=False),
            changing=False,
        )
        keeper: Any = SimpleNamespace(config=CONFIG, register=Register(), find=self._find)
        self.table: Any = SimpleNamespace(
            listing=lambda: self.listing,
            counted=self._counted,
            found_no_room=lambda: self._counted("no_room"),
            each_admission=lambda: iter(self.inside),
            dismissals=0,
        )
        deciding: Any = SimpleNamespace(
            adopt=lambda trie, now: self.happened.append(("adopted", trie is self.tracker.trie, now)),
            plan_for=self._plan_for,
            spent=self._spent,
            withdraw=self._withdraw,
            maps=SimpleNamespace(part_way=self._part_way),
        )
        ledger_writer: Any = SimpleNamespace(use=self._use)
        self.events: list[tuple[str, str]] = []
        events = Events(lambda name, _k, text, _f: self.events.append((name, text)), lambda: self.now, DEBUG)
        watcher: Any = self.ears
        self.listener = CatchingUp(
            watcher=watcher,
            in_force=self.in_force,
            doorkeeper=keeper,
            table=self.table,
            ledger_writer=ledger_writer,
            events=events,
            clock=lambda: self.now,
            admit=lambda _: None,
            fellows=Fellow(self.happened),
            deciding=deciding,
        )
        leaving: Any = SimpleNamespace(
            untold=[], noted=lambda: [("vpn", whole(HOME), 7)], catch_up=self._catch_up_leaving
        )
        self.listener.leaving = leaving

    def _refuse(self) -> None:
        if self.refusal:
            raise GuardError(self.refusal)

    def _place_of(self, number: int | None) -> tuple[tuple[int, ...], int] | None:
        """Node 1 is after the first knock of SSH, node 2 after the second; others are nothing."""
        first = self.tracker.trie.root.children[A]
        node = {1: first, 2: first.children[B]}.get(number or 0)
        return None if node is None else (node.path, node.floor)

    def _counted(self, name: str) -> int:
        self.asked.append(name)
        self._refuse()
        return self.counters[name]

    def _plan_for(self, sequences: object, trie: Trie, used: object, floor: int) -> object:
        assert (sequences, trie, used) == (self.in_force.sequences, self.tracker.trie, self.tracker.used)
        assert floor == self.tracker.floor
        return self.plan

    def _spent(self, trie: Trie, plan: object) -> list[Expected]:
        self._refuse()
        self.now += self.wait  # so long it takes to read
        assert trie is self.tracker.trie and plan is self.in_force.plan
        return self.spent

    def _withdraw(self, plan: object, claims: Iterable[bytes], used: object, floor: int) -> None:
        self._refuse()
        assert (plan, used, floor) == (self.plan, self.tracker.used, self.tracker.floor)
        if claims := set(claims):
            self.happened.append(("withdrawn", claims))

    def _part_way(self, most: int) -> list[tuple[bytes, int, int]] | None:
        assert most == MOST
        return self.callers

    def _find(self, held: Iterable[Held]) -> None:
        self.happened.append(("found", len(list(held))))

    def _catch_up_leaving(self, noted: object) -> None:
        self.happened.append(("leaving", noted))

    async def _use(self, claim: bytes, door: str, step: int, source: Source) -> str:
        self.happened.append(("use", claim, door, step, str(source)))
        return self.noted

    def tidy(self) -> bool:
        """A second passes: whether the guard was read."""
        self.now += SECOND
        self.happened.clear()
        doing(self.listener.tidy)
        return "leaving" in [one[0] for one in self.happened]

    def where(self) -> dict[Any, tuple[int, int]]:
        """Who is known to be part-way: how far, and the ns left."""
        return {packed: (at.stage, left) for packed, at, left in self.tracker.callers(self.now)}


def doing(*works: Callable[[], None]) -> None:
    """Do each in a loop, and all that follows from it."""

    async def all_of_it() -> None:
        for work in works:
            work()
            while others := asyncio.all_tasks() - {asyncio.current_task()}:
                await asyncio.gather(*others)

    asyncio.run(all_of_it())


# At the start


def test_at_the_start_what_the_guard_knows_is_known() -> None:
    scene = Scene(SSH, VPN)
    scene.spent = [VPN]
    scene.callers = [(HOME, 1, 4000), (WORK, 2, 9000), (AWAY, 99, 9000)]
    scene.listener.leaving.untold.append(LEAVES)  # who left while no daemon ran ended nothing
    doing(scene.listener.begin)
    assert scene.happened == [
        ("adopted", True, scene.now),
        ("use", VPN.claim, "vpn", 5, NOBODY),
        ("told", "vpn", NOBODY),
    ]
    assert scene.tracker.used == {VPN.claim: Use(5, b"", "vpn")}
    assert scene.listener.leaving.untold == [] and scene.in_force.plan is scene.plan
    scene = Scene(SSH, VPN)
    scene.in_force.plan = scene.plan
    scene.callers = [(HOME, 1, 4000), (WORK, 2, 9000), (AWAY, 99, 9000)]
    doing(scene.listener.begin)
    assert scene.where() == {HOME: (1, 4 * SECOND), WORK: (2, 9 * SECOND)}


@pytest.mark.parametrize("there", [None, ({"next": 1}, {}), ({}, {"spent": 1})])
def test_a_guard_that_does_not_decide_has_nothing_to_tell(there: Any) -> None:
    scene = Scene(SSH, VPN)
    scene.spent = [VPN]
    scene.listing = None if there is None else SimpleNamespace(maps=there[0], sets=there[1])
    doing(scene.listener.begin)
    assert scene.happened == [] and scene.tracker.used == {} and scene.in_force.plan is scene.plan


def test_where_the_daemon_decides_nothing_of_it_is_done() -> None:
    scene = Scene(SSH, VPN, mirror=False)
    scene.table.keep_callers = lambda kept: scene.happened.append(("kept", list(kept)))
    scene.spent, scene.in_force.plan = [VPN], scene.plan
    doing(scene.listener.begin, lambda: scene.listener.withdraw([VPN.claim]))
    assert scene.happened == []
    scene.ears.lost = 3
    assert not scene.tidy() and [name for name, _ in scene.events] == ["lost"]
    doing(scene.listener.look_for_room)
    assert scene.events[1:] == []
    scene.now += SECOND
    scene.counters["no_room"] = 70_000  # a flood: the callers that came with it go

    def look() -> None:
        scene.listener.look_for_room()
        assert scene.listener._again is not None
        scene.listener._again.cancel()

    doing(look)
    assert [name for name, _ in scene.events] == ["lost", "full"] and scene.happened == [("kept", [])]
    assert scene.asked.count("no_room") == 2


# Uses that nobody told of


def test_a_use_that_nobody_told_of_is_noted_and_told_and_older_steps_are_withdrawn() -> None:
    scene = Scene(SSH, VPN, LEAVES)
    scene.in_force.plan, scene.spent = scene.plan, [VPN, LEAVES]
    scene.tracker.used[LEAVES.claim] = Use(4, HOME, "vpn")
    scene.ears.lost = 1
    assert scene.tidy()
    assert scene.happened[0] == ("withdrawn", {VPN.claim, LEAVES.claim})
    assert scene.tracker.used == {one.claim: Use(5, b"", "vpn") for one in (VPN, LEAVES)}
    # Who left has left the door yet: the guard's note says who it was.
    assert scene.listener.leaving.untold == [LEAVES]
    assert [one for one in scene.happened if one[0] in ("use", "told")] == [
        ("use", VPN.claim, "vpn", 5, NOBODY),
        ("told", "vpn", NOBODY),
        ("use", LEAVES.claim, "vpn", 5, NOBODY),
        ("told", "vpn", NOBODY),
    ]
    scene.ears.lost = 2
    assert scene.tidy()
    assert not [one for one in scene.happened if one[0] in ("use", "told", "withdrawn")]


def test_nothing_is_withdrawn_while_the_guard_is_given_another_plan() -> None:
    """It would wait for the kernel; the change of the step withdraws it (test_time_steps)."""
    scene = Scene(SSH, VPN)
    scene.in_force.plan, scene.in_force.changing = scene.plan, True
    scene.listener.withdraw([VPN.claim])
    assert scene.happened == []
    scene.in_force.changing = False
    scene.listener.withdraw([VPN.claim])
    assert scene.happened == [("withdrawn", {VPN.claim})]


def test_what_cannot_be_withdrawn_is_told() -> None:
    scene = Scene(SSH, VPN)
    scene.listener.withdraw([VPN.claim])  # nothing is decided yet
    scene.refusal, scene.in_force.plan = "there is no guard", scene.plan
    assert scene.events == []
    scene.listener.withdraw([VPN.claim])
    text = "used sequences were not withdrawn from the guard: there is no guard"
    assert scene.events == [("warning", text)]


@pytest.mark.parametrize(("one", "done"), [(VPN, "is in at"), (LEAVES, "left")])
def test_a_use_that_cannot_be_recorded_is_told_with_whose_it_was(one: Expected, done: str) -> None:
    scene = Scene(VPN)
    port = Source(HOME, 32, 40123)
    doing(lambda: scene.listener._spawn(scene.listener._note_use(one, port, False)))
    assert scene.happened == [("use", one.claim, "vpn", 5, "198.51.100.7")] and scene.events == []
    scene.noted = "nowhere"
    doing(lambda: scene.listener._spawn(scene.listener._note_use(one, whole(HOME))))
    text = f"198.51.100.7 {done} vpn, but its use cannot be recorded anywhere"
    assert scene.events == [("warning", text)] and scene.happened[-1][0] == "told"


# When the guard is read


def test_the_guard_is_read_where_something_was_not_reported() -> None:
    scene = Scene(SSH)
    assert not scene.tidy()  # what was counted under another daemon is none of this one's
    assert not scene.tidy()
    for name, read in (("untold", True), ("untold_openings", True), ("untold_noise", False)):
        scene.counters[name] += 1
        assert scene.tidy() is read
        assert not scene.tidy()
    scene.ears.lost += 1
    assert scene.tidy()
    scene.ears.overruns += 1
    assert scene.tidy() and not scene.tidy()
    assert isinstance(scene.tracker, Mirror)
    scene.tracker.astray = True
    assert scene.tidy() and not scene.tracker.astray and not scene.tidy()


@pytest.mark.parametrize("what", ["lost", "overruns"])
def test_it_is_read_as_well_where_the_loss_is_only_seen_in_the_same_round(what: str) -> None:
    scene = Scene(SSH)
    scene.tidy()
    reading = iter([lambda: setattr(scene.ears, what, 1)])

    def read(_most: int) -> Iterator[Any]:
        next(reading, lambda: None)()
        return iter(())

    scene.ears.read = read  # type: ignore[method-assign]
    assert scene.tidy() and not scene.tidy()


def test_in_a_flood_of_first_knocks_it_is_read_when_that_is_over() -> None:
    scene = Scene(SSH)
    scene.tidy()
    for _ in range(3):
        scene.counters["untold_first"] += 100
        assert not scene.tidy()
    assert scene.tidy() and not scene.tidy()
    # Where something else is missing, too, all but the callers is read.
    scene.in_force.plan, scene.callers = scene.plan, [(HOME, 1, 9000)]
    scene.counters.update(untold_first=1, untold=1)
    assert scene.tidy() and scene.where() == {}
    assert scene.tidy() and scene.where() == {HOME: (1, 9 * SECOND)}


def test_where_nothing_is_planned_yet_nobody_is_anywhere() -> None:
    scene = Scene(SSH)
    scene.callers = [(HOME, 1, 9000)]
    scene.ears.lost = 1
    assert scene.tidy() and scene.where() == {}


def test_counters_that_begin_again_with_a_new_guard_tell_of_nothing() -> None:
    scene = Scene(SSH)
    scene.counters["untold"] = 5
    scene.tidy()
    scene.counters["untold"] = 0
    assert not scene.tidy()
    scene.refusal = "there is no guard"
    scene.ears.lost = 1
    assert not scene.tidy()


def test_what_is_inside_is_found_a_part_at_a_time_and_who_left_after_that() -> None:
    scene = Scene(SSH)
    scene.in_force.plan = scene.plan
    scene.inside = [Held("ssh", whole(HOME), SECOND)] * (2 * PART + 1)
    scene.callers = [(HOME, 2, 9000)]
    scene.ears.lost = 1
    assert scene.tidy()
    assert scene.happened == [
        ("found", PART),
        ("found", PART),
        ("found", 1),
        ("leaving", [("vpn", whole(HOME), 7)]),
    ]
    assert scene.where() == {HOME: (2, 9 * SECOND)}


def test_what_was_read_before_a_dismissal_is_not_believed() -> None:
    scene = Scene(SSH)
    assert isinstance(scene.tracker, Mirror)

    def inside() -> Iterator[Held]:
        yield Held("ssh", whole(HOME), SECOND)
        scene.table.dismissals += 1

    scene.table.each_admission = inside
    scene.ears.lost = 1
    assert not scene.tidy() and scene.happened == [] and scene.tracker.astray
    scene.table.each_admission = lambda: iter([Held("ssh", whole(WORK), SECOND)])
    assert scene.tidy() and scene.happened[0] == ("found", 1)  # the next time it is


def test_who_knocks_while_the_callers_are_read_is_where_the_reports_say() -> None:
    scene = Scene(SSH)
    mirror = scene.tracker
    assert isinstance(mirror, Mirror)
    scene.in_force.plan = scene.plan
    scene.callers = [(HOME, 1, 9000), (WORK, 1, 9000)]

    def read(_most: int) -> Iterator[Any]:
        heard = scene.listener._heard
        if heard is not None:  # he is further by now
            mirror.follow(HOME, A, scene.now, Report.BEGUN)
            heard.add(HOME)
        return iter(())

    scene.ears.read = read  # type: ignore[method-assign]
    scene.ears.lost = 1
    scene.tidy()
    assert scene.listener._heard is None
    assert scene.where()[WORK] == (1, 9 * SECOND)
    assert scene.where()[HOME] == (1, 60 * SECOND)


def test_too_many_callers_are_read_when_they_are_fewer() -> None:
    scene = Scene(SSH)
    scene.in_force.plan, scene.callers = scene.plan, None
    scene.ears.lost = 1
    assert scene.tidy() and scene.where() == {}
    scene.callers = [(HOME, 1, 9000)]
    assert scene.tidy() and scene.where() == {HOME: (1, 9 * SECOND)} and not scene.tidy()


def test_first_knocks_that_were_not_reported_meanwhile_put_the_callers_off() -> None:
    scene = Scene(SSH)
    scene.tidy()
    scene.in_force.plan, scene.callers = scene.plan, [(HOME, 1, 9000)]
    scene.table.each_admission = lambda: iter([scene.counters.update(untold_first=1)][:0])
    scene.ears.lost = 1
    assert scene.tidy() and scene.where() == {}
    scene.table.each_admission = lambda: iter(())
    scene.tidy()  # they are counted in this round
    assert scene.tidy() and scene.where() == {HOME: (1, 9 * SECOND)}


def test_a_guard_that_cannot_be_read_is_told_and_read_again() -> None:
    scene = Scene(SSH)
    mirror = scene.tracker
    assert isinstance(mirror, Mirror)
    scene.tidy()

    def gone() -> Iterator[Held]:
        raise GuardError("there is no guard")

    scene.table.each_admission, there = gone, scene.table.each_admission
    scene.ears.lost = 1
    assert not scene.tidy() and mirror.astray
    assert scene.events[-1] == ("warning", "the guard cannot be read: there is no guard")
    scene.table.each_admission = there
    assert scene.tidy() and not mirror.astray


def test_reading_takes_a_tenth_of_the_time_at_the_most() -> None:
    scene = Scene(SSH)
    scene.tidy()
    scene.wait = SECOND
    scene.ears.lost = 1
    assert scene.tidy()
    scene.wait = 0
    scene.ears.lost = 2
    read = [scene.tidy() for _ in range(10)]
    assert read == [False] * 8 + [True, False]  # 9 s after its end


def test_it_is_read_once_at_a_time() -> None:
    scene = Scene(SSH)
    scene.tidy()
    scene.happened.clear()

    def twice() -> None:
        for scene.ears.lost in (1, 2):
            scene.listener.tidy()

    doing(twice)
    assert [one[0] for one in scene.happened] == ["leaving"]


# What was full


def test_what_was_full_in_the_guard_is_told_once_a_minute_with_a_count() -> None:
    scene = Scene(SSH)
    scene.tidy()
    priorities = "packets not judged: no room to keep the priority that the host gave them"
    for _ in range(3):
        scene.counters["priorities_full"] += 2
        scene.tidy()
    scene.listener._no_claims.add(1)
    scene.listener._no_claims.add(2)
    claims = "refused: the guard's record of uses is full"
    first = [("full", f"2 {priorities}"), ("full", f"1 rotating sequence {claims}")]
    assert scene.events == first
    scene.now += 60 * SECOND
    scene.tidy()
    rest = [("full", f"2 rotating sequences {claims}"), ("full", f"4 {priorities}")]
    assert scene.events[2:] == rest


def test_first_knocks_that_found_no_room_in_the_guard_are_told() -> None:
    scene = Scene(SSH)
    scene.counters["no_room"] = 50  # under another daemon
    scene.listener.look_for_room()
    assert scene.events == []
    scene.counters["no_room"] = 53
    scene.listener.look_for_room()
    text = "3 first knocks dropped: caller table full (raise `callers`)"
    assert scene.events == [("full", text)] and scene.listener.no_room == 53
    scene.counters["no_room"] = 1  # another guard
    scene.now += 61 * SECOND
    scene.listener.look_for_room()
    scene.refusal, scene.counters["no_room"] = "there is no guard", 99
    scene.listener.look_for_room()
    assert len(scene.events) == 1 and scene.listener.no_room == 1


def test_what_is_used_while_the_guard_is_loaded_is_withdrawn_after_that() -> None:
    scene = Scene(VPN)
    scene.in_force.plan = scene.plan

    def use() -> None:
        scene.listener.withdraw([VPN.claim])

    seen = beside(scene.in_force.loading, use, lambda: list(scene.happened))
    assert seen == ([], [("withdrawn", {VPN.claim})])
