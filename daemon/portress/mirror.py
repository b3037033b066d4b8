"""The tracker where the kernel decides: it follows what the guard says it did, and explains it. Pure.

In: (source, knock, now) with the guard's report. Out: the verdict that the tracker would have come to, as far
as the reports can tell; what the guard did is never doubted. It counts misses and shuns, which the guard does
not, and keeps to rule 9 where the guard alone cannot: a step older than the last one used.

Reports may be missing. Then `where` is asked at which node a source is, and `astray` says that what was used
has to be read from the guard.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Hashable, Iterable
from typing import Any, Final

from attrs import define, field, setters

from portress.knock import SECOND, Expected, Knock, Sequence
from portress.sequence.trie import Node, Path
from portress.tracker import State, Tracker
from portress.verdict import (
    Completed,
    Doubted,
    Echoed,
    Ignored,
    Lapsed,
    Left,
    Missed,
    Replayed,
    Report,
    Shunned,
    Use,
    Verdict,
)

_SAME: Final = SECOND // 1000  # ns within which two reports of one knock are of one packet
_IGNORED: Final = Ignored()


@define(eq=False, slots=False, on_setattr=setters.NO_OP)
class Mirror(Tracker):
    """Follows the guard's decisions. `where` says at which (path, floor) a source is now."""

    where: Callable[[Any], tuple[Path, int] | None] = field(default=lambda _source: None, kw_only=True)
    astray: bool = field(default=False, init=False)  # a report was not understood: some before it are missing

    def follow(self, source: Hashable, knock: int, now: int, report: str) -> Verdict | None:
        """What the guard did with a knock at `now` (ns), if that opened nothing. None: told already."""
        until = self._shunned.get(source)
        if until is not None:
            if now < until:
                return Shunned(until)
            del self._shunned[source]
        state = self._callers.get(source)
        if report == Report.BEGUN:
            return self._begin(source, knock, now, state)
        if report == Report.MOVED:
            return self._move(source, knock, now, state)
        if report == Report.AGAIN:
            return _IGNORED if state is None else state[1].repeated
        if report == Report.ASKED:
            return self._asked(source, knock, now, state)
        if report in (Report.MISSED, Report.ANEW):
            return self._wrong(source, knock, now, state, anew=report == Report.ANEW)
        if report == Report.LATE:
            return _IGNORED if state is None else self._late(state, now, anew=False)
        return self._refused(source, knock, now, state) if report == Report.REFUSED else _IGNORED

    def completed(self, source: Hashable, knock: int, now: int, doors: Collection[str]) -> Verdict:
        """The guard let a source in at these doors: what it completed, and what else that opens.

        Replayed: it should not have, for its step is older than the last one used.
        """
        state = self._callers.get(source)
        end = self._end(state, knock, now, doors)
        if end is None:
            self.astray = True
            if state is not None:
                self._leave(state)
            only = Sequence((Knock(knock),), SECOND)
            return Completed(tuple(Expected(only, door) for door in doors), False)
        if end.children:
            self._stay(source, end, now, state)
        elif state is not None:
            self._leave(state)
        fresh: list[Expected] = []
        older: Verdict = _IGNORED
        for one in end.endings:
            if one.leaves:
                continue
            if one.step is None:
                fresh.append(one)
                continue
            last = self.used.get(one.claim)
            if last is not None and one.step < last.step:
                older = Replayed(one, last)
            elif last is None or one.door in doors or one.step > last.step:
                fresh.append(one)
                self.used[one.claim] = Use(one.step, source, one.door)
        return Completed(tuple(fresh), bool(end.children)) if fresh else older

    def left(self, source: Hashable, knock: int, now: int, doors: Collection[str]) -> Verdict:
        """The guard says that a leaving sequence of these doors was completed, and claimed if it works once.

        Replayed: it was used at another gateway before, or is older than the last one used.
        """
        state = self._callers.get(source)
        end = self._end(state, knock, now, doors, leaves=True)
        if state is not None:
            self._leave(state)
        if end is None:
            self.astray = True
            return _IGNORED
        if end.children:
            self._stay(source, end, now, None)
        fresh: list[Expected] = []
        older: Verdict = _IGNORED
        for one in (each for each in end.endings if each.leaves):
            last = None if one.step is None else self.used.get(one.claim)
            if one.step is None:
                fresh.append(one)
            elif last is not None and (one.step < last.step or (one.step == last.step and last.source)):
                older = Replayed(one, last)
            else:
                fresh.append(one)
                self.used[one.claim] = Use(one.step, source, one.door)
        return Left(tuple(fresh), bool(end.children)) if fresh else older

    def _asked(self, source: Hashable, knock: int, now: int, state: State | None) -> Verdict:
        """A sequence on paper, which the guard leaves to the daemon."""
        end = self._next(state, knock, now) or self.trie.root.children.get(knock)
        while end is not None and not any(one.paper for one in end.endings):
            end = end.slower
        if state is not None:
            self._leave(state)
        if end is None:
            self.astray = True
            return _IGNORED
        if end.children:
            self._stay(source, end, now, None)
        return self._complete(source, end)

    def know(
        self,
        found: Iterable[tuple[Hashable, tuple[Path, int], int]],
        now: int,
        but: Collection[Hashable] = (),
    ) -> None:
        """These are the callers at `now`: source, path and floor of its node, ns that its state has left.
        `but`: sources of which reports tell more than that."""
        states = [(one[0], one[2], one[1]) for one in map(self._callers.get, but) if one is not None]
        self._callers, self._rooms = {}, {}
        for source, (path, floor), left in found:
            node = None if source in but else self.trie.at(path, floor)
            if node is not None and node.children:
                states.append((min(now, now + left - node.hold), source, node))
        for since, source, node in sorted(states, key=lambda each: each[0]):
            self._stay(source, node, since, None)

    def _here(self, state: State | None) -> Node | None:
        """The node where a caller is, in the present tree."""
        if state is None:
            return None
        node = state[1]
        return node if node.age == self.trie.age else self.trie.at(node.path, node.floor)

    def _next(self, state: State | None, knock: int, now: int) -> Node | None:
        """The node that a right knock leads to."""
        here = self._here(state)
        if here is None or state is None:
            return None
        child = here.children.get(knock)
        while child is not None and now - state[0] > child.gap and child.slower is not None:
            child = child.slower
        return child

    def _begin(self, source: Hashable, knock: int, now: int, state: State | None) -> Verdict | None:
        if _told(state, knock, now):
            return None
        node = self.trie.root.children.get(knock)
        if node is None:
            return _IGNORED
        verdict: Verdict = node.advanced
        if state is not None:
            verdict = self._late(state, now, anew=True)
        if node.children:
            self._stay(source, node, now, None)
        return verdict

    def _move(self, source: Hashable, knock: int, now: int, state: State | None) -> Verdict | None:
        if _told(state, knock, now):
            return None
        child = self._next(state, knock, now)
        if child is None:
            place = self.where(source)
            child = None if place is None else self.trie.at(*place)
        if child is not None and child.endings and not child.children:  # its end is over: its keyholder's is
            if state is not None:
                self._leave(state)
            opening = tuple(one for one in child.endings if not one.leaves)
            return Completed(opening, False) if opening else _IGNORED
        if child is None or not child.children:
            return _IGNORED
        self._stay(source, child, now, state)
        return child.advanced

    def _wrong(self, source: Hashable, knock: int, now: int, state: State | None, *, anew: bool) -> Verdict:
        stage, of, doors = (0, 0, ()) if state is None else (state[1].stage, state[1].of, state[1].doors)
        until = None if self.misses is None else self._count_miss(source, self.misses, now)
        if state is not None:
            self._leave(state)
        node = self.trie.root.children.get(knock) if anew and until is None else None
        if node is not None and node.children:
            self._stay(source, node, now, None)
        if state is None and until is None:
            return _IGNORED
        return Missed(stage, of, anew and until is None, until, doors=doors)

    def _late(self, state: State, now: int, *, anew: bool) -> Verdict:
        node = state[1]
        self._leave(state)
        return Lapsed(node.stage, node.of, now - state[0], node.hold, anew, node.doors)

    def _end(
        self, state: State | None, knock: int, now: int, doors: Collection[str], *, leaves: bool = False
    ) -> Node | None:
        """The node that a completing knock leads to: some of what ends there opens, or leaves, a door of
        `doors`."""
        for node in (self._next(state, knock, now), self.trie.root.children.get(knock)):
            one = node
            while one is not None:
                if any(each.door in doors and each.leaves == leaves for each in one.endings):
                    return one
                one = one.slower
        return None

    def _refused(self, source: Hashable, knock: int, now: int, state: State | None) -> Verdict:
        end = self._next(state, knock, now) or self.trie.root.children.get(knock)
        if state is not None:
            self._leave(state)
        rotating = [] if end is None else [one for one in end.endings if one.step is not None]
        if not rotating:
            self.astray = True
            return _IGNORED
        doors = [one.door for one in rotating]
        for one in rotating:
            last = self.used.get(one.claim)
            if last is not None and (last.step, last.source) == (one.step, source) and last.door in doors:
                return Echoed(one)
        one = rotating[-1]
        last = self.used.get(one.claim)
        if last is None or last.step < (one.step or 0):
            if (one.step or 0) <= self.floor:
                return Doubted(one, self.floor)
            self.astray = True  # its use was not reported
            last = Use(one.step or 0, b"", one.door)
        return Replayed(one, last)


def _told(state: State | None, knock: int, now: int) -> bool:
    """Whether the same packet has led there by what it was reported for before."""
    return state is not None and state[1].path[-1] == knock and now - state[0] < _SAME
