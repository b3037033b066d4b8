"""A keyholder: a name, the doors it may open, a secret. A frozen value without I/O."""

from __future__ import annotations

from typing import Final, Literal, get_args

from attrs import field, frozen

from portress.hours import Hours
from portress.keyholders.secret import claim

Style = Literal["derived", "authenticator"]

STYLES: Final = get_args(Style)


@frozen
class Keyholder:
    """A person or device with a secret. `until`: the moment (unix seconds) from which no sequence of
    theirs is accepted; None: never. `hours`: when theirs are accepted; empty: always."""

    name: str
    doors: tuple[str, ...]
    secret: bytes = field(repr=False)
    style: Style = "derived"
    until: float | None = None
    hours: Hours = ()

    def claim(self, door: str) -> bytes:
        """What a use at `door` is remembered under. A code used at one door is used at all of them: who has
        seen it knows the ports of the others."""
        return claim(self.secret, "" if self.style == "authenticator" else door)
