"""Who is in which set of the guard, as changes to its elements. Pure: `elements` makes them.

In: sources or knocks, and the sets they are to be in or out of. Out: `ElementChanges`, one transaction each.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from portress.guard.elements import ElementChanges
from portress.guard.language import TABLE
from portress.guard.one_connection import CLAIM, NEAR, ONE
from portress.knock import SECOND, Source

_MILLISECOND: Final = SECOND // 1000
_NFPROTO: Final = {4: bytes((2,)), 6: bytes((10,))}  # NFPROTO_IPV4, NFPROTO_IPV6


def _ms(ns: int) -> int:
    return max(1, -(-ns // _MILLISECOND))


def started(entries: Iterable[tuple[str, Source, int]], *, new: bool, came: bool) -> ElementChanges:
    """Sources in sets (set, source, ns) for so long from now. `new`: none of them is there; else making the
    changes raises FileExistsError. `came`: single connections that came already come no second time."""
    by_set: dict[str, dict[bytes, int]] = {}
    for name, source, ns in entries:
        timed = by_set.get(name)
        if timed is None:
            timed = by_set[name] = {}
        timed[source.key] = _ms(ns)
        if source.port:
            by_set.setdefault(name.replace(ONE, NEAR), {})[source.packed] = _ms(ns)
    changes = ElementChanges(TABLE)
    for name, timed in by_set.items():
        if new and NEAR not in name:
            changes.add(name, timed.items(), new=True)
        else:
            changes.restart(name, timed.items())
        if ONE in name and not came:
            changes.end(name.replace(ONE, CLAIM), timed)
    return changes


def ended(entries: Iterable[tuple[str, Source]]) -> ElementChanges:
    """Sources in sets no more. One that is not there is no error."""
    by_set: dict[str, list[bytes]] = {}
    for name, source in entries:
        by_set.setdefault(name, []).append(source.key)
    changes = ElementChanges(TABLE)
    for name, keys in by_set.items():
        changes.end(name, keys)
    return changes


def held_back(name: str, family: int, ns: int) -> ElementChanges:
    """An address family (4 or 6) in a set of those, for so many ns from now."""
    changes = ElementChanges(TABLE)
    changes.restart(name, {_NFPROTO[family]: _ms(ns)}.items())
    return changes


def opening(gone: Iterable[int], come: Iterable[int]) -> ElementChanges:
    """First knocks replaced. `gone` must be there, `come` must not."""
    changes = ElementChanges(TABLE)
    changes.delete("opening", (_knock_key(one) for one in gone))
    changes.add("opening", ((_knock_key(one), 0) for one in come))
    return changes


def callers(kept: Iterable[tuple[bytes, int]]) -> ElementChanges:
    """These callers only: address, ns until the kernel forgets it."""
    timed: dict[int, list[tuple[bytes, int]]] = {4: [], 16: []}
    for packed, ns in kept:
        timed[len(packed)].append((packed, _ms(ns)))
    changes = ElementChanges(TABLE)
    for name, size in (("callers_4", 4), ("callers_6", 16)):
        changes.clear(name)
        changes.add(name, timed[size])
    return changes


def _knock_key(knock: int) -> bytes:
    """A knock as the key of a set: protocol and port, each filled up to four bytes."""
    return bytes((knock >> 16, 0, 0, 0)) + (knock & 0xFFFF).to_bytes(2, "big") + b"\0\0"
