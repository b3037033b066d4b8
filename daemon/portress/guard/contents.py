"""What the maps of a guard that decides hold: as the kernel has it, and as nft text. Pure.

In: the edges of a tree (`sequence/edges.py`). Out: `Contents`, by map and key; single keys and data.
What the maps are for is explained in `decide.py`.
"""

from __future__ import annotations

import sys
from struct import Struct
from typing import Final

from portress.knock import PROTOCOL_NAMES
from portress.sequence.edges import Edges, Until

VERDICTS: Final = ("ends", "stays", "checks")
MAPS: Final = ("next", "right", "ends", "stays", "checks", "slower", "claims")

Contents = dict[str, dict[bytes, tuple[bytes, Until]]]  # by map: key -> data, until when (unix ms)
_NODE: Final = Struct("=I").pack


def staying(gap: int, mixed: bool, first: bool) -> str:
    """The chain that lets a caller stay at a node for `gap` ms; `first`: after the first knock."""
    return f"{'begin' if first else 'stay'}_{gap}{'_mixed' if mixed else ''}"


def checking(gap: int, twin: bool) -> str:
    """The chain that looks whether the pause was `gap` ms at the most."""
    return f"slow_{gap}" if twin else f"over_{gap}"


def contents(edges: Edges) -> Contents:
    """What each map holds, as the kernel has it: verdicts are text, `goto open_ssh`."""
    found: Contents = {name: {} for name in MAPS}
    for (node, knock), (beyond, until) in edges.next.items():
        found["next"][edge_key(node, knock)] = (_NODE(beyond), until)
    for node, knock in edges.right:
        found["right"][edge_key(node, knock)] = (b"", None)
    for node, (how, chain) in edges.ends.items():
        found["ends"][_NODE(node)] = (f"{how} {chain}".encode(), edges.over.get(node))
    for node, (gap, mixed) in edges.stays.items():
        chain = staying(gap, mixed, edges.nodes[node].stage == 1)
        found["stays"][_NODE(node)] = (f"goto {chain}".encode(), None)
    for node, (gap, twin) in edges.checks.items():
        found["checks"][_NODE(node)] = (f"jump {checking(gap, twin)}".encode(), None)
    for name, pairs in (("slower", edges.slower), ("claims", edges.claims)):
        found[name] = {_NODE(node): (_NODE(other), None) for node, other in pairs.items()}
    return found


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
