"""Changes to keyholders.yaml: one entry more or less, comments and order kept, never a moment half-written.

In: the file's path and a keyholder, or a name. Out: the file replaced in one step: a new one, mode 0600,
written beside it, synced, renamed over it. Two changes at once wait for each other.
"""

from __future__ import annotations

import difflib
import fcntl
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from attrs import evolve, frozen

from portress import files
from portress.config.yaml_tree import Findings, decode, slurp
from portress.errors import Mistake
from portress.keyholders.file import entry_text, listed, parse
from portress.keyholders.keyholder import Keyholder, Sheet

HEADER: Final = """\
# Who may open rotating doors, and with which secret. Anyone who can read this file can open them: mode 0600.
# portress enrol and portress unenrol add and remove entries; comments and order are kept.
"""


class Unknown(Mistake):
    """No keyholder in the file has that name."""


def add(path: Path, keyholder: Keyholder) -> None:
    """Append `keyholder` to the file at `path`, which is made if there is none.

    Raises Mistake: the name is taken, the file has mistakes or cannot be written.
    """
    with locked(path):
        text = _text(path)
        before = parse(text, str(path), None)
        for other in before:
            if other.name.casefold() == keyholder.name.casefold():
                raise Mistake(
                    f"{path}: {other.name} is enrolled already: portress unenrol {other.name} first, "
                    "or take another name"
                )
        if not before and re.sub(r"#.*", "", text).strip() == "[]":
            text = re.sub(r"^ *\[\]\n?", "", text, count=1, flags=re.MULTILINE)
        _put(path, _appended(text, keyholder), (*before, keyholder))


def known(path: Path, name: str) -> Keyholder | None:
    """The keyholder called `name` in the file at `path`, if there is one. Raises Mistake."""
    return next((one for one in parse(_text(path), str(path), None) if one.name == name), None)


def extend(path: Path, name: str, doors: Sequence[str]) -> Keyholder:
    """Give the keyholder called `name` more doors, and say who it is now. Raises Unknown, and Mistake: they
    have one of the doors already, the file has mistakes or cannot be written.
    """
    with _entry(path, name) as entry:
        for door in doors:
            if door in entry.keyholder.doors:
                raise Mistake(
                    f"{path}: {name} is enrolled already for door {door}, and its keycard cannot be"
                    f" issued again: portress unenrol {name} first, or choose another name"
                )
        return entry.put(evolve(entry.keyholder, doors=(*entry.keyholder.doors, *doors)), _exchanged)


def print_paper(path: Path, name: str, sheets: Mapping[str, Sheet]) -> Keyholder:
    """Give the keyholder called `name` these sheets of paper, by door, in place of those before, and say who
    it is now. Raises Unknown, and Mistake: they have not one of the doors, the file has mistakes or cannot be
    written.
    """
    with _entry(path, name) as entry:
        for door in sheets:
            if door not in entry.keyholder.doors:
                raise Mistake(
                    f"{path}: {name} is not enrolled for door {door}:"
                    f" portress enrol {name} --door {door} first"
                )
        return entry.put(evolve(entry.keyholder, paper={**entry.keyholder.paper, **sheets}), _exchanged_whole)


def remove(path: Path, name: str) -> Keyholder:
    """Take the keyholder called `name` out of the file at `path`, and say who it was.

    The doors need not exist any more. Raises Unknown, and Mistake: the file has mistakes or cannot be
    written.
    """
    with _entry(path, name) as entry:
        left = entry.others(())
        # Nobody is written as nobody: a file without a list might have lost it.
        _put(path, _without(entry.text, entry.index) + ("" if left else "[]\n"), left)
        return entry.keyholder


@frozen
class _Entry:
    """One keyholder's entry, number `index` of the file's, while the file is locked."""

    path: Path
    text: str
    everybody: tuple[Keyholder, ...]
    index: int

    @property
    def keyholder(self) -> Keyholder:
        return self.everybody[self.index]

    def others(self, instead: tuple[Keyholder, ...]) -> tuple[Keyholder, ...]:
        """Everybody, with `instead` in this one's place."""
        return (*self.everybody[: self.index], *instead, *self.everybody[self.index + 1 :])

    def put(self, after: Keyholder, exchanged: Callable[[str, int, Keyholder], str]) -> Keyholder:
        """Write `after` in its place, as `exchanged` changes the text."""
        _put(self.path, exchanged(self.text, self.index, after), self.others((after,)))
        return after


