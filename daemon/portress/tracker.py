"""The tracker: (source, knock, now) -> Verdict. No clock, no socket, no thread: pure.

The rules it holds (DESIGN, "The tracker's rules"; what a knock is, rule 1, was decided before it):

 2. At stage 0, a knock that opens no sequence leaves no state at all.
 3. The right next knock moves the caller on and restarts its gap.
 4. A knock the caller already got right in this run changes nothing: not the stage, not the gap.
 5. Any other knock is a miss: the stage is lost, and the same knock is then looked at as a first knock.
 6. A knock later than the gap after the last right one finds the state expired, and is looked at as a
    first knock. Exactly at the gap is in time.
 7. The last knock completes. The state is gone, unless a longer sequence goes on from there.
 9. A rotating sequence completes once. Again from the same source it is an echo; from another, or of a
    step older than the last one used, a replay.
10. At most `limit` sources are remembered; when full, the one with the least time left at the lowest
    stage goes first.

After `misses.limit` misses within `misses.within`, a source is shunned: its knocks are ignored.

How it works: `_callers` maps a source to its state, a tuple (since, node, source). Every state also
stands in the queue of its room, the states of one (stage, hold), which is in order of deadlines because
time does not go back. A state that is no longer the caller's present one is passed over there, and swept
out once such leftovers outnumber the living. So expiry and rule 10 cost nothing per knock.

A tree replaced while callers are under way (a new time step) leaves them their place: the path they came
is looked up in the new tree, and the old node serves where the new tree no longer has it.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Hashable, Iterator, Mapping

from portress.config import Misses
from portress.knock import Expected
from portress.sequence.trie import Node, Trie
from portress.verdict import (
    Advanced,
    Completed,
    Echoed,
    Ignored,
    Lapsed,
    Missed,
    Replayed,
    Shunned,
    Use,
    Verdict,
)

State = tuple[int, Node, Hashable]

_IGNORED = Ignored()
_ENDS = (Completed, Replayed, Echoed)
_ROOM_SLACK = 64  # leftovers a room's queue may hold beyond the number of the living


class _Room:
    """The callers at one stage with one hold, oldest first; `living` of the queue's states are present."""

    __slots__ = ("living", "queue")

    def __init__(self) -> None:
        self.queue: deque[State] = deque()
        self.living = 0


