"""Where this host's keyholders are kept: in its file, or, in a fleet, in the fleet's store.

In: the configuration. Out: a Kept, where keyholders are found, added, given further doors, taken out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Protocol

from attrs import evolve, frozen

from portress.config.model import Config, Fleet
from portress.fleet.packages import need
from portress.keyholders import edit
from portress.keyholders.file import FILE
from portress.keyholders.keyholder import Keyholder, Sheet

Keyholders = tuple[Keyholder, ...]


class Kept(Protocol):
    """A place for keyholders. All raise Mistake: it cannot be read or written, or the name is wrong."""

    def known(self, name: str) -> Keyholder | None:
        """The keyholder of that name, if there is one."""

    def add(self, keyholder: Keyholder) -> None:
        """Put in one whose name is not taken."""

    def extend(self, name: str, doors: tuple[str, ...]) -> None:
        """Let a keyholder open these doors, too."""

    def print_paper(self, name: str, sheets: Mapping[str, Sheet]) -> None:
        """Give a keyholder these sheets of paper, by door, in place of those before."""

    def remove(self, name: str) -> None:
        """Take a keyholder out."""


@frozen
class InFile:
    """keyholders.yaml."""

    path: Path

    def known(self, name: str) -> Keyholder | None:
        """See Kept."""
        return edit.known(self.path, name)

    def add(self, keyholder: Keyholder) -> None:
        """See Kept."""
        edit.add(self.path, keyholder)

    def extend(self, name: str, doors: tuple[str, ...]) -> None:
        """See Kept."""
        edit.extend(self.path, name, doors)

    def print_paper(self, name: str, sheets: Mapping[str, Sheet]) -> None:
        """See Kept."""
        edit.print_paper(self.path, name, sheets)

    def remove(self, name: str) -> None:
        """See Kept."""
        edit.remove(self.path, name)


@frozen
class InFleet:
    """The fleet's store."""

    fleet: Fleet

    def known(self, name: str) -> Keyholder | None:
        """See Kept."""
        return next((one for one in self.all() if one.name == name), None)

    def all(self) -> tuple[Keyholder, ...]:
        """All of them, by name."""
        need()
        from portress.fleet.roster import at_store, keyholders

        return keyholders(at_store(self.fleet, lambda roster: roster.read()))

    def add(self, keyholder: Keyholder) -> None:
        """See Kept."""
        need()
        from portress.fleet.roster import at_store

        at_store(self.fleet, lambda roster: roster.add(keyholder))

    def extend(self, name: str, doors: tuple[str, ...]) -> None:
        """See Kept."""
        need()
        from portress.fleet.roster import at_store

        known = self.known(name)
        assert known is not None
        more = evolve(known, doors=(*known.doors, *(door for door in doors if door not in known.doors)))
        at_store(self.fleet, lambda roster: roster.put(more))

    def print_paper(self, name: str, sheets: Mapping[str, Sheet]) -> None:
        """See Kept."""
        need()
        from portress.fleet.roster import at_store

        known = self.known(name)
        assert known is not None
        more = evolve(known, paper={**known.paper, **sheets})
        at_store(self.fleet, lambda roster: roster.put(more))

    def era(self) -> str:
        """The era of the fleet's paper."""
        need()
        from portress.fleet.roster import era

        return era(self.fleet)

    def remove(self, name: str) -> None:
        """See Kept."""
        need()
        from portress.fleet.roster import at_store

        at_store(self.fleet, lambda roster: roster.remove(name))


def place(config: Config, path: Path) -> Kept:
    """Where keyholders are enrolled; `path` is the configuration's."""
    return InFile(path.parent / FILE) if config.fleet is None else InFleet(config.fleet)


def move(path: Path, fleet: Fleet, said: Callable[[str], None]) -> int:
    """Move the keyholders of the file beside the configuration `path` into the fleet; how many.

    One after the other, into the store before it goes from the file; `said` is told each. Raises Mistake.
    """
    mine, theirs = InFile(path.parent / FILE), InFleet(fleet)
    there = {one.name for one in theirs.all()}
    count = 0
    for one in edit.everybody(mine.path):
        if one.name not in there:
            theirs.add(one)
        elif theirs.known(one.name) != one:
            said(f"{one.name} is in the fleet already, as somebody else: left in the file")
            continue
        mine.remove(one.name)
        said(one.name)
        count += 1
    return count


def together(mine: Keyholders, fellows: Keyholders) -> Keyholders:
    """The keyholders of this host's file and of the fleet; of one name, the fleet's."""
    names = {one.name for one in fellows}
    return (*(one for one in mine if one.name not in names), *fellows)
