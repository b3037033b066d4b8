"""The tables of `portress status`, printed and live: their columns, and what stands in each. Pure.

In: the daemon's answer. Out: cells that rich can print.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final

from attrs import frozen
from rich.text import Text

from portress.durations import counted, moment, spell, unix
from portress.knock import SECOND

_SOON: Final = 60.0  # seconds; admissions that end within are marked
_LATE: Final = 10.0  # seconds; callers whose gap ends within are
_FEW: Final = 3  # doors of a caller that are named

Row = dict[str, Any]  # one door, admission or caller, as the daemon answers


@frozen
class Column:
    """What stands in a column; `right`: at its right side. `roomy`: only where there is room for it."""

    heading: str
    cell: Callable[[Row], Text]
    right: bool = False
    roomy: bool = False


def _left(seconds: float, soon: float = 0.0) -> Text:
    return Text(spell(round(seconds * SECOND)), "yellow" if seconds < soon else "")


def _stay(one: Row) -> Text:
    if one["stay"] is None:
        return Text()
    cut = ", then cut" if one["linger"] is False else ""
    connection = ", one connection" if one["admits"] == "connection" else ""
    places = "" if one["places"] is None else f", {counted(one['places'], 'place')} each"
    left = ", can be left" if one.get("leaving") else ""
    return Text(f"{spell(round(one['stay'] * SECOND))}{cut}{connection}{places}{left}", "dim")


def _doors(one: Row) -> Text:
    return Text(", ".join(one["doors"][:_FEW]) + (", …" if len(one["doors"]) > _FEW else ""))


DOORS: Final = (
    Column("door", lambda one: Text(one["name"])),
    Column("services", lambda one: Text(", ".join(one["services"] or ["as loaded"]))),
    Column("opened by", lambda one: Text(" or ".join(one["openers"]), "dim"), roomy=True),
    Column("stay", _stay),
    Column("admitted", lambda one: Text(f"{one['admitted']:,}"), right=True),
)
ADMISSIONS: Final = (
    Column("source", lambda one: Text(one["source"])),
    Column("door", lambda one: Text(one["door"])),
    Column("left", lambda one: _left(one["left"], _SOON), right=True),
    Column("until", lambda one: Text(moment(unix(one["until"])), "dim"), roomy=True),
    Column("keyholder", lambda one: Text(one["keyholder"] or "")),
)
CALLERS: Final = (
    Column("caller", lambda one: Text(one["source"])),
    Column("door", _doors),
    Column("knocks right", lambda one: Text(f"{one['right']} of {one['of']}"), right=True),
    Column("left", lambda one: _left(one["left"], _LATE), right=True),
)
GATEWAYS: Final = (
    Column("gateway", lambda one: Text(one["name"])),
    Column("alive", lambda one: Text("yes") if one["alive"] else Text("no", "bold red")),
    Column("admitted", lambda one: Text(str(one["admitted"])), right=True),
)
SHUNNED: Final = (  # those who are shunned, below the callers
    CALLERS[0],
    Column("door", lambda _: Text("shunned", "red")),
    Column("knocks right", lambda _: Text(), right=True),
    Column("left", lambda one: _left(one["left"]), right=True),
)


def rows(columns: Sequence[Column], listed: Iterable[Row]) -> list[list[Text]]:
    """The cells of each row."""
    return [[column.cell(one) for column in columns] for one in listed]


def narrow(columns: Sequence[Column]) -> list[Column]:
    """The columns where there is little room."""
    return [one for one in columns if not one.roomy]


def furthest_first(callers: Iterable[Row]) -> list[Row]:
    """Callers, those with the most knocks right first, and of these those with the least time left."""
    return sorted(callers, key=lambda one: (-one["right"], one["left"]))
