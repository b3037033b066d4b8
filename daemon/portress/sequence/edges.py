"""The prefix tree as what the guard's maps hold: every node a number, every right knock an edge. Pure.

In: a tree of the sequences in force (and of those just over, which callers under way may still complete), how
long each is in force, and which are used up. Out: `Edges`, the contents of the maps `next`, `right`, `ends`,
`stays`, `checks`, `slower` and `claims`, which `guard/decide.py` explains, and what each number means.

A number means the same node for as long as anybody can stand there, and one that was claimed means no other
sequence while it can be in `spent`: numbers are only ever given out upwards.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

from attrs import define, field, frozen

from portress.knock import SECOND, Expected
from portress.sequence.trie import Node, Path, Trie

MILLISECOND: Final = SECOND // 1000
_MOST: Final = 0xFFFFFFFF
_PARTS: Final = 64
ASK: Final = "ask"  # the chain of a sequence on paper: the daemon opens it, with its use on the disk
USED: Final = "used"  # the chain of a sequence that is used up
ONE: Final = "one."  # before the door's name: what admits only the connection that follows
LEAVE: Final = "leave."  # before the door's name: what ends an admission
BARRED: Final = "barred"  # the chain of one whose keyholder has other hours

Until = int | None  # unix ms; None: for ever
Identity = tuple[bytes, str, int | None]
Key = tuple[Path, int, tuple[Identity, ...]]
Claim = tuple[bytes, int]  # what a use is remembered under, step


@define
class Numbering:
    """Which number stands for which node, and which for which use. 0 is the root."""

    # By parts of their hashes, since a single large table that grows would hold up other threads.
    _parts: list[dict[Key, tuple[int, int]]] = field(factory=lambda: [{} for _ in range(_PARTS)])
    _claims: dict[Claim, tuple[int, int]] = field(factory=dict)  # number, when it was last in a tree (ns)
    last: int = 0
    taken: set[int] = field(factory=set)  # numbers found in the kernel whose meaning is not known

    def node(self, key: Key, now: int) -> int:
        """The number of a node, a new one where it has none."""
        part = self._part(key)
        known = part.get(key)
        number = self._fresh() if known is None else known[0]
        part[key] = (number, now)
        return number

    def claim(self, claim: Claim, node: int, now: int) -> int:
        """The number by which a use is claimed: that of the first end node it was asked for."""
        known = self._claims.get(claim)
        number = node if known is None else known[0]
        self._claims[claim] = (number, now)
        return number

    def claimed(self, claim: bytes, step: int, key: Key) -> int | None:
        """The number by which a use is claimed: its own, or that of an end node found in the kernel."""
        known = self._claims.get((claim, step)) or self._part(key).get(key)
        return None if known is None else known[0]

    def adopt(self, key: Key, number: int, now: int) -> None:
        """A node found in the kernel under this number keeps it."""
        self._part(key).setdefault(key, (number, now))
        self.last = max(self.last, number)

    def avoid(self, numbers: Iterable[int]) -> None:
        """Numbers found in the kernel mean something, and are given to nothing else."""
        self.taken.update(numbers)
        self.last = max([self.last, *self.taken])

    def forget(self, before: int) -> None:
        """Drop what has been in no tree since `before` (ns): nobody stands there, and nothing is spent."""
        for number, part in enumerate(self._parts):
            self._parts[number] = {key: one for key, one in part.items() if one[1] >= before}
        self._claims = {claim: one for claim, one in self._claims.items() if one[1] >= before}

    def _part(self, key: Key) -> dict[Key, tuple[int, int]]:
        return self._parts[hash(key) % _PARTS]

    def _fresh(self) -> int:
        if self.last >= _MOST:  # after years: what was given out then is long forgotten
            self.last = 0
            self.taken |= {number for part in self._parts for number, _ in part.values()}
        self.last += 1
        while self.last in self.taken:
            self.last += 1
        return self.last


@frozen
class Terms:
    """What is known of sequences beside their knocks."""

    until: Callable[[Expected], Until]  # until when one may be begun
    used: Callable[[Expected], bool]  # whether it is used up, or older than the last one used
    chains: frozenset[str]  # the chains there are for what several doors open to
    plain: int  # ms: the pause that needs no entry in `stays`
    spent_for: int  # s that a claim is remembered
    barred: Callable[[Expected], bool] = lambda _: False  # whether its keyholder has other hours
    over: Callable[[Expected], Until] = lambda _: None  # when it opens nothing any more, even if begun


@define
class Edges:
    """What the maps hold, by their keys: nodes are numbers, gaps are whole ms."""

    next: dict[tuple[int, int], tuple[int, Until]] = field(factory=dict)  # (node, knock) -> node
    right: set[tuple[int, int]] = field(factory=set)  # (node, knock): got right on the way there
    ends: dict[int, tuple[str, str]] = field(factory=dict)  # goto or jump, chain
    stays: dict[int, tuple[int, bool]] = field(factory=dict)  # gap, whether shorter ones matter there
    checks: dict[int, tuple[int, bool]] = field(
        factory=dict
    )  # gap to have kept, whether there is a slower twin
    slower: dict[int, int] = field(factory=dict)
    claims: dict[int, int] = field(factory=dict)
    over: dict[int, int] = field(factory=dict)  # ends that are none any more from then on (unix ms)
    nodes: dict[int, Node] = field(factory=dict)

    def crumble(self) -> None:
        """Forget the edges, which the maps hold by now, piece by piece: at a stroke, that would hold up other
        threads. With a thousand keyholders they take 30 MB."""
        while self.next:
            self.next.popitem()
        while self.right:
            self.right.pop()


def build(trie: Trie, opening: Iterable[int], terms: Terms, numbering: Numbering, now: int) -> Edges:
    """The edges of `trie`, whose sequences may be begun by the knocks of `opening`. `now`: ns, monotonic."""
    return _Builder(terms, numbering, now).build(trie, opening)


class _Builder:
    def __init__(self, terms: Terms, numbering: Numbering, now: int) -> None:
        self.terms = terms
        self.numbering = numbering
        self.now = now
        self.edges = Edges()
        self.lives: dict[int, dict[int, Until]] = {}  # by node: gap -> until when it may be begun

    def build(self, trie: Trie, opening: Iterable[int]) -> Edges:
        begun = sorted(set(opening) & trie.root.children.keys())
        for knock in begun:
            child = trie.root.children[knock]
            number = self._settle(child)
            self.edges.next[0, knock] = (number, self._until(number, 0))
        for child in trie.over.values():
            self._settle(child)
        self._mix()
        self.numbering.forget(self.now - 2 * self.terms.spent_for * SECOND)
        return self.edges

    def _settle(self, top: Node) -> int:
        """Number the nodes from `top` on, and enter their edges, the deepest first."""
        order, todo = [], [top]
        while todo:
            node = todo.pop()
            order.append(node)
            todo += node.children.values()
            if node.slower is not None:
                todo.append(node.slower)
        numbers: dict[int, int] = {}
        for node in reversed(order):
            if id(node) not in numbers:
                numbers[id(node)] = self._enter(node, numbers)
        return numbers[id(top)]

    def _enter(self, node: Node, numbers: dict[int, int]) -> int:
        number = self.numbering.node(key_of(node), self.now)
        self.edges.nodes[number] = node
        lives: dict[int, Until] = {}
        for one in node.endings:
            _longest(lives, one.sequence.gap, self.terms.until(one))
        for knock, child in node.children.items():
            beyond = numbers[id(child)]
            for gap, until in self.lives[beyond].items():
                _longest(lives, gap, until)
            self.edges.next[number, knock] = (beyond, self._until(beyond, node.stage))
            self._check(child, node.hold, numbers)
        self.lives[number] = lives
        if node.children:
            self.edges.right.update((number, knock) for knock in node.path)
            hold = node.hold // MILLISECOND
            if hold != self.terms.plain:
                self.edges.stays[number] = (hold, False)
        if node.slower is not None:
            self.edges.slower[number] = numbers[id(node.slower)]
        if node.endings:
            self.edges.ends[number] = self._end(node, number)
        return number

    def _until(self, number: int, stage: int) -> Until:
        """Until when the edge to a node can be of use, from a node of that stage."""
        lives = self.lives[number]
        if None in lives.values():
            return None
        return max((until or 0) + stage * gap // MILLISECOND for gap, until in lives.items())

    def _check(self, child: Node, hold: int, numbers: dict[int, int]) -> None:
        """A pause may be too long for the sequences through `child`, although the caller's state is alive."""
        one: Node | None = child
        while one is not None and one.gap < hold:
            self.edges.checks[numbers[id(one)]] = (one.gap // MILLISECOND, one.slower is not None)
            one = one.slower

    def _mix(self) -> None:
        """At nodes from which something has less time than the state lives, shorter gaps are kept, too."""
        checks, slower = self.edges.checks, self.edges.slower
        if not checks:
            return
        for (number, _), (child, _) in self.edges.next.items():
            one: int | None = child
            while number and one is not None:
                if one in checks:
                    hold = self.edges.nodes[number].hold // MILLISECOND
                    self.edges.stays[number] = (hold, True)
                    break
                one = slower.get(one)

    def _end(self, node: Node, number: int) -> tuple[str, str]:
        how = "jump" if node.children else "goto"
        for one in node.endings:
            if one.step is None and not one.leaves:
                return how, f"open_{one.door}"
        live = [one for one in node.endings if not self.terms.used(one)]
        if not live:
            return how, USED
        opening = [one for one in live if not one.leaves]
        if not opening:  # whoever is in may leave at any hour
            first = live[0]
            if first.step is None:
                return how, f"leave_{first.door}"
            return self._claimed(first, number, how), f"claim_{LEAVE}{first.door}"
        rotating = [one for one in opening if one.paper is None]
        if not rotating:
            return how, ASK
        first = rotating[0]
        how = self._claimed(first, number, how)
        over = self.terms.over(first)
        if over is not None:
            self.edges.over[number] = over
        if self.terms.barred(first):
            return how, BARRED
        doors = [one.door for one in rotating if (one.claim, one.step) == (first.claim, first.step)]
        together = f"claim_{'.'.join(doors)}"
        alone = f"claim_{ONE if first.one_connection else ''}{first.door}"
        return how, together if len(doors) > 1 and together in self.terms.chains else alone

    def _claimed(self, first: Expected, number: int, how: str) -> str:
        """An end node claims `first`, perhaps by another's number: how to go on from there."""
        assert first.step is not None
        claim = self.numbering.claim((first.claim, first.step), number, self.now)
        if claim == number:
            return how
        self.edges.claims[number] = claim
        return "goto"  # what is in the register then is no node to go on from


def key_of(node: Node) -> Key:
    """What a node's number depends on."""
    ids = tuple((one.claim, one.door, one.step) for one in node.endings if one.step is not None)
    return node.path, node.floor, ids


def _longest(lives: dict[int, Until], gap: int, until: Until) -> None:
    known = lives.get(gap, 0)
    lives[gap] = None if known is None or until is None else max(known, until)
