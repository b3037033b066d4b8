"""What the maps that decide hold, changed over netlink: from one `Contents` to another, in one transaction.

In: contents as they are in the kernel and as they are to be. Out: `ElementChanges`, whose bytes may be made
ahead of time in another thread. Moments are unix ms.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

from portress.guard.contents import MAPS, Contents
from portress.guard.elements import ElementChanges, Mapped, each_of_map

_NEAR: Final = 1500  # ms that two ends may differ and still be the same: one of them was read from the kernel

Item = tuple[bytes, tuple[bytes, int | None]]


def change(table: str, before: Contents, after: Contents, now: int) -> ElementChanges:
    """What makes `after` of `before`. Elements that are over at `now` are neither added nor looked for."""
    changes = ElementChanges(table)
    away: dict[str, list[Item]] = {}
    come: dict[str, list[Item]] = {}
    for name in MAPS:
        old, new = before.get(name, {}), after.get(name, {})
        away[name] = [
            (key, item) for key, item in old.items() if not same(item, new.get(key)) and _alive(item, now)
        ]
        come[name] = [
            (key, item) for key, item in new.items() if not same(item, old.get(key)) and _alive(item, now)
        ]
    # First what leads nowhere any more, last what leads to what is new.
    for name in MAPS:
        changes.unmap(name, _timed(away[name], now))
    for name in reversed(MAPS):
        changes.map(name, _timed(come[name], now))
    return changes


def removal(table: str, name: str, items: Iterable[Item], now: int) -> ElementChanges:
    """What takes these out of map `name`, as far as they are not over at `now`."""
    changes = ElementChanges(table)
    changes.unmap(name, _timed((one for one in items if _alive(one[1], now)), now))
    return changes


def addition(
    table: str, name: str, items: Iterable[Item], now: int, instead: Iterable[Item] = ()
) -> ElementChanges:
    """What puts these into map `name`, as far as they are not over at `now`; `instead` of those, which go."""
    changes = removal(table, name, instead, now)
    changes.map(name, _timed((one for one in items if _alive(one[1], now)), now))
    return changes


def same(one: tuple[bytes, int | None] | None, other: tuple[bytes, int | None] | None) -> bool:
    if one is None or other is None or one[0] != other[0]:
        return False
    return one[1] == other[1] or (
        one[1] is not None and other[1] is not None and abs(one[1] - other[1]) < _NEAR
    )


def may_stay(one: tuple[bytes, int | None], wanted: tuple[bytes, int | None] | None) -> bool:
    """Whether `one`, which is there, may be there until what is wanted comes: it does the same, and does not
    do so for longer."""
    if wanted is None or one[0] != wanted[0]:
        return False
    return same(one, wanted) or (one[1] is not None and (wanted[1] is None or one[1] < wanted[1]))


def _alive(item: tuple[bytes, int | None], now: int) -> bool:
    return item[1] is None or item[1] > now


def _timed(items: Iterable[Item], now: int) -> list[Mapped]:
    return [(key, data, 0 if until is None else until - now) for key, (data, until) in items]


def read(table: str, clock: Callable[[], int]) -> Contents:
    """What the maps hold in the kernel. Reading very much takes a while: each element's end is told by the
    moment in which it came, a little too late rather than too early, so that nothing is taken for gone that
    is there, and nothing for changed that is as it was. Raises Mistake."""
    return {
        name: {
            one.key: (one.data, clock() + one.left if one.left else None) for one in each_of_map(table, name)
        }
        for name in MAPS
    }


def staying(there: Contents, wanted: Contents) -> Contents:
    """What is there and may stay until all that is wanted comes."""
    return {
        name: {key: item for key, item in items.items() if may_stay(item, wanted.get(name, {}).get(key))}
        for name, items in there.items()
    }
