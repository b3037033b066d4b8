"""The admissions in force as the daemon knows them: who is let through which door until when. Pure.

The kernel lets packets through and ends admissions by itself; this register is what is told to people,
kept in the ledger, and put back when somebody else threw the guard away.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator
from enum import StrEnum
from itertools import chain, islice
from operator import attrgetter
from typing import Final, TypeVar

from attrs import define, field, frozen

from portress import hours
from portress.config.model import Config, Door
from portress.knock import SECOND, Expected, Source

_SORTED: Final = 1000
_SIZES: Final = {4: 2, 6: 6}  # by address family: bytes that tell neighbourhoods apart
_WIDE: Final = {4: b"4", 6: b"6"}

Key = TypeVar("Key")
Inner = TypeVar("Inner")


class How(StrEnum):
    """How an admission came about. The values are what the ledger and `--json` have."""

    KNOCK = "knock"
    COMMAND = "command"
    FOUND = "found"  # in the kernel, when the daemon began
    RESTORED = "restored"  # from the ledger
    FLEET = "fleet"  # at another gateway, whose name follows: `fleet edge-2`


def came(how: str) -> tuple[str, str]:
    """How an admission came about, without the other gateway, and that gateway's name; empty: at none."""
    kind, _, gateway = how.partition(" ")
    return kind, gateway


# How an admission came about, for people: in a column, and in a sentence. What is not named is its own name.
IN_A_COLUMN: Final[dict[str, str]] = {
    How.KNOCK: "a knock",
    How.COMMAND: "hand",
    How.FOUND: "found in kernel",
}
IN_A_SENTENCE: Final[dict[str, str]] = {
    How.KNOCK: "by knocking",
    How.COMMAND: "by hand",
    How.FOUND: "found in the kernel when the daemon started",
    How.RESTORED: "restored from the ledger",
}


class Ending(StrEnum):
    """How an admission ended. The values are what the ledger and the events have."""

    EXPIRED = "expired"
    DISMISSED = "dismissed"
    UNENROLLED = "unenrolled"
    DOOR_REMOVED = "door removed"
    PREFIX_CHANGED = "source_prefix changed"
    ELSEWHERE = "dismissed at another gateway"
    USED_ELSEWHERE = "sequence used at another gateway before"
    USED_TWICE = "sequence used at two gateways"
    MOVED = "moved"  # the keyholder was admitted elsewhere, and has no more places
    LEFT = "left"  # by its own holder's leaving sequence
    LEFT_ELSEWHERE = "left at another gateway"
    CLOSED = "closed"  # the door's hours were over
    SUPERSEDED = "superseded"  # by one of another keyholder, for the same source and door

    @property
    def by_hand(self) -> bool:
        """Somebody wanted it to end: its flows are cut, whatever the door says of them."""
        return self in (
            Ending.DISMISSED,
            Ending.UNENROLLED,
            Ending.ELSEWHERE,
            Ending.USED_ELSEWHERE,
            Ending.USED_TWICE,
            Ending.CLOSED,
            Ending.MOVED,
            Ending.LEFT,
            Ending.LEFT_ELSEWHERE,
        )


@frozen
class Grant:
    """An admission asked for, from the verdict to the guard's set: `source` through `door` for `stay` ns from
    now, or for as long as the door says.
    """

    door: str
    source: Source
    stay: int = 0  # 0: as long as the door says, which the doorkeeper fills in
    keyholder: str | None = None
    step: int | None = None
    how: str = How.KNOCK
    paper: str = ""  # which sequence on paper: `paper 3 of 10`
    by: Expected | None = None  # the sequence that was completed
    when: int = 0  # the moment of its last knock (ns, monotonic)

    @classmethod
    def of(cls, opening: Expected, source: Source, when: int) -> Grant:
        """What who completed a sequence at a moment (ns) gets."""
        step = None if opening.paper is not None else opening.step
        return cls(
            opening.door, source, 0, opening.keyholder, step, paper=opening.named, by=opening, when=when
        )


def everywhere(config: Config, source: Source) -> list[Grant]:
    """The source through every door, by command, for the stay of each."""
    return [Grant(door.name, source, door.stay, how=How.COMMAND) for door in config.doors.values()]


def stay_of(door: Door, until: float | None, unix: float) -> int:
    """How long (ns) who completes a sequence of `door` at `unix` (seconds) stays; 0 or less: not at all.

    No stay goes beyond the keyholder's end, `until` (unix seconds; None: there is none), nor beyond the
    door's hours where admissions end with them.
    """
    ends = [] if until is None else [until]
    if door.hours and door.at_closing == "end":
        over = hours.closes(door.hours, unix)
        if over is not None or not hours.is_open(door.hours, unix):
            ends.append(unix if over is None else over)
    return min([door.stay, *(round((end - unix) * SECOND) for end in ends)])


