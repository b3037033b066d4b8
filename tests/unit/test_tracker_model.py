"""The tracker against a model of its rules (tests/rulebook.py), written from the design alone.

Several sources knock at doors whose sequences share beginnings and differ in their gaps; time passes up to
and around those gaps; time steps go by, keyholders come and go and get new secrets, doors too. After every
knock verdict and state must be the same in both.
"""

from __future__ import annotations

from itertools import permutations
from typing import Final

from attrs import evolve
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from portress.config.model import Misses
from portress.knock import TCP, Expected, Knock, Sequence
from portress.sequence.trie import Trie
from portress.tracker import Tracker
from portress.verdict import (
    Completed,
    Left,
    Use,
    Verdict,
)
from rulebook import Model, Way

A, B, C, D, E = KNOCKS = tuple(Knock.of(TCP, port) for port in range(4617, 4622))
WAYS: Final = tuple(permutations(KNOCKS, 3))
SOURCES: Final = tuple(bytes([192, 0, 2, last]) for last in range(1, 5))

# Fixed sequences: shared beginnings, beginnings of others, single knocks; four gaps.
FIXED: Final = (
    Expected(Sequence((A, B, C), 40), "ssh"),
    Expected(Sequence((A, B, D), 10), "web"),
    Expected(Sequence((A, B), 25), "mail"),
    Expected(Sequence((A, B, C, D), 15), "files"),
    Expected(Sequence((B, A), 10), "print"),
    Expected(Sequence((E,), 25), "time"),
    Expected(Sequence((A, C, E, B), 15), "build"),
    Expected(Sequence((A, C), 40), "news"),
    Expected(Sequence((D, A, B, C), 40), "chat"),
    # Those that leave: a shared beginning, one of its own, the end of a longer one, one that also opens.
    Expected(Sequence((A, B, E), 25), "ssh", leaves=True),
    Expected(Sequence((C, D, B), 10), "web", leaves=True),
    Expected(Sequence((A, B, C, D, E), 15), "files", leaves=True),
    Expected(Sequence((E,), 40), "print", leaves=True),
)
KEYHOLDERS: Final = (("ana", "vpn"), ("ana", "lab"), ("ben", "vpn"), ("eve", "lab"))
GAPS: Final = {"vpn": 15, "lab": 40}
TIMES: Final = (1, 10, 11, 15, 25, 40, 41)


def rotating(number: int, secret: int, step: int) -> Way:
    """The sequences of one keyholder and door differ from step to step and from one secret to the next."""
    keyholder, door = KEYHOLDERS[number]
    knocks = WAYS[(number * 13 + step * 7 + secret * 11) % len(WAYS)]
    at = "" if keyholder == "ana" else door  # ana has an authenticator: one use for both doors
    claim = f"{keyholder} {secret} {at}".encode()
    return Way(Expected(Sequence(knocks, GAPS[door]), door, keyholder, step, claim), secret)


def leaving(number: int, secret: int, step: int) -> Way:
    """The sequence that the same keyholder leaves by, with a use of its own."""
    keyholder, door = KEYHOLDERS[number]
    knocks = WAYS[(number * 17 + step * 5 + secret * 3 + 1) % len(WAYS)]
    claim = f"{keyholder} {secret} leaves {door}".encode()
    return Way(Expected(Sequence(knocks, GAPS[door]), door, keyholder, step, claim, leaves=True), secret)


def plain(verdict: Verdict) -> Verdict:
    """Without the order of the openings, which no rule is about."""
    if isinstance(verdict, Completed | Left):
        return evolve(verdict, openings=tuple(sorted(verdict.openings, key=repr)))
    return verdict