@contextmanager
def _entry(path: Path, name: str) -> Iterator[_Entry]:
    """The entry of the keyholder called `name`; nobody else changes the file meanwhile. Raises Unknown."""
    with locked(path):
        text = _text(path)
        before = parse(text, str(path), None)
        for index, keyholder in enumerate(before):
            if keyholder.name == name:
                yield _Entry(path, text, before, index)
                return
        raise Unknown(f"{path}: {unknown(name, before)}")


def everybody(path: Path) -> tuple[Keyholder, ...]:
    """The keyholders in the file, whatever their doors; none if there is no file. Raises Mistake."""
    return parse(_text(path), str(path), None) if os.path.lexists(path) else ()


def unknown(name: str, keyholders: Sequence[Keyholder]) -> str:
    """That there is no such keyholder, and whose name is the nearest."""
    near = difflib.get_close_matches(name, [keyholder.name for keyholder in keyholders], 1)
    return f"no keyholder is called {name!r}" + (f": the nearest is {near[0]!r}" if near else "")


def save(path: Path, keyholders: Sequence[Keyholder]) -> None:
    """Write a file of just these keyholders, whatever stood there. Raises Mistake."""
    lines = "".join(f"{entry_text(keyholder)}\n" for keyholder in keyholders)
    with locked(path):
        _put(path, HEADER + lines, tuple(keyholders))


def _text(path: Path) -> str:
    """The file's text, whatever its mode: replacing it makes it private."""
    return decode(slurp(path)[0], str(path)) if os.path.lexists(path) else HEADER


def _appended(text: str, keyholder: Keyholder) -> str:
    if text and not text.endswith("\n"):
        text += "\n"
    dashes = re.findall(r"^( *)- ", text, re.MULTILINE)
    return f"{text}{dashes[0] if dashes else ''}{entry_text(keyholder)}\n"


def _without(text: str, index: int) -> str:
    """The text without the lines of one entry; comments in front of the next entry stay."""
    lines = text.splitlines(keepends=True)
    first, last = _span(text, index)
    return "".join(lines[:first] + lines[last:])


def _span(text: str, index: int) -> tuple[int, int]:
    """The lines of one entry, counted from 0: the first, and the one after its last."""
    items = listed(text, Findings("keyholders"))
    lines = text.splitlines(keepends=True)
    first = items[index].line - 1
    last = items[index + 1].line - 1 if index + 1 < len(items) else len(lines)
    while last > first + 1 and re.match(r"\s*(#|$)", lines[last - 1]):
        last -= 1
    return first, last


def _exchanged(text: str, index: int, keyholder: Keyholder) -> str:
    """The text with one entry's doors as `keyholder` has them; the whole entry anew where it is laid out so
    that they cannot be exchanged alone."""
    lines = text.splitlines(keepends=True)
    first, last = _span(text, index)
    entry = "".join(lines[first:last])
    doors = entry_text(keyholder).partition("doors: ")[2].partition("]")[0] + "]"
    changed = re.sub(r"doors:\s*\[[^\]#]*\]", lambda _: f"doors: {doors}", entry, count=1)
    if changed == entry:
        return _exchanged_whole(text, index, keyholder)
    return "".join(lines[:first]) + changed + "".join(lines[last:])


def _exchanged_whole(text: str, index: int, keyholder: Keyholder) -> str:
    """The text with one entry written anew."""
    lines = text.splitlines(keepends=True)
    first, last = _span(text, index)
    dash = (re.match(r" *", lines[first]) or [""])[0]
    return "".join(lines[:first]) + f"{dash}{entry_text(keyholder)}\n" + "".join(lines[last:])


def _put(path: Path, text: str, wanted: tuple[Keyholder, ...]) -> None:
    """Replace the file, if `text` really says what is wanted."""
    says = None
    with suppress(Mistake):
        says = parse(text, str(path), None)
    if says != wanted:
        raise Mistake(
            f"{path}: laid out in a way that cannot be changed safely: put each entry on a line of its own"
        )
    _replace(path, text)


def _replace(path: Path, text: str) -> None:
    try:
        files.replace(path, text)
    except OSError as error:
        raise _unwritable(path, error) from error


def _unwritable(path: Path, error: OSError) -> Mistake:
    return Mistake(f"{path}: cannot be changed: {error.strerror or error}")


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Nobody else changes the file meanwhile: they lock its directory, for the file itself is replaced."""
    try:
        directory = os.open(Path(os.path.realpath(path)).parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError as error:
        raise _unwritable(path, error) from error
    try:
        fcntl.flock(directory, fcntl.LOCK_EX)
        yield
    finally:
        os.close(directory)
