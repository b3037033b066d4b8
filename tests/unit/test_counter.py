"""The counter watcher over a kernel that is simulated, clock ticks and all: it never tells a wrong order.

The judge is the tracker itself, fed with the packets as they were sent.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator, Sequence
from itertools import pairwise
from types import TracebackType
from typing import Self

import pytest

from portress.knock import SECOND, UNSURE, Expected, Knock
from portress.knock import Sequence as Knocks
from portress.sequence.trie import Trie
from portress.tracker import Tracker
from portress.verdict import Completed
from portress.watch import Heard
from portress.watch.counter import CounterWatcher
from portress.watch.counts import Count, KnockCounts
from portress.watch.order import Hit, in_order

MS = SECOND // 1000
X, Y, Z, V, W = (Knock.parse(text) for text in ("tcp/4617", "udp/2953", "tcp/6381", "tcp/4618", "udp/4617"))
RIGHT = (X, Y, Z)
TRIE = Trie([Expected(Knocks(RIGHT, 5 * SECOND), "ssh")])


def source(number: int) -> bytes:
    return bytes((192, 0, 2, number))


class Kernel(KnockCounts):
    """The guard's sets, driven by a script of packets (ms, source, knock); `tick` ms are a tick of its clock.

    Time goes on while it is asked, too, half a ms for one element of six if it is `slow`; a dump forgets each
    element with probability `lossy`.
    """

    def __init__(
        self,
        script: Sequence[tuple[float, bytes, int]],
        rng: random.Random,
        tick: int = 4,
        lossy: float = 0,
        slow: bool = False,
    ) -> None:
        super().__init__("portress")
        self.now = 1000.0
        self.made = 1
        self.unheard = 0
        self.room = 10_000
        self._script = list(script)
        self._rng = rng
        self._tick = tick
        self._lossy = lossy
        self._pauses = (0, 0, 0, 0, 0.01, 0.5) if slow else (0, 0.001)
        self._sets: dict[str, dict[bytes, list[int]]] = {"heard_4": {}, "knocks_4": {}}
        self._lasting = {"heard_4": 3000, "knocks_4": 7000}

    def clock(self) -> int:
        return round(self.now * MS)

    def _jiffies(self) -> int:
        return int(self.now // self._tick) * self._tick

    def pass_by(self, ms: float) -> None:
        """Time goes on by so much; what is in the script for it happens."""
        until = self.now + ms
        while self._script and self._script[0][0] <= until:
            when, who, knock = self._script.pop(0)
            self.now = max(self.now, when)
            self._hit("knocks_4", who)
            if self._rng.random() < 0.05:  # the processor is taken away between the two rules
                self.now = min(until, self.now + self._rng.random() * 3)
            key = who + bytes((knock >> 16, 0, 0, 0, knock >> 8 & 255, knock & 255, 0, 0))
            if not self._hit("heard_4", key):
                self.unheard += 1
        self.now = max(self.now, until)

    def _hit(self, name: str, key: bytes) -> bool:
        elements = self._sets[name]
        for gone in [one for one, (at, _) in elements.items() if self._left(name, at) <= 0]:
            del elements[gone]
        if key not in elements and len(elements) >= self.room:
            return False
        element = elements.setdefault(key, [0, 0])
        element[0] = self._jiffies()
        element[1] += 1
        return True

    def _left(self, name: str, at: int) -> int:
        return at + self._lasting[name] - self._jiffies()

    def _one(self, name: str, key: bytes) -> Count | None:
        self.pass_by(self._rng.choice(self._pauses))
        at, packets = self._sets[name].get(key, (0, 0))
        left = self._left(name, at)
        return Count(key, self._lasting[name] - left, packets, left) if packets and left > 0 else None

    def _listed(self, name: str) -> Iterator[Count]:
        keys = list(self._sets.get(name, ()))
        self._rng.shuffle(keys)
        for key in keys:
            found = self._one(name, key)
            if found is not None and self._rng.random() >= self._lossy:
                yield found

    def all(self, name: str) -> tuple[list[Count], bool]:
        return list(self._listed(name)), not self._lossy

    def together(self, asked: Sequence[tuple[str, Sequence[bytes]]]) -> list[list[Count] | None]:
        answers: list[list[Count] | None] = []
        for name, keys in asked:
            found = [self._one(name, key) for key in keys]
            answers.append(None if None in found else [one for one in found if one is not None])
        return answers

    def standing(self, name: str, counter: str) -> tuple[tuple[int, int] | None, int]:
        self.pass_by(0)
        return (1, self.made), self.unheard

    def anew(self) -> None:
        """The guard is loaded anew: its sets are new ones."""
        self.made += 1
        self._sets = {"heard_4": {}, "knocks_4": {}}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        pass

    def close(self) -> None:
        pass


def watch(kernel: Kernel, ms: float, interval: float = 100) -> list[Heard]:
    """All that a watcher tells in so many ms of that kernel."""
    heard: list[Heard] = []
    with CounterWatcher(interval / 1000, kernel.clock, kernel) as watcher:
        until = kernel.now + ms
        while kernel.now < until:
            kernel.pass_by(interval)
            heard += watcher.read()
    return heard


def admitted(heard: Sequence[tuple[bytes, int, int]]) -> list[bytes]:
    tracker = Tracker(TRIE)
    return [who for who, knock, when in heard if isinstance(tracker.hear(who, knock, when), Completed)]


def told(heard: Sequence[Heard], who: bytes = source(1)) -> list[int]:
    return [knock for one, knock, _, _ in heard if one == who]


def script(*packets: tuple[float, int], who: bytes = source(1)) -> list[tuple[float, bytes, int]]:
    """Packets of one source: (ms since the beginning, knock)."""
    return [(1001 + when, who, knock) for when, knock in packets]


def kernel(
    packets: Sequence[tuple[float, bytes, int]], seed: int = 1, tick: int = 4, lossy: float = 0
) -> Kernel:
    return Kernel(sorted(packets, key=lambda packet: packet[0]), random.Random(seed), tick, lossy)


def test_knocks_within_one_poll_are_told_in_the_order_in_which_they_came() -> None:
    for seed in range(50):
        assert told(watch(kernel(script((3, X), (25, Y), (47, Z)), seed), 500)) == [X, Y, Z]


def test_their_times_are_those_at_which_they_came_to_a_tick() -> None:
    heard = watch(kernel(script((3, X), (25, Y), (247, Z)), seed=2), 700)
    for (_, _, when, _), sent in zip(heard, (1004, 1026, 1248), strict=True):
        assert abs(when / MS - sent) <= 8


@pytest.mark.parametrize("tick", [1, 4, 10])
def test_a_pause_of_20_ms_is_enough_on_every_kernel(tick: int) -> None:
    for seed in range(100):
        start = random.Random(seed).random() * 100
        packets = [
            one
            for number in range(20)
            for one in script((start, X), (start + 20, Y), (start + 40, Z), who=source(number))
        ]
        assert sorted(admitted_by(kernel(packets, seed, tick), 700)) == [
            source(number) for number in range(20)
        ]


def admitted_by(simulated: Kernel, ms: float, interval: float = 100) -> list[bytes]:
    return admitted([(who, knock, when) for who, knock, when, _ in watch(simulated, ms, interval)])


def test_knocks_within_one_tick_are_told_as_unsure() -> None:
    assert told(watch(kernel(script((0, X), (1, Y), (30, Z))), 500)) == [UNSURE, Z]


def test_a_knock_repeated_at_once_is_told_once() -> None:
    packets = script((0, X), (1, X), (30, Y), (31, Y), (60, Z))
    assert admitted_by(kernel(packets), 500) == []  # within one poll nobody knows where the first Y came
    assert admitted_by(kernel(packets), 500, interval=25) == [source(1)]


def test_what_an_earlier_packet_of_a_repeated_knock_may_have_come_between_is_unsure() -> None:
    assert told(watch(kernel(script((0, X), (10, W), (20, Y), (30, W), (40, Z))), 500)) == [UNSURE, W, Z]


def test_hits_of_a_set_that_was_full_are_missed_and_said_to_be() -> None:
    simulated = kernel(script((0, X), (110, W), (220, Y), (330, Z)))
    simulated.room = 1
    assert admitted_by(simulated, 1500) == []
    assert simulated.unheard == 3


def test_a_daemon_that_sleeps_longer_than_knocks_are_kept_tells_no_wrong_order() -> None:
    packets = script((0, X), (600, W), (3900, Y), (3950, Z))
    simulated = kernel(packets)
    with CounterWatcher(0.1, simulated.clock, simulated) as watcher:
        simulated.pass_by(100)
        heard = watcher.read()
        simulated.pass_by(4000)  # W has come and gone
        for _ in range(5):
            heard += watcher.read()
            simulated.pass_by(100)
    assert told(heard)[0] == X and UNSURE in told(heard)
    assert admitted([(who, knock, when) for who, knock, when, _ in heard]) == []


def test_what_was_counted_before_the_daemon_began_is_not_told() -> None:
    simulated = kernel(script((0, X), (50, Y), (160, Z)))
    simulated.pass_by(100)
    assert told(watch(simulated, 500)) == [Z]


def test_a_guard_loaded_anew_makes_callers_start_over_and_all_is_well_afterwards() -> None:
    simulated = kernel(script((0, X), (150, Y), (460, X), (560, Y), (660, Z)))
    with CounterWatcher(0.1, simulated.clock, simulated) as watcher:
        heard: list[Heard] = []
        for poll in range(10):
            simulated.pass_by(100)
            if poll == 3:
                simulated.anew()
            heard += watcher.read()
    assert told(heard) == [X, Y, UNSURE, X, Y, Z]
    assert admitted([(who, knock, when) for who, knock, when, _ in heard]) == [source(1)]


def test_what_comes_right_after_a_guard_was_loaded_anew_counts_and_what_came_before_does_not() -> None:
    packets = script((0, X), (210, Y), (230, Z)) + script((210, X), (230, Y), (250, Z), who=source(2))
    simulated = kernel(packets)
    with CounterWatcher(0.3, simulated.clock, simulated) as watcher:
        simulated.pass_by(100)
        heard = watcher.read()
        simulated.anew()
        simulated.pass_by(200)
        heard += watcher.read()
    assert told(heard) == [X, UNSURE, Y, Z]
    assert admitted([(who, knock, when) for who, knock, when, _ in heard]) == [source(2)]


def test_a_source_that_comes_again_much_later_is_told_as_before() -> None:
    packets = script((0, X), (50, Y), (100, Z), (9000, X), (9050, Y), (9100, Z))
    assert told(watch(kernel(packets), 9500)) == [X, Y, Z, X, Y, Z]


def test_more_knocks_of_one_source_than_any_sequence_has_are_unsure() -> None:
    sweep = script(*((number * 0.01, Knock.of(6, 4617 + number)) for number in range(500)))
    assert set(told(watch(kernel(sweep), 500))) == {UNSURE}


PAUSES = {
    "short": (0, 0, 0.5, 2, 5, 11, 23, 60, 130, 400),
    "long": (0, 2, 11, 60, 130, 400, 1500, 3100, 4616),
}


def random_script(rng: random.Random, who: bytes, pauses: Sequence[float]) -> list[tuple[float, bytes, int]]:
    """A few packets of one source, often nearly right; `pauses` in ms."""
    knocks = list(RIGHT) if rng.random() < 0.6 else []
    for _ in range(rng.randrange(7)):
        knocks.insert(rng.randrange(len(knocks) + 1), rng.choice((X, Y, Z, V, W)))
    if rng.random() < 0.3:
        rng.shuffle(knocks)
    at = rng.random() * 300
    packets = []
    for knock in knocks:
        at += rng.choice(pauses) * rng.random()
        packets.append((at, knock))
    return script(*packets, who=who)


def times_right(packets: Sequence[tuple[float, bytes, int]], who: bytes) -> int:
    """How often a source sent the sequence, whatever the pauses: another judge than the tracker."""
    letters = "".join("XYZ-"[(X, Y, Z, knock).index(knock)] for _, one, knock in packets if one == who)
    return len(re.findall("X+Y[XY]*Z", letters))


def random_watch(simulated: Kernel, rng: random.Random, until: float) -> list[Heard]:
    """What is heard by a daemon that sometimes sleeps, of a guard that is sometimes loaded anew."""
    heard: list[Heard] = []
    interval = rng.choice((10, 100, 400))
    with CounterWatcher(interval / 1000, simulated.clock, simulated) as watcher:
        while simulated.now < until:
            simulated.pass_by(interval if rng.random() < 0.97 else 8000 * rng.random())
            if rng.random() < 0.01:
                simulated.anew()
            heard += watcher.read()
    return heard


@pytest.mark.parametrize("pauses", PAUSES)
@pytest.mark.parametrize("lossy", [0, 0.2])
def test_whatever_is_sent_nobody_is_admitted_who_did_not_send_the_sequence(lossy: float, pauses: str) -> None:
    let_in = 0
    for seed in range(250):
        rng = random.Random(seed)
        packets = sorted(
            one for number in range(8) for one in random_script(rng, source(number), PAUSES[pauses])
        )
        packets = [(when + 1e-9 * place, who, knock) for place, (when, who, knock) in enumerate(packets)]
        simulated = Kernel(packets, rng, rng.choice((1, 4, 10)), lossy, slow=rng.random() < 0.5)
        simulated.room = rng.choice((5, 20, 1000))
        heard = random_watch(simulated, rng, packets[-1][0] + 1000)
        assert all(one[2] <= other[2] for one, other in pairwise(heard)), f"seed {seed}"
        got = admitted([(who, knock, when) for who, knock, when, _ in heard])
        for who in set(got):
            assert got.count(who) <= times_right(packets, who), f"seed {seed}"
        let_in += len(got)
    assert let_in > 10


def test_order_is_told_only_of_what_is_ordered() -> None:
    assert in_order([]) == []
    assert [hit.knock for hit in in_order([Hit(4, Y, 1), Hit(8, X, 1), Hit(0, Z, 1)])] == [X, Y, Z]
    assert [hit.knock for hit in in_order([Hit(8, Y, 1), Hit(8, X, 1), Hit(0, Z, 1)])] == [UNSURE, Z]
    assert [hit.knock for hit in in_order([Hit(8, X, 3), Hit(4, Y, 1)])] == [X, Y]
    assert [hit.knock for hit in in_order([Hit(8, X, 1), Hit(4, Y, 2), Hit(0, Z, 1)])] == [UNSURE, Y, Z]
    assert [hit.knock for hit in in_order([Hit(8, X, 1), Hit(4, Y, 2), Hit(4, Z, 1)])] == [UNSURE]


def test_unsure_is_no_knock_and_says_so() -> None:
    assert str(Knock(UNSURE)) == "knocks in no certain order"
    assert UNSURE not in RIGHT
