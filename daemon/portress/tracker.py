"""The tracker: (source, knock, now) -> Verdict. No clock, no socket, no thread: pure.

The rules it holds (DEVELOPERS.md, "The tracker's rules"; what a knock is, rule 1, was decided before it):

 2. At stage 0, a knock that opens no sequence leaves no state at all.
 3. The right next knock moves the caller on and restarts its gap.
 4. A knock the caller already got right in this run changes nothing: not the stage, not the gap.
 5. Any other knock is a miss: the stage is lost, and the same knock is then looked at as a first knock.
 6. A knock later than the gap after the last right one finds the state expired, and is looked at as a
    first knock. Exactly at the gap is in time.
 7. The last knock completes. The state is gone, unless a longer sequence goes on from there. What leaves a
    door ends its holder's admission there; what opens goes before what leaves.
 9. A rotating sequence completes once, and a keyholder's authenticator codes once at all doors together.
    Again from the same source at the same door it is an echo; else, or of a step older than the last one
    used, a replay. Up to the step `floor` nobody knows what was used: none is accepted.
10. At most `limit` sources are remembered; when full, the one with the least time left at the lowest
    stage goes first. In a flood of first knocks, those go that came with it (`thin`).

After `misses.limit` misses within `misses.within`, a source is shunned: its knocks are ignored.

How it works: `_callers` maps a source to its state, a tuple (since, node, source). Every state also
stands in the queue of its room, the states of one (stage, hold), which is in order of deadlines because
time does not go back. A state that is no longer the caller's present one is a leftover there: it is passed
over, and swept out once there are half as many leftovers as callers. So expiry and rule 10 cost nothing
per knock.

Sequences with a shared beginning and different gaps: whoever was too slow for some of them goes on at a
twin of the node that leaves those out (trie.py).

A tree replaced while callers are under way (a new time step) leaves them their place: the path they came
is looked up in the new tree, and a rotating sequence whose step has gone by since can still be completed,
unless its keyholder has been unenrolled meanwhile or has another secret now.
"""

from __future__ import annotations

from collections import Counter, OrderedDict, deque
from collections.abc import Hashable, Iterator, Mapping

from attrs import define, field, setters

from portress.config.model import CALLERS, Misses
from portress.knock import SECOND, Expected
from portress.sequence.trie import Node, Trie
from portress.verdict import (
    Advanced,
    Completed,
    Doubted,
    Echoed,
    Ignored,
    Lapsed,
    Left,
    Missed,
    Replayed,
    Shunned,
    Use,
    Verdict,
)

State = tuple[int, Node, Hashable]

_IGNORED = Ignored()
_ENDS = (Completed, Left, Replayed, Doubted, Echoed)
_ROOM_SLACK = 64  # leftovers a room's queue may hold beyond half the number of the living


class _Room:
    """The callers at one stage with one hold, oldest first; `living` of the queue's states are present."""

    __slots__ = ("living", "queue")

    def __init__(self) -> None:
        self.queue: deque[State] = deque()
        self.living = 0


def _own(used: Mapping[bytes, Use] | None) -> dict[bytes, Use]:
    return dict(used or {})


