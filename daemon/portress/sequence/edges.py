"""The prefix tree as what the guard's maps hold: every node a number, every right knock an edge. Pure.

In: a tree of the sequences in force (and of those just over, which callers under way may still complete), how
long each is in force, and which are used up. Out: `Edges`, the contents of the maps `next`, `ends`, `stays`,
 `checks`, `slower` and `claims`, which `guard/decide.py` explains, and what each number means.

A number means the same node for as long as anybody can stand there, and one that was claimed means no other
sequence while it can be in `spent`: numbers are only ever given out upwards.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable
from typing import Final

from attrs import define, field, frozen

from portress.knock import SECOND, Expected
from portress.sequence.trie import Node, Trie

MILLISECOND: Final = SECOND // 1000
_BITS: Final = 30  # of a number: two more say what a node is (`guard/contents.py`)
_MOST: Final = (1 << _BITS) - 1
_PARTS: Final = 64
_HEAD: Final = struct.Struct("=HQ").pack
_ENDING: Final = struct.Struct("=HQ").pack
_LATELY: Final = 120 * SECOND  # ns that a node keeps its number when it is in no tree
ASK: Final = "ask"  # the chain of a sequence on paper: the daemon opens it, with its use on the disk
USED: Final = "used"  # the chain of a sequence that is used up
ONE: Final = "one."  # before the door's name: what admits only the connection that follows
LEAVE: Final = "leave."  # before the door's name: what ends an admission
BARRED: Final = "barred"  # the chain of one whose keyholder has other hours

Until = int | None  # unix ms; None: for ever
Key = bytes  # what a node's number depends on
Claim = tuple[bytes, int]  # what a use is remembered under, step


@define
class Numbering:
    """Which number stands for which node, and which for which use. 0 is the root."""

    # A number, and above it when it was last in a tree (s). By parts of their hashes, since a single large
    # table that grows would hold up other threads.
    _parts: list[dict[Key, int]] = field(factory=lambda: [{} for _ in range(_PARTS)])
    _claims: dict[int, dict[bytes, int]] = field(factory=dict)  # the number, by step and claim
    _seen: dict[int, int] = field(factory=dict)  # when a step was last in a tree (s)
    last: int = 0
    taken: set[int] = field(factory=set)  # numbers found in the kernel whose meaning is not known

    def node(self, key: Key, now: int) -> int:
        """The number of a node, a new one where it has none."""
        part = self._part(key)
        known = part.get(key)
        number = self._fresh() if known is None else known & _MOST
        part[key] = number | now // SECOND << _BITS
        return number

    def claim(self, claim: Claim, node: int, now: int) -> int:
        """The number by which a use is claimed: that of the first end node it was asked for."""
        name, step = claim
        self._seen[step] = now // SECOND
        return self._claims.setdefault(step, {}).setdefault(name, node)

    def claimed(self, claim: bytes, step: int, key: Key) -> int | None:
        """The number by which a use is claimed: its own, or that of an end node found in the kernel."""
        known = self._claims.get(step, {}).get(claim)
        if known is None and (packed := self._part(key).get(key)) is not None:
            known = packed & _MOST
        return known

    def adopt(self, key: Key, number: int, now: int) -> None:
        """A node found in the kernel under this number keeps it."""
        self._part(key).setdefault(key, number | now // SECOND << _BITS)
        self.last = max(self.last, number)

    def avoid(self, numbers: Iterable[int]) -> None:
        """Numbers found in the kernel mean something, and are given to nothing else."""
        self.taken.update(numbers)
        self.last = max([self.last, *self.taken])

    def forget(self, nodes: int, claims: int) -> None:
        """Drop nodes that have been in no tree since the moment `nodes`: nobody stands there who could go
        on, and one that comes back gets another number. And claims that have been in none since the moment
        `claims`: nothing is spent (both ns)."""
        oldest = nodes // SECOND << _BITS
        for number, part in enumerate(self._parts):
            self._parts[number] = {key: one for key, one in part.items() if one >= oldest}
        for step in [step for step, seen in self._seen.items() if seen < claims // SECOND]:
            del self._seen[step], self._claims[step]

    def _part(self, key: Key) -> dict[Key, int]:
        return self._parts[hash(key) % _PARTS]

    def _fresh(self) -> int:
        if self.last >= _MOST:  # after years: what was given out then is long forgotten
            self.last = 0
            self.taken |= {one & _MOST for part in self._parts for one in part.values()}
            self.taken |= {number for claims in self._claims.values() for number in claims.values()}
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
        self.moments: dict[int, int] = {}  # few, and each in many edges: kept once

    def build(self, trie: Trie, opening: Iterable[int]) -> Edges:
        begun = sorted(set(opening) & trie.root.children.keys())
        for knock in begun:
            child = trie.root.children[knock]
            number = self._settle(child)
            self.edges.next[0, knock] = (number, self._until(number, 0))
            self.lives.clear()
        for child in trie.over.values():
            self._settle(child)
            self.lives.clear()
        self._mix()
        self.numbering.forget(self.now - _LATELY, self.now - 2 * self.terms.spent_for * SECOND)
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
        until = max((until or 0) + stage * gap // MILLISECOND for gap, until in lives.items())
        return self.moments.setdefault(until, until)

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
    """What a node's number depends on: its path, its floor and what rotating ends there."""
    count = len(node.path)
    parts = [_HEAD(count, node.floor), struct.pack(f"={count}I", *node.path)]
    for one in node.endings:
        if one.step is not None:
            parts += (_ENDING(len(one.claim), one.step), one.claim, one.door.encode(), b"\0")
    return b"".join(parts)


def _longest(lives: dict[int, Until], gap: int, until: Until) -> None:
    known = lives.get(gap, 0)
    lives[gap] = None if known is None or until is None else max(known, until)
