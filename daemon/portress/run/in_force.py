"""What is in force in a running daemon: configuration, keyholders, tracker. They stand here and nowhere else.

Whoever needs one of them holds the `InForce` and looks there each time; a reload changes them in one place.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from attrs import define, field

from portress.config.model import Config
from portress.guard import hours
from portress.guard.closed import NOT_YET, Answers
from portress.guard.ruleset import Ruleset, build
from portress.keyholders.keyholder import Keyholder
from portress.knock import Source
from portress.run.deciding import Plan
from portress.sequence.in_force import SequencesInForce
from portress.tracker import Tracker


@define(eq=False)
class InForce:
    """The configuration, the sequences of it and its keyholders, and who is part-way through one."""

    config: Config
    sequences: SequencesInForce
    tracker: Tracker
    fellows: tuple[Keyholder, ...] = ()  # the keyholders that came from the fleet
    plan: Plan | None = None  # what the guard's maps hold, where the kernel decides
    changing: bool = False  # the guard is being given another plan; after it, what was used is withdrawn
    answers: Answers = NOT_YET  # what closed ports of this host answer
    unix: Callable[[], float] | None = None  # unix seconds: for doors with hours
    # held while what is to be in the guard changes, and while the guard is put back
    turn: asyncio.Lock = field(factory=asyncio.Lock, init=False)
    # held while a thread loads the guard: what there is to do in the guard meanwhile waits for it
    loading: asyncio.Lock = field(factory=asyncio.Lock, init=False)

    def ruleset(self) -> Ruleset:
        """The guard as it has to be now."""
        contents = None if self.plan is None or self.config.decide == "daemon" else self.plan.contents
        now = None if self.unix is None else self.unix()
        return build(self.config, self.tracker.trie.opening, contents, self.answers, now)

    def hours(self) -> dict[str, tuple[str, ...]]:
        """When doors with hours are open, as the guard has to know it."""
        return hours.open_at(self.config, None if self.unix is None else self.unix())

    def source(self, packed: bytes) -> Source:
        """The source that an address's bytes, as a watcher tells them, stand for."""
        return self.config.source(packed)
