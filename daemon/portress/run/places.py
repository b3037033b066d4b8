"""What is written down of an admission: somebody is admitted, or moves from one place to another.

In: what was granted, and what had to end for it. Out: the ledger's row and one event.
"""

from __future__ import annotations

from collections.abc import Sequence

from attrs import frozen

from portress.admissions import Admission, Ending, Grant, How, came
from portress.durations import spell
from portress.events import Events
from portress.knock import SECOND
from portress.run.ledger_writer import LedgerWriter


@frozen
class New:
    """A new admission or a renewal, since and until when (unix seconds)."""

    grant: Grant
    admission: Admission
    before: Admission | None  # what the source had at that door; a renewal goes on with it
    gone: Sequence[Admission]  # what had to make room
    since: float
    until: float


def write_down(ledger_writer: LedgerWriter, events: Events, new: New) -> None:
    """The row in the ledger, and the event."""
    grant = new.grant
    if new.before is new.admission:
        ledger_writer.renewed(new.admission, new.until)
    else:
        if new.before is not None:
            ledger_writer.ended(new.before, Ending.SUPERSEDED)
        ledger_writer.admitted(new.admission, new.until, grant.step, since=new.since, paper=grant.paper)
    if new.gone:
        tell_moved(events, new.gone, grant)
    elif events.wants("admitted"):
        tell_admitted(events, grant, again=new.before is not None)


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
