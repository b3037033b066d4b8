"""The fleet's other gateways, where the configuration names a fleet.

In: the fleet's settings. Out: the gateway's part in it, and `Fellows` for the daemon's stops. What needs
aiohttp and cryptography is imported here, and only where there is a fleet.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from portress.config.model import Fleet
from portress.errors import Mistake
from portress.events import Events
from portress.fleet.packages import need
from portress.fleet.stops import Stops
from portress.run.fellows import Alone, Apart, Fellows

if TYPE_CHECKING:
    from portress.fleet.gate import Gate


def fellowship(
    settings: Fleet | None,
    state: Path,
    events: Events,
    clock: Callable[[], int],
    unix: Callable[[], float],
    stops: Callable[[], Stops],
    *,
    last_good: bool,
) -> tuple[Gate | None, Fellows]:
    """The others, if there are any. `stops` gives what they act on, once it is there. Raises Mistake for a
    secret that cannot be read, unless the last good configuration is wanted: then this gateway goes on
    without them.
    """
    if settings is None:
        return None, Alone()
    try:
        need()
        from portress.fleet.gate import Gate

        gate = Gate(settings, state, events, clock, unix, stops)
        return gate, gate
    except Mistake as mistake:
        if not last_good:
            raise
        for line in (
            *mistake.lines,
            "running without the fleet; fix it, then: systemctl restart portress",
        ):
            events.tell("refused", line)
        return None, Apart(settings, mistake.lines[0])
