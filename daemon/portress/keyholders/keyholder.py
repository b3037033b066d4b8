"""A keyholder: a name, the doors it may open, a secret. A frozen value without I/O."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal, get_args

from attrs import field, frozen

from portress.hours import Hours
from portress.keyholders.secret import claim, leaving_claim, paper_claim

Style = Literal["derived", "authenticator"]

STYLES: Final = get_args(Style)


@frozen
class Sheet:
    """The paper a keyholder has for a door: `count` sequences from the number `first` on.

    `era`: what the records of uses were called when it was printed. When they are lost another era begins,
    and paper of another era than the present one is void.
    """

    first: int
    count: int
    era: str

    @property
    def numbers(self) -> range:
        """The numbers of its sequences."""
        return range(self.first, self.first + self.count)


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
    paper: Mapping[str, Sheet] = field(factory=dict, hash=False)  # by door
    _claims: dict[str, bytes] = field(factory=dict, init=False, eq=False, repr=False)  # by door, made once

    def claim(self, door: str) -> bytes:
        """What a use at `door` is remembered under. A code used at one door is used at all of them: who has
        seen it knows the ports of the others."""
        where = "" if self.style == "authenticator" else door
        known = self._claims.get(where)
        if known is None:
            known = self._claims[where] = claim(self.secret, where)
        return known

    def leaving_claim(self, door: str) -> bytes:
        """What a use of a leaving sequence at `door` is remembered under."""
        return leaving_claim(self.secret, door)

    def paper_claim(self, door: str, number: int) -> bytes:
        """What the use of sequence `number` on the paper for `door` is remembered under."""
        return paper_claim(self.secret, door, number)
