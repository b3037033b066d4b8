"""The key `leaving` of a door: its shape, and what must be right about it. Pure.

In: doors as they were read. Out: findings, each with its line.
"""

from __future__ import annotations

from typing import Any, Final

from attrs import frozen

from portress.config.shapes import Found, Key, Keys, Truth
from portress.config.yaml_tree import Findings, Mapping, Node, Place, Scalar
from portress.knock import PROTOCOLS, TCP, Knock

_EXAMPLE: Final = "{knocks: [udp/3571, tcp/7193, udp/5749], replayable: true}"
_FOR_EVER: Final = "whoever overhears it can end admissions for ever, from forged addresses"


@frozen
class _TruthOr:
    """`true` or `false`, or a mapping."""

    keys: Keys

    def read(self, node: Node, place: Place, findings: Findings) -> Found:
        if isinstance(node, Mapping):
            return self.keys.read(node, place, findings)
        if isinstance(node, Scalar) and place.shown and node.text not in ("true", "false"):
            findings.mistake(place, self.keys.wants)
            return Found(place)
        return Truth().read(node, place, findings)

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [Truth().schema(), self.keys.schema()]}


def shape(knocks: Key, gap: Key) -> _TruthOr:
    """The shape of `leaving`, whose knocks and gap are those of a fixed sequence."""
    replayable = Key(Truth(), f"write replayable: true if you can live with it: {_FOR_EVER}", required=True)
    keys = {"knocks": knocks, "gap": gap, "replayable": replayable}
    return _TruthOr(Keys(keys, f"true, or for a fixed door {_EXAMPLE}"))


def check(doors: list[tuple[str, Found]], findings: Findings) -> None:
    """What leaves a door ends admissions of its own kind, and is never knocked by coming in."""
    left: dict[tuple[Knock, ...], str] = {}
    for name, door in doors:
        leaving = door.get("leaving")
        if leaving is None or leaving.value is False:
            continue
        _fits(door, leaving, findings)
        knocks = leaving.get("knocks")
        if knocks is None or not knocks.whole:
            continue
        findings.warn(leaving.place, f"a leaving sequence that stays the same: {_FOR_EVER}")
        other = left.setdefault(knocks.plain, name)
        if other != name:
            findings.mistake(knocks.place, f"doors.{other} is left by it: every door has one of its own")
        for opened, one in doors:
            _beside(knocks, opened, one, findings)
            _begins(knocks.value[0], opened, one, findings)


def _fits(door: Found, leaving: Found, findings: Findings) -> None:
    """The kind of sequence is one that the door has, and what it ends is an admission that lasts."""
    if isinstance(leaving.value, dict):
        if "fixed" not in door.value:
            what = "this door has no fixed sequence: write leaving: true, and each keyholder has one"
            findings.mistake(leaving.place, what)
        replayable = leaving.get("replayable")
        if replayable and not replayable.value:
            what = f"it is: {_FOR_EVER}; write true if you can live with that, or leave leaving out"
            findings.mistake(replayable.place, what)
    elif "rotating" not in door.value:
        what = f"only keyholders of `rotating` have a leaving sequence; for a fixed door write {_EXAMPLE}"
        findings.mistake(leaving.place, what)
    for style in ("fixed", "rotating"):
        admits = door.get(style, "admits")
        if admits and admits.value == "connection":
            what = "an admission is of one connection here, and ends with it: leave leaving or admits out"
            findings.mistake(leaving.place, what)
            return


def _beside(knocks: Found, name: str, door: Found, findings: Findings) -> None:
    """Nobody leaves on the way in, or comes in on the way out."""
    opening = door.get("fixed", "knocks")
    if opening is None or not opening.whole:
        return
    mine, other = knocks.plain, opening.plain
    if mine == other:
        findings.mistake(knocks.place, f"the sequence that opens doors.{name}: leaving has one of its own")
    elif mine == other[: len(mine)]:
        findings.mistake(knocks.place, f"the sequence of doors.{name} begins with it: coming in would leave")
    elif other == mine[: len(other)]:
        what = f"it begins with the whole sequence of doors.{name}: leaving would open that"
        findings.mistake(knocks.place, what)


def _begins(first: Found, name: str, door: Found, findings: Findings) -> None:
    """It does not begin with a last knock of a sequence that opens: repeated SYNs would start it."""
    knock: Knock = first.value
    repeated = "repeated, it would start this"
    opening, base = door.get("fixed", "knocks"), door.get("authenticator", "base")
    if opening and opening.whole and opening.plain[-1] == knock:
        findings.mistake(first.place, f"the last knock of doors.{name}: {repeated}; begin with another one")
    if base and knock.protocol == TCP and base.value + 300 <= knock.port < base.value + 400:
        what = f"codes of doors.{name} end at tcp/{base.value + 300}-{base.value + 399}"
        findings.mistake(first.place, f"{what}: {repeated}; begin with another one")
    for kind in ("rotating", "paper"):
        pool, protocols = door.get(kind, "pool"), door.get(kind, "protocols")
        if pool and protocols and protocols.whole:
            numbers = [PROTOCOLS[one] for one in protocols.plain]
            if knock.protocol in numbers and pool.value[0] <= knock.port <= pool.value[1]:
                count = len(numbers) * (pool.value[1] - pool.value[0] + 1)
                what = f"1 sequence of doors.{name} ({kind}) in {count:,} ends with it: {repeated}"
                findings.warn(first.place, f"{what}; better begin outside the pool")
