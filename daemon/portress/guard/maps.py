"""The maps of the guard that decide, in the kernel: kept at what they are to hold, and read.

In: contents (`guard/contents.py`), end nodes that lead elsewhere now. Out: transactions over netlink, and
what the packet path itself has put into the maps: where callers are, and which uses were claimed.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import Final

from attrs import define, field

from portress.errors import Mistake
from portress.guard import elements, upkeep
from portress.guard.contents import MAPS, Contents, number_of
from portress.guard.elements import ElementChanges, MapElement
from portress.guard.language import FAMILY, TABLE
from portress.guard.listing import Listing
from portress.guard.ruleset import Ruleset
from portress.knock import SECOND, Source

PART: Final = 800  # elements that are looked at before others have their turn: some 3 ms, if all are changed
MOST: Final = 10_000  # callers that keep their places where the map of them is made anew
_MILLISECOND: Final = SECOND // 1000
_PLACES: Final = ("at_", "further_", "within.")  # the maps and sets of where callers are, and since when


@define(eq=False)
class Maps:
    """`change` makes changes in one transaction, and raises Mistake. `holding`: what the maps hold; None: not
    known. `clock` gives ms. `find` gives an element of a map by its key, and raises Mistake."""

    change: Callable[[ElementChanges], None]
    holding: Contents | None = None
    clock: Callable[[], int] = lambda: time.monotonic_ns() // _MILLISECOND
    turn: threading.RLock = field(factory=threading.RLock)  # held while the guard is loaded
    find: Callable[[str, bytes], MapElement | None] = lambda _name, _key: None
    turns: int = field(default=0, init=False)  # how often they were changed from here
    _wanted: Contents | None = field(default=None, init=False)  # what they will hold when all is done
    _cleared: Contents | None = field(default=None, init=False)  # out of them went all that is not in this
    _todo: Iterator[tuple[str, list[bytes]]] = field(factory=lambda: iter(()), init=False)

    @property
    def target(self) -> Contents | None:
        """What they hold, or will hold when what was begun is done."""
        return self.holding if self._wanted is None else self._wanted

    def aim(self, wanted: Contents) -> None:
        """Before a guard with these contents is loaded: `clear_part` takes out what is not in them."""
        have = upkeep.read(TABLE, self.clock) if self.holding is None else self.holding
        self.holding = {name: dict(have.get(name, ())) for name in MAPS}
        self._wanted, self._todo = wanted, _parts(MAPS, self.holding)

    def clear_part(self) -> bool:
        """Take some of it out; False if there is no more. Raises Mistake."""
        holding, wanted = self.holding, self._wanted
        part = next(self._todo, None)
        if holding is None or wanted is None or part is None:
            self._cleared, self._wanted = wanted, None
            return False
        name, keys = part
        held, new = holding[name], wanted.get(name, {})
        gone = [(key, held[key]) for key in keys if not upkeep.may_stay(held[key], new.get(key))]
        self._make(upkeep.removal(TABLE, name, gone, self.clock()))
        for key, _ in gone:
            del held[key]
        return True

    def fill_part(self) -> bool:
        """Put in some of what `fill` has left for later; False if all is there. Raises Mistake."""
        with self.turn:
            holding, wanted = self.holding, self._wanted
            if holding is None or wanted is None:
                return False
            part = next(self._todo, None)
            if part is None:
                self.holding, self._wanted = wanted, None
                return False
            name, keys = part
            held, new = holding[name], wanted[name]
            come = [(key, new[key]) for key in keys if not upkeep.same(held.get(key), new[key])]
            short = [(key, held[key]) for key, _ in come if key in held]
            self._make(upkeep.addition(TABLE, name, come, self.clock(), short))
            held.update(come)
            return True

    @property
    def settled(self) -> Contents | None:
        """What they hold, if that is known and nothing is being done about it."""
        return self.holding if self._wanted is None else None

    @staticmethod
    def look(wanted: Contents, clock: Callable[[], int]) -> tuple[Contents, ElementChanges]:
        """What they hold, of that which is `wanted`, and what takes all else out of them. Very much takes a
        while; `set_right` brings it to bear if they were not changed from here meanwhile. Raises Mistake."""
        found = upkeep.read(TABLE, clock)
        right = upkeep.staying(found, wanted)
        return right, upkeep.change(TABLE, found, right, clock())

    def set_right(self, wanted: Contents, right: Contents, gone: ElementChanges) -> None:
        """Others have changed them: what they put there goes, `fill_part` brings what is missing of what is
        `wanted`. Raises Mistake."""
        with self.turn:
            self._make(gone)
            self.holding, self._wanted = right, wanted
            self._todo = _parts(tuple(reversed(MAPS)), wanted)

    def _change(self, changes: ElementChanges) -> None:
        self.turns += 1
        self.change(changes)

    def _make(self, changes: ElementChanges) -> None:
        try:
            self._change(changes)
        except Mistake:
            self.holding = self._wanted = None  # somebody else has changed them
            raise

    def forget(self, contents: Contents) -> None:
        """These will be emptied: if they are what the maps hold, that is not known any more."""
        if self.holding is contents:
            self.holding = None

    def settle(self, wanted: Contents) -> None:
        """Hold this, at once: what was aimed at does not come. Raises Mistake."""
        have, self._wanted, self._cleared = self.holding, None, None
        if have is not None:
            self._make(upkeep.change(TABLE, have, wanted, self.clock()))
            self.holding = wanted

    def make_way(self, ruleset: Ruleset, kept: set[str]) -> Contents:
        """Before the rules: out of the maps that stay goes what is not wanted there. What they hold then."""
        cleared, self._cleared, self._wanted = self._cleared, None, None
        if not ruleset.contents:
            self.holding = None
            return {}
        if "next" not in kept:
            return ruleset.steady
        if self.holding is not None and (cleared is ruleset.contents or self.holding is ruleset.contents):
            return self.holding
        have = upkeep.read(TABLE, self.clock) if self.holding is None else self.holding
        stays, now = upkeep.staying(have, ruleset.contents), self.clock()
        try:
            self._change(upkeep.change(TABLE, have, stays, now))
        except Mistake:  # somebody else has changed it
            have, now = upkeep.read(TABLE, self.clock), self.clock()
            stays = upkeep.staying(have, ruleset.contents)
            self._change(upkeep.change(TABLE, have, stays, now))
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
        have = upkeep.read(TABLE, lambda: 0)["next"]
        return all(key in have and have[key][0] == data for key, (data, _) in ruleset.steady["next"].items())

    def fill(self, ruleset: Ruleset, holding: Contents, *, later: bool = False) -> None:
        """After the rules: into the maps that decide comes what is wanted in them, of which they hold
        `holding`; `later`: by `fill_part`, what leads to something after what it leads to."""
        wanted = ruleset.contents
        if not wanted:
            return
        if later:
            if holding is not self.holding:
                self.holding = {name: dict(holding.get(name, ())) for name in MAPS}
            self._wanted, self._todo = wanted, _parts(tuple(reversed(MAPS)), wanted)
        else:
            self._hold(wanted, upkeep.change(TABLE, holding, wanted, self.clock()))

    def change_contents(self, wanted: Contents, prepared: ElementChanges | None = None) -> None:
        """Have the maps that decide hold what is wanted, in one transaction."""
        have, self._wanted = (None if self._wanted is not None else self.holding), None
        self._cleared = None
        if prepared is None or have is None:
            have = upkeep.read(TABLE, self.clock) if have is None else have
            prepared = upkeep.change(TABLE, have, wanted, self.clock())
        self._hold(wanted, prepared)

    def _hold(self, wanted: Contents, changes: ElementChanges) -> None:
        """Hold what is wanted, by these changes."""
        try:
            self._change(changes)
        except Mistake:  # an element was not as it was thought to be
            have = upkeep.read(TABLE, self.clock)
            self._change(upkeep.change(TABLE, have, wanted, self.clock()))
        self.holding = wanted

    def withdraw(self, ends: Iterable[tuple[bytes, bytes]]) -> None:
        """Have end nodes (key, verdict) lead to another chain from now on."""
        with self.turn:
            new = dict(ends)
            held = None if self.holding is None else self.holding.get("ends", {})
            there = {key: verdict for key, verdict in new.items() if held is None or key in held}
            changes = ElementChanges(TABLE)
            changes.delete("ends", there)
            changes.map("ends", ((key, verdict, 0) for key, verdict in there.items()))
            self._change(changes)
            if held is not None:
                held.update((key, (verdict, None)) for key, verdict in there.items())
            if self._wanted is not None:  # what is not there yet comes as it is to be now
                to_come = self._wanted.get("ends", {})
                to_come.update((key, (verdict, None)) for key, verdict in new.items() if key in to_come)

    def spent(self) -> set[int]:
        """The numbers by which uses are claimed, those that were."""
        return {number_of(one.key) for one in elements.read_map(TABLE, "spent")}

    def part_way(self, most: int) -> list[tuple[bytes, int, int]] | None:
        """The callers: source, node, ms that its state has left. None if there are more than `most`: reading
        them all would take a core longer than a flood of first knocks is worth."""
        found: dict[bytes, tuple[int, int]] = {}
        for name in ("at", "further"):  # all are in the first; in the second, it is the one that counts
            for family in (4, 6):
                for one in elements.each_of_map(TABLE, f"{name}_{family}", whole=False):
                    found[one.key] = (number_of(one.data), one.left)
                    if len(found) > most:
                        return None
        return [(key, *one) for key, one in found.items()]

    def stands_at(self, packed: bytes) -> int | None:
        """The node where a source is, None if it is no caller. Raises Mistake."""
        family = 4 if len(packed) == 4 else 6
        found = (self.find(f"{name}_{family}", packed) for name in ("further", "at"))
        return next((number_of(one.data) for one in found if one is not None), None)


def _parts(names: Iterable[str], contents: Contents) -> Iterator[tuple[str, list[bytes]]]:
    """Some keys at a time, map by map."""
    for name in names:
        keys = iter([*contents.get(name, ())])
        while part := list(islice(keys, PART)):
            yield name, part


def _place(one: MapElement) -> str:
    data = f" : {number_of(one.data)}" if one.data else ""
    address = str(Source.of(one.key)).partition("/")[0]
    return f"{address} timeout {one.left}ms{data}"
