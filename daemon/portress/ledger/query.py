"""Which admissions of the ledger are meant, and in which order, as SQL. Pure.

In: what is asked for. Out: a condition with its values, and an order.
"""

from __future__ import annotations

from typing import Final

from portress.knock import Source

SORTS: Final = {  # what admissions are sorted by, and the columns for it
    "since": ("since",),
    "until": ("coalesce(ended, until)",),
    "source": ("length(source)", "source", "length"),
    "door": ("door",),
    "keyholder": ("keyholder",),
}


def ordering(sort: str) -> str:
    """`sort`, one of SORTS, with a `-` the other way round."""
    way = " DESC" if sort.startswith("-") else ""
    return "".join(f"{column}{way}, " for column in SORTS[sort.removeprefix("-")]) + "id DESC"


def conditions(
    door: str | None, keyholder: str | None, source: Source | None, since: float | None, until: float | None
) -> tuple[str, list[object]]:
    """A condition, and the values for its question marks."""
    parts: list[str] = ["1"]
    values: list[object] = []
    for condition, value in (
        ("door = ?", door),
        ("keyholder = ?", keyholder),
        ("coalesce(ended, until) >= ?", since),
        ("since <= ?", until),
    ):
        if value is not None:
            parts.append(condition)
            values.append(value)
    if source is not None:
        # Those inside it, and the prefixes it is in: an address may have come in as one of a wider source.
        wider = [Source.of(source.packed, length) for length in range(source.length)]
        within = ", ".join(["(?, ?)"] * len(wider))
        around = f" OR (source, length) IN (VALUES {within})" if wider else ""
        parts.append(f"(source BETWEEN ? AND ? AND length(source) = ? AND length >= ?{around})")
        last = source.network.broadcast_address.packed
        values += [source.packed, last, len(source.packed), source.length]
        values += [part for one in wider for part in (one.packed, one.length)]
    return " AND ".join(parts), values
