"""What is done about a sequence that was right and yet opens nothing: its door is closed at this hour, or
nobody knows whether it was used before.

In: the verdict, and what of it was closed. Out: an event; which uses have to be noted all the same.
"""

from __future__ import annotations

from collections.abc import Collection

from portress import hours
from portress.events import Events
from portress.knock import Expected, Source
from portress.verdict import Closed, Completed


def used_up(judged: Completed | Closed, shut: Collection[Expected]) -> list[Expected]:
    """Of each secret in `shut` one sequence, unless another of it opens a door anyway.

    What is closed is used up like any other: who listens must not be able to repeat it when the door opens.
    """
    opening = {one.claim for one in judged.openings} if isinstance(judged, Completed) else set()
    return [*{one.claim: one for one in shut if one.step is not None and one.claim not in opening}.values()]


def tell(events: Events, source: Source, verdict: Closed, unix: float) -> None:
    """The event; `unix`: now."""
    one = verdict.openings[0]
    who = "" if one.keyholder is None else f" (keyholder {one.keyholder})"
    later = "" if verdict.opens is None else f"; opens {hours.told(verdict.opens, verdict.zone, unix)}"
    events.tell(
        "closed",
        f"{source} knocked right{who}, but {one.door} is closed{later}",
        source=source,
        door=one.door,
        keyholder=one.keyholder,
    )


def tell_doubted(events: Events, source: Source, opening: Expected) -> None:
    """The event of a sequence that may have been used before."""
    events.tell(
        "doubted",
        f"{source} refused at {opening.door}: it is not known whether this sequence of"
        f" keyholder {opening.keyholder} was used before; see portress status",
        source=source,
        door=opening.door,
        keyholder=opening.keyholder,
    )
