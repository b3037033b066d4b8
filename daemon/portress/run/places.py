"""The events of an admission: somebody is admitted, or moves from one place to another.

In: what was granted, and what had to end for it. Out: one event.
"""

from __future__ import annotations

from collections.abc import Sequence

from portress.admissions import Admission, Grant, How, came
from portress.durations import spell
from portress.events import Events
from portress.knock import SECOND


def tell_admitted(events: Events, grant: Grant, *, again: bool) -> None:
    """The event of an admission, new or renewed."""
    who = f", keyholder {grant.keyholder}{grant.paper and ', '}{grant.paper}" if grant.keyholder else ""
    by = ", by command" if grant.how == How.COMMAND else ""
    if gateway := came(grant.how)[1]:
        by = f", at {gateway}"
    events.tell(
        "admitted",
        f"{grant.source} admitted{' again' if again else ''} to {grant.door}"
        f" for {spell(grant.stay)}{who}{by}",
        source=grant.source,
        door=grant.door,
        keyholder=grant.keyholder,
        stay=grant.stay // SECOND,
    )


def tell_moved(events: Events, gone: Sequence[Admission], grant: Grant) -> None:
    """A keyholder is admitted elsewhere, and had no more places."""
    left = ", ".join(str(one.source) for one in gone)
    events.tell(
        "moved",
        f"{grant.keyholder} moved from {left} to {grant.source} at {grant.door}, for {spell(grant.stay)}",
        source=grant.source,
        door=grant.door,
        keyholder=grant.keyholder,
        stay=grant.stay // SECOND,
        left=left,
    )