@define(eq=False, slots=False, on_setattr=setters.NO_OP)
class Tracker:
    """Tracks every source through the stages of the sequences in `trie`.

    `now` is in ns and never goes back. `limit` (>= 1) bounds the callers, and separately the sources
    whose misses or shunning are remembered. `used` holds the rotating sequences already used up, by claim;
    steps up to `floor` (-1: none) are refused whatever it holds.
    """

    trie: Trie
    limit: int = field(default=CALLERS["daemon"], kw_only=True)
    misses: Misses | None = field(default=None, kw_only=True)
    used: dict[bytes, Use] = field(factory=dict, converter=_own, kw_only=True)
    floor: int = field(default=-1, kw_only=True)
    evicted: int = field(default=0, init=False)  # callers that rule 10 sent away
    _callers: dict[Hashable, State] = field(factory=dict, init=False)
    _rooms: dict[tuple[int, int], _Room] = field(factory=dict, init=False)
    _missed: OrderedDict[Hashable, tuple[int, ...]] = field(factory=OrderedDict, init=False)
    _shunned: OrderedDict[Hashable, int] = field(factory=OrderedDict, init=False)
    # the age of the tree in which a (keyholder, door, claim) came into force
    _holders: dict[tuple[str | None, str, bytes], int] = field(factory=dict, init=False)

    def __attrs_post_init__(self) -> None:
        self.replace(self.trie)

    def replace(self, trie: Trie) -> None:
        """Expect the sequences of `trie`, which is no older than the last, from now on.

        Callers under way keep their place.
        """
        self._holders = {holder: self._holders.get(holder, trie.age) for holder in trie.rotating}
        self.trie = trie
        self._first = trie.root.children
        self._age = trie.age
        self._places: dict[Node, Node | None] = {}  # of nodes of earlier trees, in this one

    def hear(self, source: Hashable, knock: int, now: int) -> Verdict:
        """One knock of one source at `now` (ns): moves the source on, or back, and says what happened."""
        if self._shunned and source in self._shunned:
            if now < self._shunned[source]:
                return Shunned(self._shunned[source])
            del self._shunned[source]
        state = self._callers.get(source)
        if state is None:
            node = self._first.get(knock)
            return _IGNORED if node is None else self._arrive(source, node, now, None)
        since, node, _ = state
        pause = now - since
        if node.age != self._age and pause <= node.hold:
            place = self._place_of(node)
            if place is None:
                return self._start_over(state, knock, now)
            node = place
        child = node.children.get(knock)
        if child is None:
            if pause > node.hold:
                return self._lapse(state, node, node.hold, knock, now)
            return node.repeated if knock in node.path else self._miss(state, node, knock, now)
        while pause > child.gap:
            if child.slower is None:
                return self._lapse(state, node, child.gap, knock, now)
            child = child.slower
        return self._arrive(source, child, now, state)

    def _place_of(self, node: Node) -> Node | None:
        """Where a caller at `node`, of an earlier tree, stands in the present one; None if nowhere."""
        try:
            return self._places[node]
        except KeyError:
            old = [one for one in node.beyond() if self._still_valid(one, node.age)]
            place = self._places[node] = self.trie.place(node.path, node.floor, old)
            return place

    def _still_valid(self, one: Expected, age: int) -> bool:
        """Whether a sequence of a tree of that age is rotating and of a secret still in force."""
        came = self._holders.get(one.holder)
        return came is not None and came <= age

    def _arrive(self, source: Hashable, node: Node, now: int, state: State | None) -> Verdict:
        if node.children:
            self._stay(source, node, now, state)
        elif state is not None:
            self._leave(state)
        return node.advanced if not node.endings else self._complete(source, node)

    def _complete(self, source: Hashable, node: Node) -> Verdict:
        """What ends at a node: what opens a door goes before what leaves one."""
        fresh, refused = self._use(source, [one for one in node.endings if not one.leaves])
        if fresh:
            return Completed(tuple(fresh), bool(node.children))
        if leaving := [one for one in node.endings if one.leaves]:
            fresh, other = self._use(source, leaving)
            if fresh:
                return Left(tuple(fresh), bool(node.children))
            refused = refused or other
        return refused or _IGNORED

    def _use(
        self, source: Hashable, endings: list[Expected]
    ) -> tuple[list[Expected], Replayed | Doubted | Echoed | None]:
        """Those of `endings` that may be used, and are by this; and why others may not (rule 9)."""
        fresh: list[Expected] = []
        refused: Replayed | None = None
        other: Doubted | Echoed | None = None
        doors = [opening.door for opening in endings]
        before = {opening.claim: self.used.get(opening.claim) for opening in endings}
        for opening in endings:
            if opening.step is None:
                fresh.append(opening)
                continue
            last = before[opening.claim]  # one code for several doors is one use
            if last is not None and opening.step <= last.step:
                if last.step == opening.step and last.source == source and last.door in doors:
                    other = Echoed(opening)
                else:
                    refused = Replayed(opening, last)
            elif opening.step <= self.floor:
                other = Doubted(opening, self.floor)
            else:
                self.used[opening.claim] = Use(opening.step, source, opening.door)
                fresh.append(opening)
        return fresh, refused or other

    def _lapse(self, state: State, node: Node, gap: int, knock: int, now: int) -> Verdict:
        """Rule 6, for a caller at `node` who took longer than `gap`."""
        anew = self._start_over(state, knock, now)
        if isinstance(anew, _ENDS):
            return anew
        return Lapsed(node.stage, node.of, now - state[0], gap, anew is not _IGNORED, node.doors)

    def _miss(self, state: State, node: Node, knock: int, now: int) -> Verdict:
        """Rule 5, for a caller at `node`."""
        if self.misses is not None:
            until = self._count_miss(state[2], self.misses, now)
            if until is not None:
                self._leave(state)
                return Missed(node.stage, node.of, False, until, doors=node.doors)
        anew = self._start_over(state, knock, now)
        if isinstance(anew, _ENDS):
            return anew
        return Missed(node.stage, node.of, anew is not _IGNORED, doors=node.doors)

    def _start_over(self, state: State, knock: int, now: int) -> Verdict:
        """Give up the stage and look at `knock` as a first knock (rules 5 and 6).

        What the knock completes, as a sequence of its own, counts for more than the stage that was lost.
        """
        self._leave(state)
        node = self._first.get(knock)
        return _IGNORED if node is None else self._arrive(state[2], node, now, None)

    def _count_miss(self, source: Hashable, misses: Misses, now: int) -> int | None:
        """Remember a miss; the end of the shunning (ns) if it was one too many."""
        earlier = self._missed.pop(source, ())
        times = (*(time for time in earlier if now - time <= misses.within), now)
        if len(times) >= misses.limit:
            if len(self._shunned) >= self.limit:
                self._shunned.popitem(last=False)
            until = self._shunned[source] = now + misses.shun
            return until
        if len(self._missed) >= self.limit:
            self._missed.popitem(last=False)
        self._missed[source] = times
        return None

    def _stay(self, source: Hashable, node: Node, now: int, state: State | None) -> None:
        """The caller, whose state was `state`, stands at `node` from now on."""
        if state is None:
            while len(self._callers) >= self.limit:
                self._make_room(now)
        else:
            source = state[2]  # one object a source, however often it knocks
        fresh = self._callers[source] = (now, node, source)
        room = self._rooms.get(node.rank)
        if room is None:
            room = self._rooms[node.rank] = _Room()
        room.living += 1
        room.queue.append(fresh)
        if state is not None:
            self._tidy(state)

    def _leave(self, state: State) -> None:
        del self._callers[state[2]]
        self._tidy(state)

    def _tidy(self, state: State) -> None:
        """Count `state` as a leftover of its room, and sweep the room when it has too many."""
        room = self._rooms[state[1].rank]
        living = room.living = room.living - 1
        if len(room.queue) > living + (living >> 1) + _ROOM_SLACK:
            room.queue = deque(one for one in room.queue if self._callers.get(one[2]) is one)

    def _oldest(self, room: _Room) -> State | None:
        """The room's caller with the least time left; leftovers before it are dropped."""
        queue = room.queue
        while queue and self._callers.get(queue[0][2]) is not queue[0]:
            queue.popleft()
        return queue[0] if queue else None

    def _make_room(self, now: int) -> None:
        """Rule 10: one caller goes, first of all one whose gap is over anyway."""
        first: tuple[bool, int, int] | None = None
        for room in self._rooms.values():
            head = self._oldest(room)
            if head is not None:
                node = head[1]
                until = head[0] + node.hold
                order = (now <= until, node.stage, until)
                if first is None or order < first:
                    first, out = order, head
        assert first is not None, "called with callers only"
        self._leave(out)
        if first[0]:
            self.evicted += 1

    def thin(self, now: int, crowd: int, fresh: int) -> int:
        """Forget callers at stage 1 that came in a crowd: in a second in which more than `crowd` came that
        are still there, and more than `fresh` ns ago. How many they were.

        Whoever came before the crowd keeps his place, and so does whoever has more than one knock right.
        """
        first = [room for (stage, _), room in self._rooms.items() if stage == 1]
        present = self._callers
        for room in first:
            room.queue = deque(one for one in room.queue if present.get(one[2]) is one)
        by_second = Counter(one[0] // SECOND for room in first for one in room.queue)
        crowded = {second for second, count in by_second.items() if count > crowd}
        before = len(present)
        for room in first:
            staying: deque[State] = deque()
            for one in room.queue:
                if one[0] // SECOND in crowded and now - one[0] > fresh:
                    del present[one[2]]
                else:
                    staying.append(one)
            room.queue, room.living = staying, len(staying)
        gone = before - len(present)
        self.evicted += gone
        return gone

    def expire(self, now: int) -> list[tuple[Hashable, Advanced]]:
        """Forget callers whose gap is over, old misses and shunnings; those callers and where they stood."""
        gone: list[tuple[Hashable, Advanced]] = []
        for (_, hold), room in self._rooms.items():
            while (head := self._oldest(room)) is not None and now - head[0] > hold:
                self._leave(head)
                gone.append((head[2], head[1].advanced))
        while self._shunned and next(iter(self._shunned.values())) <= now:
            self._shunned.popitem(last=False)
        if self.misses is not None:
            while self._missed and now - next(iter(self._missed.values()))[-1] > self.misses.within:
                self._missed.popitem(last=False)
        return gone

    def forget(self, source: Hashable) -> None:
        """Drop the source's stage, misses and shunning."""
        state = self._callers.get(source)
        if state is not None:
            self._leave(state)
        self._missed.pop(source, None)
        self._shunned.pop(source, None)

    def __len__(self) -> int:
        return len(self._callers)

    def callers(self, now: int) -> Iterator[tuple[Hashable, Advanced, int]]:
        """Those part-way at `now`: source, where it stands, ns left. The tracker may go on meanwhile."""
        for since, node, source in [*self._callers.values()]:
            left = since + node.hold - now
            if left >= 0:
                yield source, node.advanced, left

    def progress_of(self, source: Hashable, now: int) -> tuple[Advanced, int] | None:
        """Where a source is part-way at `now`, and the ns left; None if it is not."""
        state = self._callers.get(source)
        if state is None:
            return None
        left = state[0] + state[1].hold - now
        return None if left < 0 else (state[1].advanced, left)

    def shunned_until(self, source: Hashable, now: int) -> int | None:
        """Until when (ns) a source is shunned at `now`; None if it is not."""
        until = self._shunned.get(source)
        return until if until is not None and until > now else None

    def shunned(self, now: int) -> Iterator[tuple[Hashable, int]]:
        """Those shunned at `now`: source, end of the shunning (ns). The tracker may go on meanwhile."""
        return ((source, until) for source, until in [*self._shunned.items()] if until > now)

    def misses_of(self, source: Hashable, now: int) -> int:
        """How many misses of the source still count towards shunning."""
        if self.misses is None:
            return 0
        return sum(now - time <= self.misses.within for time in self._missed.get(source, ()))