class Tracker:
    """Tracks every source through the stages of the sequences in `trie`.

    `now` is in ns and never goes back. `limit` (>= 1) bounds the callers, and separately the sources
    whose misses or shunning are remembered. `used` holds the rotating sequences already used up, by
    (keyholder, door).
    """

    def __init__(
        self,
        trie: Trie,
        *,
        limit: int = 65536,
        misses: Misses | None = None,
        used: Mapping[tuple[str, str], Use] | None = None,
    ) -> None:
        self.limit = limit
        self.misses = misses
        self.used: dict[tuple[str, str], Use] = dict(used or {})
        self._callers: dict[Hashable, State] = {}
        self._rooms: dict[tuple[int, int], _Room] = {}
        self._missed: OrderedDict[Hashable, deque[int]] = OrderedDict()
        self._shunned: OrderedDict[Hashable, int] = OrderedDict()
        self.evicted = 0  # callers that rule 10 sent away
        self.replace(trie)

    def replace(self, trie: Trie) -> None:
        """Expect the sequences of `trie` from now on. Callers under way keep their place."""
        self.trie = trie
        self._first = trie.root.children
        self._age = trie.age

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
        child = node.children.get(knock) if node.age is self._age else self._carried(node, knock)
        pause = now - since
        if child is not None and pause <= child.gap:
            return self._arrive(source, child, now, state)
        if pause > node.hold or child is not None:
            gap = node.hold if child is None else child.gap
            anew = self._start_over(state, knock, now)
            lapsed = Lapsed(node.stage, node.of, pause, gap, anew is not _IGNORED, node.doors)
            return anew if isinstance(anew, _ENDS) else lapsed
        if knock in node.path:
            return node.repeated
        return self._miss(state, knock, now)

    def _carried(self, node: Node, knock: int) -> Node | None:
        """Where `knock` leads a caller whose node is of a tree since replaced."""
        present = self.trie.at(node.path)
        child = present.children.get(knock) if present is not None else None
        return child if child is not None else node.children.get(knock)

    def _arrive(self, source: Hashable, node: Node, now: int, state: State | None) -> Verdict:
        if node.children:
            self._place(source, node, now, state)
        elif state is not None:
            self._leave(state)
        return node.advanced if not node.endings else self._complete(source, node)

    def _complete(self, source: Hashable, node: Node) -> Verdict:
        fresh: list[Expected] = []
        refused: Replayed | None = None
        echoed: Echoed | None = None
        for opening in node.endings:
            if opening.keyholder is None or opening.step is None:
                if node.age is self._age:
                    fresh.append(opening)
                continue
            if (opening.door, opening.keyholder) not in self.trie.serves:
                continue
            key = (opening.keyholder, opening.door)
            last = self.used.get(key)
            if last is None or opening.step > last.step:
                self.used[key] = Use(opening.step, source)
                fresh.append(opening)
            elif opening.step == last.step and last.source == source:
                echoed = Echoed(opening)
            else:
                refused = Replayed(opening, last)
        if fresh:
            return Completed(tuple(fresh), bool(node.children))
        return refused or echoed or _IGNORED

    def _miss(self, state: State, knock: int, now: int) -> Verdict:
        _, node, source = state
        until = self._count_miss(source, now) if self.misses is not None else None
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

    def _count_miss(self, source: Hashable, now: int) -> int | None:
        """Remember a miss; the end of the shunning (ns) if it was one too many."""
        assert self.misses is not None
        times = self._missed.pop(source, None) or deque(maxlen=self.misses.limit)
        times.append(now)
        if len(times) == self.misses.limit and now - times[0] <= self.misses.within:
            until = now + self.misses.shun
            if len(self._shunned) >= self.limit:
                self._shunned.popitem(last=False)
            self._shunned[source] = until
            return until
        if len(self._missed) >= self.limit:
            self._missed.popitem(last=False)
        self._missed[source] = times
        return None

    def _place(self, source: Hashable, node: Node, now: int, state: State | None) -> None:
        if state is not None:
            self._rooms[state[1].rank].living -= 1
        elif len(self._callers) >= self.limit:
            self._make_room(now)
        fresh = (now, node, source)
        self._callers[source] = fresh
        room = self._rooms.get(node.rank)
        if room is None:
            room = self._rooms[node.rank] = _Room()
        room.living += 1
        room.queue.append(fresh)
        if len(room.queue) > 2 * room.living + _ROOM_SLACK:
            room.queue = deque(one for one in room.queue if self._callers.get(one[2]) is one)

    def _leave(self, state: State) -> None:
        del self._callers[state[2]]
        self._rooms[state[1].rank].living -= 1

    def _oldest(self, room: _Room) -> State | None:
        """The room's caller with the least time left; leftovers before it are dropped."""
        queue = room.queue
        while queue and self._callers.get(queue[0][2]) is not queue[0]:
            queue.popleft()
        return queue[0] if queue else None

    def _make_room(self, now: int) -> None:
        """Rule 10: one caller goes, unless some had expired anyway."""
        if self.expire(now):
            return
        heads = [head for room in self._rooms.values() if (head := self._oldest(room)) is not None]
        self._leave(min(heads, key=lambda head: (head[1].stage, head[0] + head[1].hold)))
        self.evicted += 1

    def expire(self, now: int) -> list[tuple[Hashable, Advanced]]:
        """Forget callers whose gap is over, old misses and shunnings; those callers and where they stood."""
        gone: list[tuple[Hashable, Advanced]] = []
        for (_, hold), room in self._rooms.items():
            while (head := self._oldest(room)) is not None and now - head[0] > hold:
                room.queue.popleft()
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
        """Those part-way at `now`: source, where it stands, ns left."""
        for since, node, source in self._callers.values():
            left = since + node.hold - now
            if left >= 0:
                yield source, node.advanced, left

    def shunned(self, now: int) -> Iterator[tuple[Hashable, int]]:
        """Those shunned at `now`: source, end of the shunning (ns)."""
        return ((source, until) for source, until in self._shunned.items() if until > now)

    def misses_of(self, source: Hashable, now: int) -> int:
        """How many misses of the source still count towards shunning."""
        if self.misses is None:
            return 0
        return sum(now - time <= self.misses.within for time in self._missed.get(source, ()))
