"""Knocks that were right at another time: the commonest reason why a rotating sequence does not open. Pure.

In: the knocks of a capture, each with its source and time. Out: the sequence that a source completed although
its time step was not in force. Either its clock is off, or somebody repeats what was seen on the way.
"""

from __future__ import annotations

from typing import Final

from portress.config.model import Config
from portress.keyholders.keyholder import Keyholder
from portress.knock import Expected
from portress.sequence import enrolled
from portress.sequence.in_force import furthest
from portress.sequence.trie import Trie
from portress.tracker import Tracker
from portress.verdict import Completed, Left

REACH: Final = 40  # time steps looked at before and after the present one: 20 minutes
PAIRS: Final = 100  # keyholders' doors up to which it is worth the time and the memory
_STRIDE: Final = 10  # time steps for which one tree serves


class OtherTimes:
    """Follows every source, or pair of a source and a host, through the sequences of the steps around."""

    def __init__(self, config: Config, keyholders: tuple[Keyholder, ...]) -> None:
        self._config = config
        self._keyholders = keyholders
        self._skew = furthest(config)
        self._window = -1
        self._steps: dict[int, list[Expected]] = {}
        self._tracker = Tracker(Trie(), limit=config.callers)
        self.on = 0 < sum(len(one.doors) for one in keyholders) <= PAIRS

    def hear(self, source: bytes, knock: int, now: int, step: int) -> Expected | None:
        """One knock at `now` (ns, never going back) in time step `step`: what it completed, if anything."""
        if step // _STRIDE != self._window:
            self._turn(step)
        verdict = self._tracker.hear(source, knock, now)
        self._tracker.used.clear()  # whoever comes later may be astray as well
        if not isinstance(verdict, Completed | Left):
            return None
        astray = [one for one in verdict.openings if one.step and abs(one.step - step) > self._skew]
        return astray[0] if astray else None

    def _turn(self, step: int) -> None:
        self._window = step // _STRIDE
        first = self._window * _STRIDE
        steps = range(max(1, first - REACH), first + _STRIDE + REACH)
        self._steps = {one: self._of(one) for one in steps}
        self._tracker.replace(Trie(each for one in self._steps.values() for each in one))

    def _of(self, step: int) -> list[Expected]:
        known = self._steps.get(step)
        return known if known is not None else enrolled.expected(self._keyholders, self._config, step)
