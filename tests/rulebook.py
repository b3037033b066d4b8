"""The tracker's rules as a model: written from the design alone, in lists and loops, without a tree.

What tests expect of the tracker comes out: verdicts, and whom rule 10 may send away.
"""

from __future__ import annotations

from attrs import define, frozen

from portress.config.model import Misses
from portress.knock import Expected, Knock
from portress.verdict import (
    Advanced,
    Completed,
    Doubted,
    Echoed,
    Ignored,
    Lapsed,
    Left,
    Missed,
    Repeated,
    Replayed,
    Shunned,
    Use,
    Verdict,
)


@frozen
class Way:
    """A sequence in force, and of which secret of its keyholder it is."""

    expected: Expected
    secret: int = 0

    @property
    def knocks(self) -> tuple[Knock, ...]:
        return self.expected.sequence.knocks

    @property
    def gap(self) -> int:
        return self.expected.sequence.gap


@define
class Run:
    """A caller: what it got right, when last, until when that holds, and what it can still complete."""

    right: list[int]
    last: int
    until: int
    ways: list[Way]
    slow: int  # the longest gap it exceeded so far on the way
    since: int  # how many times the sequences in force had been replaced then


class Model:
    """The rules, read from the page."""

    def __init__(self, limit: int, misses: Misses | None, ways: list[Way]) -> None:
        self.limit = limit
        self.misses = misses
        self.history = [ways]
        self.runs: dict[bytes, Run] = {}
        self.missed: list[tuple[bytes, int]] = []
        self.shunned: list[tuple[bytes, int]] = []
        self.used: list[tuple[bytes, Use]] = []
        self.floor = -1
        self.sent_away: list[bytes] = []  # whom rule 10 may send away at this knock: any one of them

    @property
    def ways(self) -> list[Way]:
        return self.history[-1]

    def hear(self, source: bytes, knock: int, now: int) -> Verdict:
        self.sent_away = []
        for who, until in self.shunned:
            if who == source and now < until:
                return Shunned(until)
        self.shunned = [one for one in self.shunned if one[0] != source]
        run = self.runs.get(source)
        if run is None:
            return self.first(source, knock, now)
        pause = now - run.last
        ways = self.ahead(run) if now <= run.until else run.ways
        if not ways:  # nothing in force goes on from there
            del self.runs[source]
            return self.first(source, knock, now)
        stage, of = len(run.right), max(len(way.knocks) for way in ways)
        here = [way for way in ways if way.knocks[stage] == knock]
        if any(pause <= way.gap and now <= run.until for way in here):
            return self.right(source, run, here, knock, now)
        gap = max(way.gap for way in (here or ways))
        if here or pause > gap or now > run.until:
            anew = self.first_again(source, knock, now)
            return anew if ends(anew) else Lapsed(stage, of, pause, gap, anew != Ignored())
        if knock in run.right:
            return Repeated(stage)
        shunned_until = self.miss(source, now)
        if shunned_until is not None:
            del self.runs[source]
            return Missed(stage, of, False, shunned_until)
        anew = self.first_again(source, knock, now)
        return anew if ends(anew) else Missed(stage, of, anew != Ignored())

    def ahead(self, run: Run) -> list[Way]:
        """What a caller can still complete: what goes on from there now, and its own steps gone by."""
        if run.since == len(self.history):
            return run.ways
        stage = len(run.right)
        found = [
            way
            for way in self.ways
            if list(way.knocks[:stage]) == run.right and len(way.knocks) > stage and way.gap > run.slow
        ]
        for way in run.ways:
            if way.expected.step is not None and way not in found and self.always_enrolled(way, run.since):
                found.append(way)
        return found

    def always_enrolled(self, way: Way, since: int) -> bool:
        """Whether its keyholder had that door with the same secret in all that was in force since then."""
        for ways in self.history[since:]:
            held = [one.secret for one in ways if holder(one) == holder(way)]
            if way.secret not in held:
                return False
        return True

    def first(self, source: bytes, knock: int, now: int) -> Verdict:
        here = [way for way in self.ways if way.knocks[0] == knock]
        if not here:
            return Ignored()
        return self.right(source, Run([], now, now, [], 0, 0), here, knock, now)

    def first_again(self, source: bytes, knock: int, now: int) -> Verdict:
        del self.runs[source]
        return self.first(source, knock, now)

    def right(self, source: bytes, run: Run, here: list[Way], knock: int, now: int) -> Verdict:
        begun = bool(run.right)
        kept = [way for way in here if not begun or now - run.last <= way.gap]
        lost = [way.gap for way in here if way not in kept]
        right = [*run.right, knock]
        on = [way for way in kept if len(way.knocks) > len(right)]
        if on:
            if source not in self.runs and len(self.runs) >= self.limit:
                self.sent_away = self.least(now)
            until = now + max(way.gap for way in on)
            self.runs[source] = Run(right, now, until, on, max([run.slow, *lost]), len(self.history))
        else:
            self.runs.pop(source, None)
        endings = [way.expected for way in kept if len(way.knocks) == len(right)]
        if endings:
            return self.complete(source, endings, bool(on))
        return Advanced(len(right), max(len(way.knocks) for way in kept))

    def least(self, now: int) -> list[bytes]:
        """Whose gap is over; else, of those at the lowest stage, those with the least time left."""
        over = [source for source, run in self.runs.items() if now > run.until]
        if over:
            return over
        lowest = min(len(run.right) for run in self.runs.values())
        low = {source: run.until for source, run in self.runs.items() if len(run.right) == lowest}
        return [source for source, until in low.items() if until == min(low.values())]

    def complete(self, source: bytes, endings: list[Expected], carries_on: bool) -> Verdict:
        """What opens goes before what leaves."""
        opened, why_not = self.use(source, [one for one in endings if not one.leaves])
        if opened:
            return Completed(tuple(opened), carries_on)
        left, nor = self.use(source, [one for one in endings if one.leaves])
        return Left(tuple(left), carries_on) if left else (why_not or nor)[-1]

    def use(self, source: bytes, endings: list[Expected]) -> tuple[list[Expected], list[Verdict]]:
        before = list(self.used)  # one code that ends at several doors is one use, and opens them all
        fresh: list[Expected] = []
        refused: list[Verdict] = []
        others: list[Verdict] = []
        for one in endings:
            if one.step is None or one.keyholder is None:
                fresh.append(one)
                continue
            uses = [use for claim, use in before if claim == one.claim]
            last = max(uses, key=lambda use: use.step, default=None)
            if last is not None and one.step <= last.step:
                echo = last == Use(one.step, source, one.door)
                (others if echo else refused).append(Echoed(one) if echo else Replayed(one, last))
            elif one.step <= self.floor:
                others.append(Doubted(one, self.floor))
            else:
                self.used.append((one.claim, Use(one.step, source, one.door)))
                fresh.append(one)
        return fresh, refused or others

    def miss(self, source: bytes, now: int) -> int | None:
        if self.misses is None:
            return None
        self.missed.append((source, now))
        if self.misses_of(source, now) >= self.misses.limit:
            self.missed = [one for one in self.missed if one[0] != source]
            self.shunned = [*self.shunned, (source, now + self.misses.shun)][-self.limit :]
            return now + self.misses.shun
        latest = dict.fromkeys(who for who, _ in reversed(self.missed))  # the last to miss comes first
        remembered = list(latest)[: self.limit]
        self.missed = [one for one in self.missed if one[0] in remembered]
        return None

    def misses_of(self, source: bytes, now: int) -> int:
        if self.misses is None:
            return 0
        return sum(who == source and now - time <= self.misses.within for who, time in self.missed)


def ends(verdict: Verdict) -> bool:
    return isinstance(verdict, Completed | Left | Replayed | Echoed)


def holder(way: Way) -> tuple[str | None, str]:
    return way.expected.keyholder, way.expected.door
