"""The register: all admissions in force, found by door, source, network or keyholder. Pure.

It is what is told to people, kept in the ledger, and put back when somebody else threw the guard away. Where
other widths of addresses count as a source, it is counted again a part at a time: `recount`.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator
from itertools import chain, islice
from operator import attrgetter
from typing import Any, Final, TypeVar

from portress import hours
from portress.admissions import Admission
from portress.config.model import Door
from portress.knock import SECOND, Source, Widths

_SORTED: Final = 1000
_SIZES: Final = {4: 2, 6: 6}  # by address family: bytes that tell neighbourhoods apart
_WIDE: Final = {4: b"4", 6: b"6"}

Key = TypeVar("Key")
Inner = TypeVar("Inner")


class Index:
    """Admissions by what they are looked for by. To find some walks few others."""

    def __init__(self) -> None:
        self._by_door: dict[str, dict[Source, Admission]] = {}
        # By neighbourhood, and in it by source without its port.
        self._around: dict[bytes, dict[Source, dict[tuple[str, int], Admission]]] = {}
        self._by_keyholder: dict[str, dict[tuple[str, Source], Admission]] = {}
        self._counts: dict[tuple[str, int], int] = {}  # by door and address family

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

    def keyholders(self) -> list[str]:
        """The keyholders that are admitted somewhere."""
        return list(self._by_keyholder)

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

    def crowded(self, limit: int) -> list[tuple[str, int]]:
        """Where there are more: door and address family."""
        return [place for place, count in self._counts.items() if count > limit]

    def counts(self) -> dict[str, int]:
        """How many are admitted, by door."""
        counts: dict[str, int] = {}
        for (door, _), count in self._counts.items():
            if count:
                counts[door] = counts.get(door, 0) + count
        return counts

    def _add(self, source: Source, admission: Admission) -> None:
        """Have it found as that of `source`, which has none at that door."""
        door, place = admission.door, _neighbourhood(source)
        inside = self._by_door.get(door)
        if inside is None:
            inside = self._by_door[door] = {}
        inside[source] = admission
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

    def _take_out(self, door: str, source: Source) -> Admission | None:
        """Have it found no more; None if it was not there."""
        gone = self._by_door.get(door, {}).pop(source, None)
        if gone is not None:
            place = _neighbourhood(source)
            around = self._around[place]
            _drop(around, source.whole, (door, source.port))
            if not around:
                del self._around[place]
            if gone.keyholder is not None:
                _drop(self._by_keyholder, gone.keyholder, (door, source))
            self._counts[door, source.family] -= 1
        return gone


class Recount(Index):
    """The admissions of a register by sources of other `widths`. Of several that are one source then, at one
    door, the longest is there; the others are `merged`."""

    def __init__(self, widths: Widths) -> None:
        super().__init__()
        self.widths = widths
        self.merged: dict[int, Admission] = {}  # by identity

    def put(self, one: Admission) -> None:
        """Add it, or have it that it may last longer now."""
        source = self.widths.counted(one.source)
        known = self.get(one.door, source)
        if known is not None and known.until > one.until:
            self.merged[id(one)] = one
            return
        if known is not None:
            self._take_out(one.door, source)
            self.merged[id(known)] = known
        self.merged.pop(id(one), None)
        self._add(source, one)

    def drop(self, one: Admission) -> None:
        """It has ended."""
        source = self.widths.counted(one.source)
        if self.get(one.door, source) is one:
            self._take_out(one.door, source)
        self.merged.pop(id(one), None)


class Register(Index):
    """All admissions in force.

    Where other widths count: `recount`, then each admission to what that returns (`Recount.put`), then
    `adopt`, which takes no time, then `settle` with each admission. Between any two of these steps everything
    may go on, before `adopt` by the old sources, after it by the new ones.
    """

    def __init__(self) -> None:
        super().__init__()
        self._ends: dict[int, dict[int, Admission]] = {}  # by the second of the clock: whom to look at then
        self._seconds: list[int] = []  # a heap of these seconds, and of some that nobody is left in
        self._coming: Recount | None = None
        self._widths: Widths | None = None  # while the sources of some admissions are not as they count

    def get(self, door: str, source: Source) -> Admission | None:
        """The admission of that source through that door, if there is one."""
        inside = self._by_door.get(door)
        if inside is None:
            return None
        if self._widths is None:
            return inside.get(source)
        found = inside.get(self._widths.counted(source))
        if found is not None:
            self.settle([found])
        return found

    def of(self, source: Source) -> list[Admission]:
        """Every admission of that source, also of single connections from it."""
        found = super().of(source)
        self.settle(found)
        return found

    def near(self, network: Source) -> Iterator[Admission]:
        """The admissions now of sources in `network`, or around it, and of a few of its neighbours. The
        register may change while they are gone through."""
        for one in super().near(network):
            self.settle([one])
            yield one

    def held_by(self, keyholder: str) -> list[Admission]:
        """Every admission of that keyholder."""
        found = super().held_by(keyholder)
        self.settle(found)
        return found

    def recount(self, widths: Widths) -> Recount:
        """What is to be filled with every admission, to be adopted then. It knows what comes and goes."""
        self._coming = Recount(widths)
        return self._coming

    def adopt(self, recount: Recount) -> list[dict[Any, Any]]:
        """Find the admissions by the sources that count now. Returns what they were found by, to be freed."""
        before: list[dict[Any, Any]] = [self._by_door, self._around, self._by_keyholder]
        self._by_door, self._around = recount._by_door, recount._around
        self._by_keyholder, self._counts = recount._by_keyholder, recount._counts
        self._coming, self._widths = None, recount.widths
        return before

    def settle(self, some: Iterable[Admission]) -> None:
        """Have the sources of these be those that count."""
        if self._widths is not None:
            for one in some:
                one.source = self._widths.counted(one.source)

    def settled(self) -> None:
        """The sources of all admissions are those that count."""
        self._widths = None

    def forget(self, merged: Iterable[Admission]) -> None:
        """Expect the ends of these no more: each is part of another admission now."""
        for one in merged:
            if id(one) in self._ends.get(one.due, ()):
                self._forget_end(one)

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

    def put(self, admission: Admission) -> None:
        """Add it, or replace the one of the same door and source."""
        known = self.get(admission.door, admission.source)
        new = known is not admission
        if new:
            if known is not None:
                self.remove(admission.door, admission.source)
            self._add(admission.source, admission)
        if not new and admission.until // SECOND < admission.due:
            self._forget_end(admission)
            new = True
        if new:  # one that lasts longer now is looked at again then
            self._expect(admission)
        if self._coming is not None:
            self._coming.put(admission)

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
        gone = self._take_out(door, source if self._widths is None else self._widths.counted(source))
        if gone is not None:
            self.settle([gone])
            self._forget_end(gone)
            if self._coming is not None:
                self._coming.drop(gone)
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
                if self.get(one.door, one.source) is not one:  # it is part of another
                    self._forget_end(one)
                elif one.until <= now:
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
        found = [one for one in self.through(door.name) if one.since < since]
        self.settle(found)
        return found


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
