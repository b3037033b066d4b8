"""What the daemon knows of the time before it started: the ledger, the sequences used up, the admissions.

In: the ledger's file and the uses that a daemon before this one still owed it. Nothing here is raised: a
ledger that cannot be had is told, and the daemon goes on without one.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping

from portress.config.model import Config
from portress.events import Events
from portress.keyholders.file import Keyholder
from portress.ledger.ledger import Ledger, LedgerError, Record
from portress.paths import Paths
from portress.run.ledger_writer import Books
from portress.sequence.in_force import furthest
from portress.sequence.rotating import step_at
from portress.verdict import Use

Used = dict[tuple[str, str], Use]  # the last use by keyholder and door


def open_ledger(paths: Paths, config: Config, events: Events, unix: float) -> Ledger | None:
    """The ledger, a new one where the old one is damaged; None if there can be none. `unix`: seconds."""
    try:
        paths.state.mkdir(mode=0o700, parents=True, exist_ok=True)
        ledger = Ledger(paths.ledger, unix, furthest(config))
    except (LedgerError, OSError) as error:
        why = f"{paths.state}: {error.strerror}" if isinstance(error, OSError) and error.strerror else error
        events.tell("ledger", f"going on without a ledger: {why}")
        return None
    if ledger.set_aside is not None:
        events.tell("ledger", f"damaged ledger set aside as {ledger.set_aside}: {ledger.damage}")
    return ledger


class Past:
    """What the ledger of `books` says of the time before."""

    def __init__(self, books: Books, config: Config, events: Events, unix: Callable[[], float]) -> None:
        self._books = books
        self._events = events
        self._unix = unix
        # No sequence before this time step is believed where nobody knows if it was used; 0: all is known.
        self.floor = step_at(unix()) + furthest(config)
        # The last secret of each keyholder, also of those unenrolled since.
        self._secrets: dict[str, bytes] = {}

    def used(self) -> Used:
        """Rotating sequences used up."""
        ledger = self._books.ledger
        used: Used = {}
        try:
            if ledger is not None:
                ledger.expire(self._unix())
                used = {key: Use(one.step, one.source.packed) for key, one in ledger.used().items()}
                self.floor = ledger.floor
        except LedgerError as error:
            self._events.tell("ledger", f"the ledger cannot be read: {error}")
        for key, (step, source) in self._books.owed().items():
            if key not in used or used[key].step < step:
                used[key] = Use(step, source.packed)
        return used

    def distrusted(self, used: Mapping[tuple[str, str], Use], keys: Collection[tuple[str, str]]) -> Used:
        """`used`, and of `keys` all that somebody may have seen without anybody knowing."""
        low = [key for key in keys if key not in used or used[key].step < self.floor] if self.floor else []
        return {**used, **dict.fromkeys(low, Use(self.floor, b""))}

    def exchanged(self, keyholders: Iterable[Keyholder]) -> set[str]:
        """Those who have another secret now than when they were last in force: they have used nothing of it.

        Whoever was unenrolled and comes back with the same secret is not among them.
        """
        before = self._secrets
        self._secrets = before | {one.name: one.secret for one in keyholders}
        return {name for name, secret in before.items() if self._secrets[name] != secret}

    def under_way(self) -> list[Record]:
        """The admissions that have time left."""
        try:
            return [] if self._books.ledger is None else self._books.ledger.under_way(self._unix())
        except LedgerError as error:
            self._events.tell("ledger", f"the ledger cannot be read: {error}")
            return []
