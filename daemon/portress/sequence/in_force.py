"""Which sequences are in force: the configuration's, and every keyholder's of the steps around now. Pure.

A new step's sequences are derived ahead of time, in a thread; what each step expects is kept as long as
it is in force, so that a change of step derives one step's and no more.
"""

from __future__ import annotations

from collections.abc import Collection, Container, Iterable
from typing import Final

from attrs import define, field

from portress import hours
from portress.clock import STEP
from portress.config.model import Config
from portress.hours import Hours
from portress.keyholders.keyholder import Keyholder
from portress.knock import SECOND, Expected
from portress.sequence import enrolled, fixed
from portress.sequence.trie import Trie
from portress.verdict import Closed, Completed

MOST_UNDER_WAY: Final = 4  # steps that are over and can still be completed, where the kernel decides


def few(left: int, of: int) -> bool:
    """Whether so few sequences on paper are left that it is time for a new sheet: a fifth or less."""
    return 5 * left <= of


def furthest(config: Config) -> int:
    """The largest skew of any door: how many steps before and after the present one can be in force."""
    rules = (rule for door in config.doors.values() for rule in door.by_time.values())
    return max((rule.skew for rule in rules), default=0)


def still_to_come(config: Config, step: int, last: int) -> bool:
    """Whether `last`, the last step used, is later than any that can be in force along with `step`."""
    return last - step > 2 * furthest(config)


@define(eq=False)
class SequencesInForce:
    """The sequences in force for one configuration and one set of keyholders."""

    config: Config
    keyholders: tuple[Keyholder, ...] = ()
    era: str | None = ""  # that of the paper in force; "": none is, None: all is
    _steps: dict[int, list[Expected]] = field(factory=dict, init=False)
    _hours: dict[str, Hours] = field(factory=dict, init=False)  # of keyholders that have their own
    _until: dict[str, float] = field(factory=dict, init=False)
    _paper: list[Expected] | None = field(default=None, init=False)

    def __attrs_post_init__(self) -> None:
        self._hours = {one.name: one.hours for one in self.keyholders if one.hours}
        self._until = {one.name: one.until for one in self.keyholders if one.until is not None}

    @property
    def rotates(self) -> bool:
        """Whether anything changes with time at all."""
        return bool(self.keyholders)

    @property
    def until(self) -> dict[str, float]:
        """When keyholders end (unix seconds), those that do."""
        return self._until

    @property
    def keeps_hours(self) -> bool:
        """Whether any door, or anybody, has hours."""
        return bool(self._hours) or any(door.hours for door in self.config.doors.values())

    def hours_of(self, one: Expected) -> list[Hours]:
        """The hours within which a sequence opens its door: the door's and the keyholder's."""
        door = self.config.doors.get(one.door)
        return [found for found in (door.hours if door else (), self.own_hours(one)) if found]

    def own_hours(self, one: Expected) -> Hours:
        """The hours of the sequence's keyholder."""
        return self._hours.get(one.keyholder, ()) if one.keyholder is not None else ()

    def in_hours(self, one: Expected, unix: float) -> bool:
        """Whether a sequence may open its door at that moment (unix seconds)."""
        return all(hours.is_open(each, unix) for each in self.hours_of(one))

    def closed(self, shut: Iterable[Expected], unix: float) -> Closed:
        """These were completed at a moment (unix seconds) at which they open nothing."""
        openings = tuple(shut)
        kept = {one: self.hours_of(one) for one in openings}
        later = [hours.opens_for(each, unix) for each in kept.values() if each]
        zone = next((each[0][0].zone for each in kept.values() if each), "UTC")
        return Closed(openings, min((at for at in later if at is not None), default=None), zone)

    def shut(self, verdict: Completed, unix: float) -> list[Expected]:
        """What of a completed sequence opens nothing at that moment, because of the hour."""
        return [one for one in verdict.openings if not self.in_hours(one, unix)]

    def judged(self, verdict: Completed, shut: Collection[Expected], unix: float) -> Completed | Closed:
        """What is left of a completed sequence, of which `shut` opens nothing."""
        if not shut:
            return verdict
        opening = tuple(one for one in verdict.openings if one not in shut)
        return Completed(opening, verdict.carries_on) if opening else self.closed(shut, unix)

    @property
    def keys(self) -> set[tuple[str, str]]:
        """Every keyholder with each of their doors."""
        return {(one.name, door) for one in self.keyholders for door in one.doors}

    def trie(self, step: int) -> Trie:
        """The tree of all sequences in force in time step `step`."""
        expected, lately = fixed.expected(self.config), []
        if self.rotates:
            expected += self._on_paper(step)
            reach = furthest(self.config)
            steps = range(max(0, step - reach - self._under_way()), step + reach + 1)
            self._steps = {one: self._of(one) for one in steps}
            skews = self.skews()
            for one in steps:
                away = abs(one - step)
                for each in self._steps[one]:
                    if away <= skews[each.keyholder, each.door]:
                        expected.append(each)
                    elif one < step:
                        lately.append(each)
        return Trie(expected, lately)

    @property
    def paper(self) -> list[Expected]:
        """Every sequence on paper that is not void, used or not."""
        if self._paper is None:
            self._paper = enrolled.on_paper(self.keyholders, self.config, self.era)
        return self._paper

    @property
    def void_paper(self) -> list[tuple[str, str]]:
        """Whose paper is of another era, and for which door."""
        return [
            (one.name, door)
            for one in self.keyholders
            for door, sheet in one.paper.items()
            if self.era not in (None, sheet.era)
        ]

    def paper_left(self, used: Container[bytes]) -> dict[tuple[str, str], tuple[int, int]]:
        """How many sequences on paper are left by (keyholder, door), and of how many. `used`: by claim."""
        found: dict[tuple[str, str], tuple[int, int]] = {}
        for one in self.paper:
            assert one.keyholder is not None
            left, of = found.get((one.keyholder, one.door), (0, 0))
            found[one.keyholder, one.door] = (left + (one.claim not in used), of + 1)
        return found

    def _on_paper(self, step: int) -> list[Expected]:
        over = {name for name, until in self.until.items() if step * STEP >= until}
        return [one for one in self.paper if one.keyholder not in over]

    def _under_way(self) -> int:
        """For how many steps after its own a sequence that was begun in time can be under way: only where the
        kernel decides does the tree have to hold these."""
        if self.config.decide == "daemon":
            return 0
        rules = (rule for door in self.config.doors.values() for rule in door.by_time.values())
        longest = max(((rule.length - 1) * rule.gap for rule in rules), default=0)
        return min(MOST_UNDER_WAY, -(-longest // (STEP * SECOND)))

    def _of(self, step: int) -> list[Expected]:
        known = self._steps.get(step)
        return known if known is not None else enrolled.expected(self.keyholders, self.config, step)

    def skews(self) -> dict[tuple[str | None, str], int]:
        """How many steps off the present one is accepted, by (keyholder, door)."""
        skews: dict[tuple[str | None, str], int] = {}
        for keyholder in self.keyholders:
            for name in keyholder.doors:
                door = self.config.doors.get(name)
                rule = door and (door.rotating if keyholder.style == "derived" else door.authenticator)
                if rule:
                    skews[keyholder.name, name] = rule.skew
        return skews
