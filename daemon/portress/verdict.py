"""What the tracker says of one knock. Small frozen values; stages, openings and times, never ports."""

from __future__ import annotations

from collections.abc import Hashable
from enum import StrEnum

from attrs import field, frozen

from portress.knock import Expected


@frozen
class Ignored:
    """At stage 0 a knock that opens no sequence (rule 2)."""


@frozen
class Repeated:
    """A knock the caller already got right in this run (rule 4)."""

    stage: int


@frozen
class Advanced:
    """The right next knock: the caller is now at `stage` of at most `of` (rule 3)."""

    stage: int
    of: int
    doors: tuple[str, ...] = field(default=(), eq=False)  # those the sequences from here lead to


@frozen
class Missed:
    """A wrong knock: `stage` is lost (rule 5)."""

    stage: int
    of: int
    anew: bool  # the same knock began a sequence again
    shunned_until: int | None = None  # ns; set when this miss was one too many
    doors: tuple[str, ...] = field(default=(), eq=False)  # those the lost stage led to


@frozen
class Lapsed:
    """The knock came `pause` ns after the last right one, the gap is `gap` ns: `stage` was over (rule 6)."""

    stage: int
    of: int
    pause: int
    gap: int
    anew: bool  # the same knock began a sequence again
    doors: tuple[str, ...] = field(default=(), eq=False)  # those the lost stage led to


@frozen
class Shunned:
    """The source's knocks are ignored until that moment (ns)."""

    until: int


@frozen
class Completed:
    """The last knock: these doors open (rule 7). `carries_on`: a longer sequence goes on from here."""

    openings: tuple[Expected, ...]
    carries_on: bool


@frozen
class Closed:
    """The last knock of sequences whose doors are closed at this hour: they open nothing, and are used up."""

    openings: tuple[Expected, ...]
    opens: float | None  # when they would open next, in unix seconds; None: not within a year
    zone: str = "UTC"  # by whose clock that is told


@frozen
class Left:
    """The last knock of a leaving sequence: what its holder has at these doors ends."""

    openings: tuple[Expected, ...]
    carries_on: bool


@frozen
class Use:
    """A rotating sequence used up: its time step, the source that used it and at which door (rule 9)."""

    step: int
    source: Hashable
    door: str = ""


@frozen
class Replayed:
    """A completed rotating sequence that was used before, perhaps at another door, or is older than the last
    one used (rule 9)."""

    opening: Expected
    last: Use

    @property
    def elsewhere(self) -> bool:
        """Whether that very step was used, and at another door."""
        return self.opening.step == self.last.step and self.last.door not in ("", self.opening.door)


@frozen
class Doubted:
    """A completed rotating sequence of which nobody knows if it was used: of step `floor` or before (rule
    9)."""

    opening: Expected
    floor: int


@frozen
class Echoed:
    """A used sequence again from the source that used it: nothing happens (rule 9)."""

    opening: Expected


@frozen
class Expired:
    """No knock at all, and so no verdict: the gap went by, and `stage` was forgotten (rule 6)."""

    stage: int
    of: int
    doors: tuple[str, ...] = field(default=(), eq=False)  # those the stage led to


class Report(StrEnum):
    """What the guard did by itself, as the prefix of its report says."""

    BEGUN = "b"  # a first knock
    MOVED = "n"  # the right next knock
    AGAIN = "r"  # a knock that was right already
    MISSED = "m"  # a wrong knock, which begins nothing
    ANEW = "a"  # a wrong knock, which begins a sequence
    LATE = "l"  # a knock after the gap, which begins nothing
    OPENED = "o"  # a sequence that stays the same was completed
    CLAIMED = "c"  # a rotating sequence was completed
    REFUSED = "u"  # a rotating sequence that was used before, or is older than the last one used
    FULL = "f"  # no room among the admissions, for the knock that is told of next
    ASKED = "p"  # a sequence on paper was completed: the daemon decides
    NO_CLAIM = "s"  # no room in `spent`
    LEFT = "e"  # a leaving sequence was completed: the daemon ends the admission
    CLOSED = "h"  # the door is closed at this hour, for the knock that is told of next


def progress(right: int, of: int) -> str:
    """How far a source has got, in the words that are used for it everywhere: `2 of 3 knocks right`."""
    return f"{right} of {of} knocks right"


Verdict = (
    Ignored
    | Repeated
    | Advanced
    | Missed
    | Lapsed
    | Shunned
    | Completed
    | Closed
    | Left
    | Replayed
    | Doubted
    | Echoed
)
