"""The last knocks of each source and what the tracker said, in bounded memory: for `portress why`. Pure."""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Hashable
from typing import Final

from portress.verdict import Expired, Ignored, Verdict

SOURCES: Final = 2048  # sources remembered
EACH: Final = 16  # knocks remembered of each

Note = tuple[int, int, Verdict | Expired]  # when (ns), knock (0: none came), verdict


class Recent:
    """Remembers `each` knocks of the `sources` that knocked last. What opened nothing at stage 0 only counts
    once a source is known for something else: strangers' noise must not push callers out."""

    def __init__(self, sources: int = SOURCES, each: int = EACH) -> None:
        self._sources = sources
        self._each = each
        self._notes: OrderedDict[Hashable, deque[Note]] = OrderedDict()
        self.forgotten: int | None = None  # the moment (ns) of the latest knock of a source that had to go

    def note(self, source: Hashable, knock: int, when: int, verdict: Verdict | Expired) -> None:
        """Remember one knock."""
        notes = self._notes.get(source)
        if notes is None:
            if type(verdict) is Ignored:
                return
            if len(self._notes) >= self._sources:
                _, gone = self._notes.popitem(last=False)
                self.forgotten = max(self.forgotten or 0, gone[-1][0])
            notes = self._notes[source] = deque(maxlen=self._each)
        else:
            self._notes.move_to_end(source)
        notes.append((when, knock, verdict))

    def of(self, source: Hashable) -> list[Note]:
        """What is remembered of a source, oldest first."""
        return list(self._notes.get(source, ()))
