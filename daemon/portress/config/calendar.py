"""The keys about when a door is open, and for whom: their shapes, and checks of what they mean.

In: what was read of a door or a keyholder, with places. Out: mistakes in `Findings`, and `Window` values.
"""

from __future__ import annotations

from collections.abc import Mapping as AnyMapping
from functools import partial
from typing import Any, Final

from attrs import frozen

from portress import hours
from portress.config.shapes import Found, Key, Keys, ListOf, Text
from portress.config.yaml_tree import Findings, Items, Node, Place
from portress.hours import Hours, Window

_EXAMPLE: Final = '{days: mon-fri, from: "06:00", to: "20:00", zone: Europe/Berlin}'
_TIME: Final = "(?:[01][0-9]|2[0-3]):[0-5][0-9]"
_DAY: Final = f"(?:{'|'.join(hours.DAYS)})"
_DAYS: Final = f"{_DAY}(?:-{_DAY})?"


def _text(parse: Any, wants: str, pattern: str, *examples: str) -> Text:
    return Text(wants, parse, {"pattern": f"^(?:{pattern})$", "examples": list(examples)})


_WINDOW: Final = Keys(
    {
        "days": Key(
            _text(hours.days, "days, for example mon-fri", f"{_DAYS}(?: *, *{_DAYS})*", "mon-fri", "sat,sun"),
            "the days of the week on which it opens",
            default="mon-sun",
        ),
        "from": Key(
            _text(hours.clock, 'a time of day in quotes, for example "06:00"', _TIME, "06:00"),
            "when it opens, by the clock of the zone",
            required=True,
        ),
        "to": Key(
            _text(
                partial(hours.clock, end=True),
                'a time of day in quotes, for example "20:00"',
                f"{_TIME}|24:00",
                "20:00",
                "24:00",
            ),
            "when it closes; not later than `from`: on the next day",
            required=True,
        ),
        "zone": Key(
            _text(
                hours.zone,
                "a time zone's name, for example Europe/Berlin",
                "[A-Za-z][A-Za-z0-9_+/-]*",
                "Europe/Berlin",
            ),
            "the time zone of both, for example Europe/Berlin",
            required=True,
        ),
    },
    f"opening hours, for example {_EXAMPLE}",
)


@frozen
class _OneOrMore:
    """One thing of a shape, or a list of them; the value is a list either way."""

    several: ListOf

    def read(self, node: Node, place: Place, findings: Findings) -> Found:
        if isinstance(node, Items):
            return self.several.read(node, place, findings)
        one = self.several.shape.read(node, place, findings)
        return Found(place, [one]) if one.ok else one

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [self.several.shape.schema(), self.several.schema()]}


HOURS: Final = _OneOrMore(ListOf(_WINDOW, f"hours are a list, for example [{_EXAMPLE}]", at_least=1))


def check(found: Found, findings: Findings) -> None:
    """A window has a beginning and an end; `found`: a door or a keyholder."""
    for window in found.all("hours"):
        begin, end = window.get("from"), window.get("to")
        if begin and end and begin.value == end.value:
            findings.mistake(end.place, 'same as `from`: for the whole day write from: "00:00", to: "24:00"')
    closing = found.get("at_closing")
    if closing and "hours" not in found.value and closing.value == "end":
        findings.mistake(closing.place, "the door has no hours, so it never closes: add hours")


def check_places(door: Found, findings: Findings) -> None:
    """Places are of keyholders, and of admissions that last."""
    places = door.get("places")
    if not places:
        return
    if "rotating" not in door.value and "authenticator" not in door.value:
        findings.mistake(
            places.place, "a fixed sequence belongs to no keyholder, and places count keyholders"
        )
    for style in ("fixed", "rotating"):
        admits = door.get(style, "admits")
        if admits and admits.value == "connection":
            findings.mistake(
                places.place, "each admission is of one connection here: leave places or admits out"
            )


def windows(values: tuple[AnyMapping[str, Any], ...]) -> Hours:
    """The windows that were read."""
    return tuple(Window(one["days"], one["from"], one["to"], one["zone"]) for one in values)


def text(some: Hours) -> str:
    """As it is written in a file, in one line."""
    listed = [
        f'{{days: "{hours.days_text(one.days)}", from: "{hours.clock_text(one.begin)}",'
        f' to: "{hours.clock_text(one.end)}", zone: {one.zone}}}'
        for one in some
    ]
    return f"[{', '.join(listed)}]"
