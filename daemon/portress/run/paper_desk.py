"""Where the use of a sequence on paper is claimed: the one place, whoever decides.

In: a sequence on paper that was completed. Out: whether it counts, on the disk before this says so; what
is to be told of the paper that is left.
"""

from __future__ import annotations

from attrs import define

from portress.events import Events
from portress.knock import Expected, Source
from portress.run.fellows import Claimed, Fellows
from portress.run.in_force import InForce
from portress.run.ledger_writer import LedgerWriter
from portress.sequence.in_force import few


@define(eq=False)
class PaperDesk:
    """Claims uses with the `fellows` (in a fleet, in its store) and then in the ledger of `ledger_writer`."""

    in_force: InForce
    ledger_writer: LedgerWriter
    events: Events
    fellows: Fellows

    async def claim(self, opening: Expected, source: Source) -> Claimed:
        """`new`: the use counts, here and nowhere else ever again. `used`: it was used before. `nowhere`: it
        cannot be recorded. `away`: the fleet's store cannot be asked. What does not count was not used."""
        noted = await self.fellows.on_paper(opening, source)
        if noted == "new":
            noted = await self.ledger_writer.use_paper(opening.claim, opening.door, source.whole)
        if noted in ("nowhere", "away"):  # whoever tries again is judged by the ledger
            self.in_force.tracker.used.pop(opening.claim, None)
        return noted

    def tell_few(self, opening: Expected) -> None:
        """Tell when few are left of the sheet that this was on."""
        if opening.paper is None:
            return
        who, door = opening.keyholder or "", opening.door
        left, of = self.in_force.sequences.paper_left(self.in_force.tracker.used).get((who, door), (0, 0))
        if of and few(left, of):
            text = f"{who} has {left} of {of} sequences on paper left for {door}"
            more = f"portress enrol {who} --door {door} --paper prints a new sheet"
            self.events.tell("paper", f"{text}: {more}", door=door, keyholder=who, count=left)
