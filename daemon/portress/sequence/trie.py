"""All sequences now in force as one prefix tree: a caller's state is a node of it.

Expected sequences come in; nodes that know their children, their gap and what ends at them go out.
A tree is never changed once made. Building one may happen in another thread.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from portress.knock import Expected
from portress.verdict import Advanced, Repeated

_NO_CHILDREN: Final[dict[int, Node]] = {}


class Node:
    """A stage of one or more sequences that share their beginning, and lead to `doors`.

    `gap` is the longest pause (ns) with which this node may be reached from its parent: the largest
    gap among the sequences that pass through it. `hold` is how long a caller's state lives here.
    """

    __slots__ = (
        "advanced",
        "age",
        "children",
        "doors",
        "endings",
        "gap",
        "hold",
        "of",
        "path",
        "rank",
        "repeated",
        "stage",
    )

    def __init__(self, path: tuple[int, ...], age: object) -> None:
        self.path = path
        self.stage = len(path)
        self.of = self.stage
        self.age = age
        self.gap = 0
        self.hold = 0
        self.children: dict[int, Node] = _NO_CHILDREN
        self.endings: tuple[Expected, ...] = ()
        self.doors: tuple[str, ...] = ()
        self.rank = (0, 0)
        self.advanced = _FIRST_ADVANCED
        self.repeated = _FIRST_REPEATED


_FIRST_ADVANCED: Final = Advanced(1, 1)
_FIRST_REPEATED: Final = Repeated(1)


class Trie:
    """The prefix tree of `expected`.

    `opening` holds the first knocks, `serves` the (door, keyholder) pairs, and `age` tells one tree's
    nodes from another's.
    """

    __slots__ = ("age", "opening", "root", "serves")

    def __init__(self, expected: Iterable[Expected] = ()) -> None:
        self.age = object()
        self.root = Node((), self.age)
        nodes: list[Node] = []
        serves: set[tuple[str, str | None]] = set()
        for one in expected:
            self._plant(one, nodes)
            serves.add((one.door, one.keyholder))
        self.opening = frozenset(self.root.children)
        self.serves = frozenset(serves)
        self._finish(nodes)

    def _plant(self, one: Expected, nodes: list[Node]) -> None:
        gap, length = one.sequence.gap, len(one.sequence.knocks)
        node = self.root
        for knock in one.sequence.knocks:
            child = node.children.get(knock)
            if child is None:
                if not node.children:
                    node.children = {}
                child = node.children[int(knock)] = Node((*node.path, int(knock)), self.age)
                nodes.append(child)
            if gap > child.gap:
                child.gap = gap
            if gap > node.hold:
                node.hold = gap
            if length > child.of:
                child.of = length
            if one.door not in child.doors:
                child.doors = (*child.doors, one.door)
            node = child
        node.endings = (*node.endings, one)

    @staticmethod
    def _finish(nodes: list[Node]) -> None:
        ranks: dict[tuple[int, int], tuple[int, int]] = {}
        advanced: dict[tuple[int, int, tuple[str, ...]], Advanced] = {}
        repeated: dict[int, Repeated] = {}
        for node in nodes:
            rank = (node.stage, node.hold)
            node.rank = ranks.setdefault(rank, rank)
            key = (node.stage, node.of, node.doors)
            if key not in advanced:
                advanced[key] = Advanced(*key)
                repeated[node.stage] = Repeated(node.stage)
            node.advanced = advanced[key]
            node.repeated = repeated[node.stage]

    def at(self, path: tuple[int, ...]) -> Node | None:
        """The node that `path` leads to, or None."""
        node: Node | None = self.root
        for knock in path:
            node = node.children.get(knock) if node is not None else None
        return node

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
