"""The maps of the guard that decide, in the kernel: kept at what they are to hold, and read.

In: contents (`guard/contents.py`), end nodes that lead elsewhere now. Out: transactions over netlink, and
what the packet path itself has put into the maps: where callers are, and which uses were claimed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from typing import Final

from attrs import define

from portress.errors import Mistake
from portress.guard import elements, upkeep
from portress.guard.contents import Contents, number_of
from portress.guard.elements import ElementChanges, MapElement
from portress.guard.language import FAMILY, TABLE
from portress.guard.listing import Listing
from portress.guard.ruleset import Ruleset
from portress.knock import SECOND, Source

MOST: Final = 10_000  # callers that keep their places where the map of them is made anew
_MILLISECOND: Final = SECOND // 1000
_PLACES: Final = ("at_", "further_", "within.")  # the maps and sets of where callers are, and since when


@define(eq=False)
class Maps:
    """`change` makes changes in one transaction, and raises Mistake. `holding`: what the maps hold; None: not
    known. `clock` gives ms."""

    change: Callable[[ElementChanges], None]
    holding: Contents | None = None
    clock: Callable[[], int] = lambda: time.monotonic_ns() // _MILLISECOND

    def make_way(self, ruleset: Ruleset, kept: set[str]) -> Contents:
        """Before the rules: out of the maps that stay goes what is not wanted there. What they hold then."""
        now = self.clock()
        if not ruleset.contents:
            self.holding = None
            return {}
        if "next" not in kept:
            return ruleset.steady
        have = upkeep.read(TABLE, now) if self.holding is None else self.holding
        stays = upkeep.common(have, ruleset.contents)
        try:
            self.change(upkeep.change(TABLE, have, stays, now))
        except Mistake:  # somebody else has changed it
            have = upkeep.read(TABLE, now)
            stays = upkeep.common(have, ruleset.contents)
            self.change(upkeep.change(TABLE, have, stays, now))
        return stays

    def places(self, before: Listing, ruleset: Ruleset, kept: set[str]) -> list[str]:
        """Lines for the transaction with the rules: callers keep their places where the maps of them have
        another size now, those with the most time left. Where numbers may mean other nodes now, all lose
        them: nobody is to be further in a sequence than he knocked. Raises Mistake."""
        sizes = {one.name: one.size for one in ruleset.living if one.name.startswith(_PLACES)}
        there = [name for name in sizes if name in before.maps or name in before.sets]
        if there and self.holding is None and not self._alike(ruleset):
            kind = {one: "map" if one in before.maps else "set" for one in there if one in kept}
            return [f"flush {kind[one]} {FAMILY} {TABLE} {one}" for one in kind]
        if before.prefixes != ruleset.prefixes:
            return []
        lines = []
        for name in (one for one in there if one not in kept):
            found = sorted(elements.read_map(TABLE, name), key=lambda one: -one.left)
            listed = ", ".join(_place(one) for one in found[: min(sizes[name], MOST)] if one.left)
            if listed:
                lines.append(f"add element {FAMILY} {TABLE} {name} {{ {listed} }}")
        return lines

    @staticmethod
    def _alike(ruleset: Ruleset) -> bool:
        """Whether what is to be in the map of edges is there already."""
        have = upkeep.read(TABLE, 0)["next"]
        return all(key in have and have[key][0] == data for key, (data, _) in ruleset.steady["next"].items())

    def fill(self, ruleset: Ruleset, holding: Contents) -> None:
        """After the rules: into the maps that decide comes what is wanted in them."""
        if ruleset.contents:
            self.change(upkeep.change(TABLE, holding, ruleset.contents, self.clock()))
            self.holding = ruleset.contents

    def change_contents(self, wanted: Contents, prepared: ElementChanges | None = None) -> None:
        """Have the maps that decide hold what is wanted, in one transaction."""
        have = self.holding
        if prepared is None or have is None:
            now = self.clock()
            have = upkeep.read(TABLE, now) if have is None else have
            prepared = upkeep.change(TABLE, have, wanted, now)
        try:
            self.change(prepared)
        except Mistake:  # an element was not as it was thought to be
            now = self.clock()
            self.change(upkeep.change(TABLE, upkeep.read(TABLE, now), wanted, now))
        self.holding = wanted

    def withdraw(self, ends: Iterable[tuple[bytes, bytes]]) -> None:
        """Have end nodes (key, verdict) lead to another chain from now on."""
        changes = ElementChanges(TABLE)
        new = dict(ends)
        changes.delete("ends", new)
        changes.map("ends", ((key, verdict, 0) for key, verdict in new.items()))
        self.change(changes)
        if self.holding is not None:
            self.holding["ends"] |= {key: (verdict, None) for key, verdict in new.items()}

    def spent(self) -> set[int]:
        """The numbers by which uses are claimed, those that were."""
        return {number_of(one.key) for one in elements.read(TABLE, "spent")}

    def part_way(self, most: int) -> list[tuple[bytes, int, int]] | None:
        """The callers: source, node, ms that its state has left. None if there are more than `most`: reading
        them all would take a core longer than a flood of first knocks is worth."""
        found: dict[bytes, tuple[int, int]] = {}
        for name in ("at", "further"):  # all are in the first; in the second, it is the one that counts
            for family in (4, 6):
                for one in elements.each_of_map(TABLE, f"{name}_{family}"):
                    found[one.key] = (number_of(one.data), one.left)
                    if len(found) > most:
                        return None
        return [(key, *one) for key, one in found.items()]

    def stands_at(self, packed: bytes) -> int | None:
        """The node where a source is, None if it is no caller. Raises OSError."""
        family = 4 if len(packed) == 4 else 6
        found = (elements.find(TABLE, f"{name}_{family}", packed) for name in ("further", "at"))
        return next((number_of(one.data) for one in found if one is not None), None)


def _place(one: MapElement) -> str:
    data = f" : {number_of(one.data)}" if one.data else ""
    address = str(Source.of(one.key)).partition("/")[0]
    return f"{address} timeout {one.left}ms{data}"
