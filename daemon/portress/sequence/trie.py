"""All sequences now in force as one prefix tree: a caller's state is a node of it.

Expected sequences come in; nodes that know their children, their gaps and what ends at them go out.
A tree is never changed once made. Building one may happen in another thread.

Sequences that share a beginning may differ in their gaps. A caller too slow for some of them goes on at
a twin of the node, from which only the others go on: so the node alone says what a caller can complete.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import lru_cache
from itertools import count
from typing import Final

from portress.knock import Expected
from portress.verdict import Advanced, Repeated

_NO_CHILDREN: Final[dict[int, Node]] = {}
_ages: Final = count(1)

Path = tuple[int, ...]
Twins = dict[tuple[Path, int], "Node"]


class Node:
    """A stage of one or more sequences that share their beginning, and lead to `doors`. All gaps in ns.

    `gap` is the shortest gap of the sequences that pass through this node, `longest` the longest of them.
    From the second stage on, where the two differ, `slower` is the twin of this node without the sequences
    of the gap `gap`. `floor` is the gap up to which sequences are left out at this node and beyond it.
    `hold` is how long a caller's state lives here: the longest gap of the sequences that go on.
    """

    __slots__ = (
        "advanced",
        "age",
        "children",
        "doors",
        "endings",
        "floor",
        "gap",
        "hold",
        "longest",
        "of",
        "path",
        "rank",
        "repeated",
        "slower",
        "stage",
    )

    def __init__(self, path: Path, age: int, floor: int) -> None:
        self.path = path
        self.stage = len(path)
        self.age = age
        self.floor = floor
        self.children: dict[int, Node] = _NO_CHILDREN
        self.endings: tuple[Expected, ...] = ()
        self.slower: Node | None = None
        self.of = self.stage
        self.gap = self.longest = self.hold = 0
        self.doors: tuple[str, ...] = ()
        self.rank, self.advanced, self.repeated = _UNSETTLED

    def beyond(self) -> Iterator[Expected]:
        """The sequences that go on from here."""
        todo = list(self.children.values())
        while todo:
            node = todo.pop()
            yield from node.endings
            todo.extend(node.children.values())


@lru_cache(maxsize=1024)
def _marks(
    stage: int, hold: int, of: int, doors: tuple[str, ...]
) -> tuple[tuple[int, int], Advanced, Repeated]:
    """What nodes have in common, made once: the tracker's room, the verdicts of going on and repeating."""
    return (stage, hold), Advanced(stage, of, doors), Repeated(stage)


_UNSETTLED: Final = _marks(0, 0, 0, ())


class Trie:
    """The prefix tree of `expected`.

    `opening` holds the first knocks. Those of `lately` can be gone on with, but not begun. `age` is higher
    the later a tree was made, and every node carries its tree's. `rotating` holds those who have rotating
    sequences: (keyholder, door, claim).
    """

    __slots__ = ("age", "opening", "over", "root", "rotating")

    def __init__(self, expected: Iterable[Expected] = (), lately: Iterable[Expected] = ()) -> None:
        self.age = next(_ages)
        present = tuple(expected)
        everything = (*present, *lately)
        self.rotating = frozenset(one.holder for one in present if one.step is not None)
        self.root = self._grow((), 0, everything)
        self.over: dict[int, Node] = {}  # by first knocks that begin nothing any more
        self.opening = frozenset(one.sequence.knocks[0] for one in present)
        if lately:
            branches = self.root.children
            self.over = {knock: branches[knock] for knock in branches.keys() - self.opening}
            self.root.children = {knock: branches[knock] for knock in branches.keys() & self.opening}

    def _grow(self, path: Path, floor: int, expected: Iterable[Expected]) -> Node:
        """A node at `path`, from which the rest of `expected`, which all begin with that path, goes on."""
        top = Node(path, self.age, floor)
        nodes = [top]
        for one in expected:
            node = top
            for knock in one.sequence.knocks[top.stage :]:
                child = node.children.get(knock)
                if child is None:
                    if not node.children:
                        node.children = {}
                    number = int(knock)
                    child = node.children[number] = Node((*node.path, number), self.age, floor)
                    nodes.append(child)
                node = child
            node.endings = (*node.endings, one)
        twins: Twins = {}
        for node in reversed(nodes):
            _settle(node, twins)
        return top

    def at(self, path: Path, floor: int = 0) -> Node | None:
        """The node that `path` leads to, or None; with `floor`, only of the sequences with a longer gap."""
        node: Node | None = self.root
        for knock in path:
            if node is self.root and knock in self.over:
                node = self.over[knock]
            else:
                node = node.children.get(knock) if node is not None else None
        while node is not None and node.gap <= floor and path:
            node = node.slower
        return node

    def place(self, path: Path, floor: int, old: Iterable[Expected]) -> Node | None:
        """The place of a caller who came along `path` in an earlier tree; None if nothing goes on from there.

        `old` are the rotating sequences of the earlier tree that may still be completed, also where they are
        no longer in this one. `floor` is that of the node where the caller stood.
        """
        node = self.at(path, floor)
        present = list(node.beyond()) if node is not None else []
        known = {(one.holder, one.step) for one in present}
        only_old = [one for one in old if (one.holder, one.step) not in known]
        if only_old:
            return self._grow(path, floor, present + only_old)
        return node if present else None

    @property
    def longest_hold(self) -> int:
        """The longest time (ns) for which any caller's state lives; 0 for an empty tree."""
        longest, todo = 0, [self.root]
        while todo:
            node = todo.pop()
            todo.extend(node.children.values())
            if node is not self.root and node.hold > longest:
                longest = node.hold
        return longest


def _settle(node: Node, twins: Twins) -> None:
    """Work out a node's gaps and doors from what is beyond it, whose nodes are settled already."""
    children = node.children.values()
    if len(children) == 1 and not node.endings:  # most nodes by far
        (child,) = children
        node.gap, node.longest, node.hold = child.gap, child.longest, child.longest
        node.of, node.doors = child.of, child.doors
    else:
        gaps = [one.sequence.gap for one in node.endings]
        doors = [one.door for one in node.endings]
        for child in children:
            gaps += (child.gap, child.longest)
            doors += child.doors
            node.hold = max(node.hold, child.longest)
            node.of = max(node.of, child.of)
        node.gap, node.longest = min(gaps, default=0), max(gaps, default=0)
        node.doors = tuple(dict.fromkeys(doors))
    node.rank, node.advanced, node.repeated = _marks(node.stage, node.hold, node.of, node.doors)
    node.doors = node.advanced.doors
    if node.gap < node.longest and node.stage > 1:
        node.slower = _twin(node, node.gap, twins)


def _twin(node: Node, floor: int, twins: Twins) -> Node:
    """`node` without the sequences whose gap is `floor` or shorter; some are left."""
    twin = twins.get((node.path, floor))
    if twin is None:
        twin = twins[node.path, floor] = Node(node.path, node.age, floor)
        twin.endings = tuple(one for one in node.endings if one.sequence.gap > floor)
        left = {k: _twin(child, floor, twins) for k, child in node.children.items() if child.longest > floor}
        twin.children = left or _NO_CHILDREN
        _settle(twin, twins)
    return twin
