"""What the ledger tells: an admission, and the last use of a secret. Values; moments in unix seconds."""

from __future__ import annotations

from attrs import frozen

from portress.knock import Source


@frozen
class LastUse:
    """The last use of a secret's sequence: its time step, by whom and at which door."""

    step: int
    source: Source
    door: str


@frozen
class DoorUse:
    """When (unix seconds) and from where a secret's sequence was last used at a door."""

    at: float
    source: Source


@frozen
class Record:
    """One admission. `ended` is None while it is under way; moments in unix seconds."""

    row: int
    source: Source
    door: str
    keyholder: str | None
    step: int | None
    how: str  # knock | command | found | restored
    since: float
    until: float
    ended: float | None = None
    # expired | dismissed | unenrolled | door removed | source_prefix changed | superseded
    ending: str | None = None
    paper: str = ""  # which sequence on paper let the source in: `paper 3 of 10`

    @property
    def finish(self) -> float:
        """When it ended, or will end unless renewed; one that ran out unseen ended at its `until`."""
        return self.until if self.ended is None else self.ended

    def state(self, now: float) -> str:
        """`active`, or how it ended."""
        if self.ended is None:
            return "active" if self.until > now else "expired"
        return self.ending or "ended"
