"""What of the daemon the fleet acts on. Apart from the rest of the fleet, which needs packages of its own."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from attrs import frozen

from portress.run.changes import Reloading
from portress.run.doorkeeper import Doorkeeper
from portress.run.follower import MirrorListener
from portress.run.in_force import InForce
from portress.run.ledger_writer import LedgerWriter


@frozen
class Stops:
    """What of the daemon the fleet acts on."""

    in_force: InForce
    doorkeeper: Doorkeeper
    listener: MirrorListener
    changes: Reloading
    ledger_writer: LedgerWriter
    later: Callable[[Awaitable[None]], object]
