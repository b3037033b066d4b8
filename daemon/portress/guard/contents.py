"""What the maps of a guard that decides hold: as the kernel has it, and as nft text. Pure.

In: the edges of a tree (`sequence/edges.py`). Out: `Contents`, by map and key; single keys and data.
What the maps are for is explained in `decide.py`.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from struct import Struct
from typing import Final, TypeVar

from portress.knock import PROTOCOL_NAMES
from portress.sequence.edges import Edges, Until

VERDICTS: Final = ("ends", "stays", "checks")
MAPS: Final = ("next", "ends", "stays", "checks", "slower", "claims")
# In what an edge leads to: something ends at that node; it is none, the knock was got right on the way there.
END: Final = 0x80000000
AGAIN: Final = 0x40000000

Items = dict[bytes, tuple[bytes, Until]]  # key -> data, until when (unix ms)
Contents = dict[str, Items]  # by map
One = TypeVar("One")
_NODE: Final = Struct("=I").pack
_RIGHT: Final[tuple[bytes, Until]] = (_NODE(AGAIN), None)


def staying(gap: int, mixed: bool, first: bool) -> str:
    """The chain that lets a caller stay at a node for `gap` ms; `first`: after the first knock."""
    return f"{'begin' if first else 'stay'}_{gap}{'_mixed' if mixed else ''}"


def checking(gap: int, twin: bool) -> str:
    """The chain that looks whether the pause was `gap` ms at the most."""
    return f"slow_{gap}" if twin else f"over_{gap}"


def contents(edges: Edges, like: Contents | None = None) -> Contents:
    """What each map holds, as the kernel has it: verdicts are text, `goto open_ssh`. The edges go over into
    it: `next` and `right` are empty then. What is in `like`, too, is not kept a second time."""
    made: dict[tuple[bytes, Until], tuple[bytes, Until]] = {}  # the same of many nodes: kept once

    def item(text: str, until: Until = None) -> tuple[bytes, Until]:
        whole = (text.encode(), until)
        return made.setdefault(whole, whole)

    found: Contents = {}
    for name in MAPS:
        new = found[name] = {}
        if name == "next":
            for edge in _drained(edges.next):
                beyond, until = edges.next.pop(edge)
                new[edge_key(*edge)] = (_NODE(_led(edges, beyond)), until)
            right = _drained(edges.right)
            edges.right.clear()
            new.update((edge_key(*edge), _RIGHT) for edge in right)
        elif name == "ends":
            for node, (how, chain) in edges.ends.items():
                new[_NODE(node)] = item(f"{how} {chain}", edges.over.get(node))
        elif name == "stays":
            for node, (gap, mixed) in edges.stays.items():
                chain = staying(gap, mixed, edges.nodes[node].stage == 1)
                new[_NODE(node)] = item(f"goto {chain}")
        elif name == "checks":
            for node, (gap, twin) in edges.checks.items():
                new[_NODE(_led(edges, node))] = item(f"jump {checking(gap, twin)}")
        elif name == "slower":
            for node, other in edges.slower.items():
                new[_NODE(_led(edges, node))] = (_NODE(_led(edges, other)), None)
        else:
            new.update((_NODE(node), (_NODE(other), None)) for node, other in edges.claims.items())
        if like is not None:
            found[name] = _shared(new, like.get(name, {}))
    return found


def _drained(keys: Iterable[One]) -> Iterator[One]:
    """Each of `keys` in order, which are held no longer then."""
    left = [*keys]
    left.reverse()

    def each() -> Iterator[One]:
        while left:
            yield left.pop()

    return each()


def _shared(new: Items, old: Items) -> Items:
    """`new`, with the very keys and values of `old` where both have the same."""
    shared = {key: one for key, one in old.items() if new.get(key) == one}
    shared.update((key, one) for key, one in new.items() if key not in shared)
    return shared


def _led(edges: Edges, node: int) -> int:
    """A node as what edges lead to."""
    return node | END if node in edges.ends else node


def led_to(data: bytes) -> int | None:
    """The node that an edge leads to; None if it leads nowhere, for the knock was got right before."""
    return None if number_of(data) == AGAIN else node_of(data)


def node_of(data: bytes) -> int:
    """The node that an edge leads to, alone."""
    return number_of(data) & ~END


def edge_key(node: int, knock: int) -> bytes:
    """The key of an edge: node, protocol and port, each filled up to four bytes."""
    return _NODE(node) + bytes((knock >> 16, 0, 0, 0)) + (knock & 0xFFFF).to_bytes(2, "big") + b"\0\0"


def edge_of(key: bytes) -> tuple[int, int]:
    """The node and the knock of an edge's key."""
    return int.from_bytes(key[:4], sys.byteorder), key[4] << 16 | int.from_bytes(key[8:10], "big")


def node_key(number: int) -> bytes:
    """A node as a key."""
    return _NODE(number)


def number_of(data: bytes) -> int:
    """The number in a key or in data."""
    return int.from_bytes(data, sys.byteorder)


def elements(held: Contents, now: int) -> dict[str, list[str]]:
    """The elements as nft text, by map. `now`: unix ms; what is over by then is left out."""
    found: dict[str, list[str]] = {}
    for name, items in held.items():
        lines = found[name] = []
        for key, (data, until) in items.items():
            if until is not None and until <= now:
                continue
            node, knock = (*edge_of(key),) if len(key) == 12 else (number_of(key), 0)
            text = f"{node}" if not knock else f"{node} . {PROTOCOL_NAMES[knock >> 16]} . {knock & 0xFFFF}"
            if until is not None:
                text += f" timeout {until - now}ms"
            if data:
                text += f" : {data.decode() if name in VERDICTS else number_of(data)}"
            lines.append(text)
    return found
