"""Elements with the time they have left, as parts of the transaction that loads the guard."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain, islice
from typing import Any, Final

from portress.guard.expressions import Json, element
from portress.knock import SECOND, Source

_FEW: Final = 64  # see split
_MANY: Final = 10_000

Entry = tuple[str, Source, int]  # set, source, ns


def seconds(ns: int) -> int:
    """Whole seconds, rounded up: what nft's JSON takes for a timeout."""
    return max(1, -(-ns // SECOND))


def timed_parts(entries: Iterable[tuple[str, Source, int]], *, new: bool = False) -> tuple[Json, ...]:
    """Transaction parts that (re)start elements: add, delete, add; for sets that are `new`, add alone.

    Before kernel 6.12 a plain add leaves the old timeout in place, after it it does not; the first add
    is for the delete to find something.
    """
    timed: dict[str, dict[str, Any]] = {}
    for name, source, ns in entries:
        address = str(source).partition("/")[0]
        timed.setdefault(name, {})[address] = {"elem": {"val": address, "timeout": seconds(ns)}}
    parts: list[Json] = []
    for name, by_address in timed.items():
        full = element(name, list(by_address.values()))
        parts.append({"add": full})
        if not new:
            parts += [{"delete": element(name, list(by_address))}, {"add": full}]
    return tuple(parts)


def split(carried: list[Entry], more: Iterator[Entry]) -> tuple[list[Entry], Iterator[Entry]]:
    """What goes into one transaction with the rules, and what goes into the next.

    libnftables takes some 40 µs for each. Carried over are those of a guard that is in force until then, so
    that many go together; while there is no guard, the doors are open, and few do.
    """
    few = list(islice(more, _FEW + 1))
    together = [*(carried if len(carried) <= _MANY else ()), *(few if len(few) <= _FEW else ())]
    later = chain(carried if len(carried) > _MANY else (), few if len(few) > _FEW else (), more)
    return together, later