def shuts(config: Config, name: str, unix: float) -> bool:
    """Whether the door's admissions end with its hours, and those are over, or are within a second."""
    door = config.doors.get(name)
    if door is None:
        return False
    return door.at_closing == "end" and bool(door.hours) and not hours.is_open(door.hours, unix + 1)


@define
class Admission:
    """A source let through a door until a moment (ns, monotonic)."""

    door: str
    source: Source
    since: int
    until: int
    keyholder: str | None = None
    how: str = How.KNOCK
    row: int | None = None  # its number in the ledger
    step: int | None = None  # the time step of the sequence that it came by
    last: int = 0  # when it was made or renewed last
    due: int = field(default=0, init=False, eq=False)  # the second in which the register looks at it

    def rest(self, now: int) -> Grant:
        """What is left of it at a moment (ns), to be asked for again."""
        return Grant(self.door, self.source, self.until - now, self.keyholder, self.step, self.how)


class Register:
    """All admissions in force. To find some by door, source, network or keyholder walks few others."""

    def __init__(self) -> None:
        self._by_door: dict[str, dict[Source, Admission]] = {}
        # By neighbourhood, and in it by source without its port.
        self._around: dict[bytes, dict[Source, dict[tuple[str, int], Admission]]] = {}
        self._by_keyholder: dict[str, dict[tuple[str, Source], Admission]] = {}
        self._counts: dict[tuple[str, int], int] = {}  # by door and address family
        self._ends: dict[int, dict[int, Admission]] = {}  # by the second of the clock: whom to look at then
        self._seconds: list[int] = []  # a heap of these seconds, and of some that nobody is left in

    def __len__(self) -> int:
        return sum(map(len, self._by_door.values()))

    def __iter__(self) -> Iterator[Admission]:
        return chain.from_iterable(inside.values() for inside in self._by_door.values())

    def get(self, door: str, source: Source) -> Admission | None:
        """The admission of that source through that door, if there is one."""
        inside = self._by_door.get(door)
        return None if inside is None else inside.get(source)

    def of(self, source: Source) -> list[Admission]:
        """Every admission of that source, also of single connections from it."""
        return list(self._around.get(_neighbourhood(source), {}).get(source, {}).values())

    def near(self, network: Source) -> Iterator[Admission]:
        """The admissions now of sources in `network`, or around it, and of a few of its neighbours. The
        register may change while they are gone through."""
        place, family = _neighbourhood(network), network.family
        if len(place) > 1:
            places = [place, _WIDE[family]]
        else:  # wider than a neighbourhood: all that are in it
            size, bits = _SIZES[family], network.length
            first = int.from_bytes(network.packed[:size], "big") >> (size * 8 - bits)
            places = [_WIDE[family]]
            places += [
                one
                for one in self._around
                if len(one) == size and int.from_bytes(one, "big") >> (size * 8 - bits) == first
            ]
        sources = [inside for place in places for inside in self._around.get(place, {}).values()]
        return (one for inside in sources for one in [*inside.values()])

    def through(self, door: str) -> list[Admission]:
        """Every admission through that door."""
        return list(self._by_door.get(door, {}).values())

    def held_by(self, keyholder: str) -> list[Admission]:
        """Every admission of that keyholder."""
        return list(self._by_keyholder.get(keyholder, {}).values())

    def beyond(self, new: Admission, places: int) -> list[Admission]:
        """What of the keyholder's has to make room at that door for `new`, the longest unrenewed first.

        Two address families of one step are one place.
        """
        held = [one for one in self.held_by(new.keyholder or "") if one.door == new.door]
        by_place: dict[object, list[Admission]] = {}
        for one in held:
            by_place.setdefault(one.source if one.step is None else one.step, []).append(one)
        mine = by_place.pop(new.source if new.step is None else new.step, [])
        others = sorted(by_place.values(), key=lambda some: max((one.last, one.since) for one in some))
        same = [one for one in mine if one is not new and one.source.family == new.source.family]
        gone = others[: max(0, len(others) + 1 - places)]
        return same + [one for some in gone for one in some]

    def keyholders(self) -> list[str]:
        """The keyholders that are admitted somewhere."""
        return list(self._by_keyholder)

    def put(self, admission: Admission) -> None:
        """Add it, or replace the one of the same door and source."""
        door, source = admission.door, admission.source
        inside = self._by_door.get(door)
        if inside is None:
            inside = self._by_door[door] = {}
        known = inside.get(source)
        new = known is not admission
        if new:
            if known is not None:
                self.remove(door, source)
            inside[source] = admission
            place = _neighbourhood(source)
            around = self._around.get(place)
            if around is None:
                around = self._around[place] = {}
            here, mine = around.get(source.whole), (door, source.port)
            if here is None:
                around[source.whole] = {mine: admission}
            else:
                here[mine] = admission
            if admission.keyholder is not None:
                self._by_keyholder.setdefault(admission.keyholder, {})[door, source] = admission
            which = (door, source.family)
            self._counts[which] = self._counts.get(which, 0) + 1
        if not new and admission.until // SECOND < admission.due:
            self._forget_end(admission)
            new = True
        if new:  # one that lasts longer now is looked at again then
            self._expect(admission)

    def _expect(self, one: Admission) -> None:
        one.due = one.until // SECOND
        inside = self._ends.get(one.due)
        if inside is None:
            inside = self._ends[one.due] = {}
            heapq.heappush(self._seconds, one.due)
        inside[id(one)] = one

    def _forget_end(self, one: Admission) -> None:
        inside = self._ends[one.due]
        del inside[id(one)]
        if not inside:
            del self._ends[one.due]
            if len(self._seconds) > 2 * len(self._ends) + 64:
                self._seconds = list(self._ends)
                heapq.heapify(self._seconds)

    def remove(self, door: str, source: Source) -> Admission | None:
        """Take it out; None if it was not there."""
        gone = self._by_door.get(door, {}).pop(source, None)
        if gone is not None:
            place = _neighbourhood(source)
            around = self._around[place]
            self._forget_end(gone)
            _drop(around, source.whole, (door, source.port))
            if not around:
                del self._around[place]
            if gone.keyholder is not None:
                _drop(self._by_keyholder, gone.keyholder, (door, source))
            self._counts[door, source.family] -= 1
        return gone

    def expire(self, now: int, most: int | None = None) -> list[Admission]:
        """Take out those that are over at `now`, `most` at the most, in the order of their ends; of very
        many that end in one second, in any order."""
        over: list[Admission] = []
        present, room = now // SECOND, len(self) if most is None else most
        while self._seconds and self._seconds[0] <= present and len(over) < room:
            second = self._seconds[0]
            inside = self._ends.get(second)
            if inside is None:
                heapq.heappop(self._seconds)
                continue
            if second < present:
                some = list(islice(inside.values(), room - len(over)))
            else:
                some = [one for one in inside.values() if one.until <= now][: room - len(over)]
            if len(some) <= _SORTED:
                some.sort(key=attrgetter("until"))
            for one in some:
                if one.until <= now:
                    self.remove(one.door, one.source)
                    over.append(one)
                else:
                    self._forget_end(one)
                    self._expect(one)
            if second == present:
                break
        return over

    def overdue(self, door: Door, unix: float, now: int) -> list[Admission]:
        """What has to end because the door's hours are over; `unix` (s) and `now` (ns) are one moment.

        Who was admitted after the door closed, by command, stays until it closes again.
        """
        if door.at_closing == "stay" or not door.hours or hours.is_open(door.hours, unix):
            return []
        since = now - round((unix - hours.closed_since(door.hours, unix)) * SECOND)
        return [one for one in self.through(door.name) if one.since < since]

    def count(self, door: str, family: int) -> int:
        """How many sources of an address family (4 or 6) are admitted to a door."""
        return self._counts.get((door, family), 0)

    def full(self, doors: Iterable[str], limit: int) -> list[str]:
        """Where there are as many as `limit` allows."""
        return [
            f"{door} over IPv{family}"
            for door in doors
            for family in (4, 6)
            if self.count(door, family) >= limit
        ]

    def counts(self) -> dict[str, int]:
        """How many are admitted, by door."""
        counts: dict[str, int] = {}
        for (door, _), count in self._counts.items():
            if count:
                counts[door] = counts.get(door, 0) + count
        return counts


def _neighbourhood(source: Source) -> bytes:
    """Sources that are looked through together: those of a /16 or a /48; wider ones are all in one."""
    family = source.family
    size = _SIZES[family]
    return source.packed[:size] if source.length >= size * 8 else _WIDE[family]


def _drop(index: dict[Key, dict[Inner, Admission]], key: Key, inner: Inner) -> None:
    inside = index[key]
    del inside[inner]
    if not inside:
        del index[key]