class Portress(RuleBasedStateMachine):
    """The tracker and the model, side by side."""

    @initialize(
        limit=st.integers(1, 4),
        misses=st.none()
        | st.builds(Misses, st.integers(1, 3), st.sampled_from(TIMES), st.sampled_from(TIMES)),
        skew=st.integers(0, 1),
        doors=st.sets(st.sampled_from(FIXED)),
        secrets=st.dictionaries(st.integers(0, len(KEYHOLDERS) - 1), st.just(0), min_size=1),
    )
    def begin(
        self, limit: int, misses: Misses | None, skew: int, doors: set[Expected], secrets: dict[int, int]
    ) -> None:
        self.now = 1000
        self.step, self.skew = 50, skew
        self.doors, self.secrets = doors, secrets
        self.issued = 0  # the last new secret
        ways = self.in_force()
        self.model = Model(limit, misses, ways)
        self.tracker = Tracker(self.trie(ways), limit=limit, misses=misses)

    def in_force(self) -> list[Way]:
        steps = range(self.step - self.skew, self.step + self.skew + 1)
        ways = [Way(one) for one in FIXED if one in self.doors]
        return ways + [
            kind(number, secret, step)
            for number, secret in self.secrets.items()
            for step in steps
            for kind in (rotating, leaving)
        ]

    @staticmethod
    def trie(ways: list[Way]) -> Trie:
        return Trie(way.expected for way in ways)

    def knock(self, source: bytes, knock: int) -> None:
        should = self.model.hear(source, knock, self.now)
        verdict = self.tracker.hear(source, knock, self.now)
        assert plain(verdict) == plain(should)
        if self.model.sent_away:
            remembered = {who for who, *_ in self.tracker.callers(0)}
            gone = [who for who in self.model.runs if who not in remembered]
            assert len(gone) == 1
            assert gone[0] in self.model.sent_away
            del self.model.runs[gone[0]]

    @rule(source=st.sampled_from(SOURCES), knocks=st.lists(st.sampled_from(KNOCKS), min_size=1, max_size=6))
    def any_knocks(self, source: bytes, knocks: list[Knock]) -> None:
        for knock in knocks:
            self.knock(source, knock)

    @precondition(lambda self: self.model.ways)
    @rule(
        sources=st.permutations(SOURCES),
        which=st.integers(0, 63),
        stage=st.integers(1, 3),
        pause=st.sampled_from((0, *TIMES)),
    )
    def sequences_begin(self, sources: list[bytes], which: int, stage: int, pause: int) -> None:
        """Two sources knock at sequences in force, up to some stage."""
        for source, number in zip(sources[:2], (which, which * 7), strict=True):
            for knock in self.model.ways[number % len(self.model.ways)].knocks[:stage]:
                self.knock(source, knock)
                self.now += pause

    @precondition(lambda self: self.model.runs)
    @rule(
        moves=st.lists(
            st.tuples(st.integers(0, 3), st.integers(0, 9), st.sampled_from((None, None, -1, 0, 1))),
            min_size=1,
            max_size=8,
        )
    )
    def callers_go_on(self, moves: list[tuple[int, int, int | None]]) -> None:
        """At once, or just before, at or after the gap."""
        self.go_on(moves)

    def go_on(self, moves: list[tuple[int, int, int | None]]) -> None:
        """Some caller gives the next knock of something it can complete."""
        for who, which, off in moves:
            if self.model.runs:
                source = list(self.model.runs)[who % len(self.model.runs)]
                run = self.model.runs[source]
                way = run.ways[which % len(run.ways)]
                if off is not None:
                    self.now = max(self.now, run.last + way.gap + off)
                self.knock(source, way.knocks[len(run.right)])

    @rule(
        change=st.sampled_from(("step", "enrol", "secret", "unenrol", "door")),
        which=st.integers(0, 35),
        moves=st.lists(st.integers(0, 9), min_size=1, max_size=6),
    )
    def what_is_in_force_changes(self, change: str, which: int, moves: list[int]) -> None:
        number = which % len(KEYHOLDERS)
        if change == "step":
            self.step += 1 + which % 2
        elif change == "enrol":
            self.secrets.setdefault(number, 0)
        elif change == "secret":
            self.issued += 1
            self.secrets[number] = self.issued
        elif change == "unenrol":
            self.secrets.pop(number, None)
        else:
            self.doors = self.doors ^ {FIXED[which % len(FIXED)]}
        ways = self.in_force()
        self.model.history.append(ways)
        self.tracker.replace(self.trie(ways))
        self.go_on([(move, move // 2, None) for move in moves])

    @rule(floor=st.sampled_from((-1, -1, 0, 1)))
    def doubt_arises(self, floor: int) -> None:
        """Or it is over."""
        floor = floor if floor < 0 else self.step - self.skew + floor
        self.model.floor = self.tracker.floor = floor

    @rule(pause=st.sampled_from(TIMES))
    def time_passes(self, pause: int) -> None:
        self.now += pause

    @rule()
    def expire(self) -> None:
        gone = {who: where.stage for who, where in self.tracker.expire(self.now)}
        over = [who for who, run in self.model.runs.items() if self.now > run.until]
        assert gone == {who: len(self.model.runs[who].right) for who in over}
        for who in over:
            del self.model.runs[who]

    @rule(crowd=st.integers(0, 4), fresh=st.sampled_from((0, *TIMES)))
    def thin(self, crowd: int, fresh: int) -> None:
        """All that ever happens here is within one second."""
        first = {who: run.last for who, run in self.model.runs.items() if len(run.right) == 1}
        gone = [who for who, last in first.items() if len(first) > crowd and self.now - last > fresh]
        assert self.tracker.thin(self.now, crowd, fresh) == len(gone)
        for who in gone:
            del self.model.runs[who]

    @rule(source=st.sampled_from(SOURCES))
    def forget(self, source: bytes) -> None:
        self.tracker.forget(source)
        self.model.runs.pop(source, None)
        self.model.missed = [one for one in self.model.missed if one[0] != source]
        self.model.shunned = [one for one in self.model.shunned if one[0] != source]

    @invariant()
    def the_same_callers_at_the_same_stages(self) -> None:
        if not hasattr(self, "model"):
            return
        told = {source: (where.stage, left) for source, where, left in self.tracker.callers(self.now)}
        runs = self.model.runs.items()
        assert told == {
            who: (len(run.right), run.until - self.now) for who, run in runs if self.now <= run.until
        }
        assert len(self.tracker) == len(self.model.runs) <= self.model.limit

    @invariant()
    def the_same_misses_and_shunnings(self) -> None:
        if not hasattr(self, "model"):
            return
        for source in SOURCES:
            assert self.tracker.misses_of(source, self.now) == self.model.misses_of(source, self.now)
        assert dict(self.tracker.shunned(self.now)) == {
            who: until for who, until in self.model.shunned if self.now < until
        }

    @invariant()
    def the_same_sequences_used_up(self) -> None:
        if not hasattr(self, "model"):
            return
        last: dict[bytes, Use] = {}
        for claim, use in self.model.used:
            last[claim] = use
        assert self.tracker.used == last


TestTracker = Portress.TestCase
TestTracker.settings = settings(
    derandomize=True,
    max_examples=200,
    stateful_step_count=60,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)
