"""Who holds the sessions that go on without an admission: the guard in the kernel, and this process, which
puts them back where others threw them away.

In: sessions that were found. Out: nft text for the transaction that loads the guard; what is there now.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Collection, Iterable
from itertools import islice

from attrs import define, field

from portress.errors import Mistake
from portress.guard import continuing, elements
from portress.guard.continuing import SETS, SIZE, Session
from portress.guard.elements import ElementChanges
from portress.guard.language import TABLE
from portress.guard.listing import Listing
from portress.guard.ruleset import Ruleset
from portress.knock import Among, Service, Source

_NAMES = frozenset(SETS.values())


def held() -> list[Session]:
    """Those that the guard in the kernel lets go on. Raises Mistake."""
    return [Session.of(one.key) for name in SETS.values() for one in elements.each(TABLE, name)]


@define(eq=False)
class Sessions:
    """`change` makes changes in one transaction, and raises Mistake."""

    change: Callable[[ElementChanges], None]
    turn: threading.RLock = field(factory=threading.RLock)  # held while the guard is loaded
    _known: set[Session] = field(factory=set, init=False)

    def lines(
        self, before: Listing | None, ruleset: Ruleset, kept: Collection[str], new: Iterable[Session]
    ) -> list[str]:
        """What has the guard `ruleset` let them and the `new` ones go on, after the rules. `kept`: the sets
        that stay as they are."""
        if not {one.name for one in ruleset.living} >= _NAMES:
            self._known = set()
            return []
        there = set(held()) if before is not None and before.sets.keys() >= _NAMES else set()
        self._known = self._some({*new}, there, self._known)
        return continuing.lines(self._known - there if set(kept) >= _NAMES else self._known)

    @staticmethod
    def _some(*groups: set[Session]) -> set[Session]:
        """As many of all as there is room for, of the first group first."""
        ordered = dict.fromkeys(one for group in groups for one in group)
        return {
            one
            for family in SETS
            for one in islice((each for each in ordered if each.family == family), SIZE)
        }

    def end(self, sources: Collection[Source], services: Iterable[Service]) -> None:
        """Those of `sources` with one of `services` need an admission from now on."""
        with self.turn:
            among, wanted = Among(sources), list(services)
            gone = {one for one in self._known if one.belongs(among, wanted)}
            self._known -= gone
            changes = ElementChanges(TABLE)
            for family, name in SETS.items():
                if keys := [one.key for one in gone if one.family == family]:
                    changes.end(name, keys)
            with contextlib.suppress(Mistake):  # a guard that is gone is put back without them
                self.change(changes)
