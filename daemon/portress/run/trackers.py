"""The tracker that a configuration wants: one that decides, or one that follows the guard.

In: the configuration, the tree of its sequences and what of them is used. Out: a `Tracker`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from attrs import frozen

from portress.config.model import Config
from portress.guard import decide
from portress.mirror import Mirror
from portress.run.deciding import Deciding, Plan
from portress.sequence.trie import Trie
from portress.tracker import Tracker
from portress.verdict import Use


@frozen
class Trackers:
    """Makes trackers. One that follows the guard asks the maps of `deciding` where a source is, by the plan
    in force then.
    """

    deciding: Deciding
    plan: Callable[[], Plan | None]

    def make(self, config: Config, trie: Trie, used: Mapping[bytes, Use], floor: int) -> Tracker:
        """A tracker of `trie` that knows what is `used`, and steps up to `floor` as refused."""
        limit, misses = decide.followed(config), config.misses
        if config.decide == "daemon":
            return Tracker(trie, limit=limit, misses=misses, used=used, floor=floor)
        return Mirror(trie, limit=limit, misses=misses, used=used, floor=floor, where=self._place)

    def _place(self, packed: bytes) -> tuple[tuple[int, ...], int] | None:
        return self.deciding.place(self.plan(), packed)
