"""Keyholders: who has a secret, for which doors, in what style and until when.

In: keyholders.yaml beside the configuration (mode 0600, or it is refused), or the systemd credential
of that name. Out: Keyholders, checked against the doors; every mistake with its line. `add` and
`remove` change the file in place: one entry more or less, everything else as it was.

No secret is ever part of a message or of what `repr` shows.
"""

from __future__ import annotations

import difflib
import os
import re
import stat
from collections.abc import Iterable
from collections.abc import Mapping as AnyMapping
from pathlib import Path
from typing import Any, Final

from attrs import frozen

from portress.config import calendar
from portress.config.model import Config, Door
from portress.config.shapes import Found, Key, Keys, ListOf, Named, Text, Whole, one_of
from portress.config.yaml_tree import Findings, Items, Node, Place, Scalar, decode, quoted, slurp, tree
from portress.durations import expiry, expiry_text
from portress.errors import Mistake
from portress.keyholders.keyholder import STYLES, Keyholder, Sheet, Style
from portress.keyholders.secret import from_base32, to_base32

FILE: Final = "keyholders.yaml"
LAST_NUMBER: Final = 10**12 - 1  # the highest number of a sequence on paper


_WRITTEN: Final = ": should there be no keyholders any more, write an empty list into it: []"
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._@-]{0,63}", re.ASCII)
_LIKE_A_SECRET: Final = re.compile(r"[A-Za-z2-7]{16,}")


def checked_name(text: str) -> str:
    """`text`, if it can be a keyholder's name. Raises ValueError."""
    if not _NAME.fullmatch(text):
        raise ValueError(
            "a name is 1 to 64 letters, digits, dots, hyphens, underscores and @, the first a letter or digit"
        )
    return text


@frozen
class _Secret:
    """A secret in base32; unlike other shapes it never shows what it found."""

    def read(self, node: Node, place: Place, findings: Findings) -> Found:
        where = Place(place.line, place.path)
        if not isinstance(node, Scalar):
            findings.mistake(where, "a secret is one word in base32")
            return Found(where)
        try:
            return Found(where, from_base32(node.text))
        except ValueError as error:
            findings.mistake(where, f"{error}; portress enrol makes one")
            return Found(where)

    def schema(self) -> dict[str, Any]:
        return {"type": "string"}


@frozen
class _Expiry:
    """A date or a moment; YAML's own reading of it does not matter."""

    def read(self, node: Node, place: Place, findings: Findings) -> Found:
        try:
            return Found(place, expiry(node.text if isinstance(node, Scalar) else ""))
        except ValueError as error:
            findings.mistake(place, str(error))
            return Found(place)

    def schema(self) -> dict[str, Any]:
        return {"type": "string"}


def _era(text: str) -> str:
    if not re.fullmatch(r"[0-9a-f]{16}", text):
        raise ValueError("an era is 16 digits from 0 to f, written by portress enrol --paper")
    return text


_SHEET: Final = Keys(
    {
        "first": Key(
            Whole("the first number", 1, LAST_NUMBER), "the number of its first sequence", required=True
        ),
        "sequences": Key(Whole("sequences", 1, 100), "how many are on it", required=True),
        "era": Key(Text("an era", _era), "what makes it void when uses are lost", required=True),
    },
    "a sheet of paper, written by portress enrol --paper",
)

_ENTRY: Final = Keys(
    {
        "name": Key(Text("a name, for example ana", checked_name), "the keyholder's name", required=True),
        "doors": Key(
            ListOf(
                Text("a door's name", str), "a list of doors, for example [vpn]", at_least=1, different=True
            ),
            "the doors their sequences open",
            required=True,
        ),
        "secret": Key(_Secret(), "base32, at least 128 bits", required=True),
        "style": Key(one_of(*STYLES), "how their sequences come about", default="derived"),
        "paper": Key(
            Named(Text("a door's name", str), _SHEET, "sheets by door, written by portress enrol --paper"),
            "the sequences they have on paper",
        ),
        "until": Key(_Expiry(), "the last day, or the time it ends"),
        "hours": Key(calendar.HOURS, "when their sequences are accepted; left out: always"),
    },
    "a keyholder, for example {name: ana, doors: [vpn], secret: …, style: derived}",
)


ABSENT: Final = b"#absent"  # SetCredential= in systemd/portress.service


def locate(config_path: Path, environment: AnyMapping[str, str] = os.environ) -> Path:
    """The keyholders' file: the systemd credential where there is one, else beside the configuration."""
    return credential(environment) or config_path.parent / FILE


def credential(environment: AnyMapping[str, str] = os.environ) -> Path | None:
    """The keyholders' file that systemd has passed to this process, if it has: a copy made at its start.

    Where none is there to be passed, portress.service has ABSENT passed in its place.
    """
    path = _credentials(environment) / FILE
    try:
        return None if path.read_bytes() == ABSENT else path
    except FileNotFoundError:
        return None
    except OSError:  # it is there: who reads it says what is wrong
        return path


def _credentials(environment: AnyMapping[str, str]) -> Path:
    return Path(environment.get("CREDENTIALS_DIRECTORY") or "/nonexistent")


def load(path: Path, doors: AnyMapping[str, Door], *, some: bool = False) -> tuple[Keyholder, ...]:
    """The keyholders in the file at `path`, in its order; none if there is no file. Raises Mistake.

    `some`: there are keyholders in force. That there are to be none has then to be written: a file that is
    missing, or has nothing in it, is a mistake.
    """
    if not os.path.lexists(path):
        if some:
            raise Mistake(f"{path}: there is no such file{_WRITTEN}")
        return ()
    text = _private_text(path)
    if some and not re.sub(r"#.*", "", text).strip():
        raise Mistake(f"{path}: nothing is written in it{_WRITTEN}")
    return parse(text, str(path), doors)


def without_hope(config: Config, keyholders: Iterable[Keyholder], now: float) -> list[str]:
    """The doors that nobody can open at `now` (unix seconds): they need a keyholder, and none has them."""
    held = {door for one in keyholders if one.until is None or one.until > now for door in one.doors}
    return [
        f"door {name}: nobody can open it, it has no keyholder: portress enrol NAME --door {name}"
        for name, door in config.doors.items()
        if door.fixed is None and name not in held
    ]


def _private_text(path: Path) -> str:
    """The file's text. Raises Mistake if others can read it; of a credential systemd takes care itself."""
    data, about = slurp(path)
    mode = stat.S_IMODE(about.st_mode)
    if mode & 0o077 and path.parent != _credentials(os.environ):
        raise Mistake(f"{path}: mode {mode:04o}: the secrets in it are for its owner alone: chmod 600 {path}")
    return decode(data, str(path))


def parse(text: str, name: str, doors: AnyMapping[str, Door] | None) -> tuple[Keyholder, ...]:
    """The keyholders in `text`; `name` is what mistakes call the file. Raises Mistake.

    Without `doors`, it is not checked whether there are such doors.
    """
    findings = Findings(name)
    entries: list[Found] = []
    try:
        entries += (_entry(node, index, findings) for index, node in enumerate(listed(text, findings)))
        _check(entries, doors, findings)
        findings.close()
    except Mistake as mistake:
        names = [str(found.value) for entry in entries if (found := entry.get("name"))]
        raise _redacted(mistake, f"{findings.name}:", [*names, *(doors or ())]) from None
    return tuple(Keyholder(**_plain(entry)) for entry in entries)


def _plain(entry: Found) -> dict[str, Any]:
    values: dict[str, Any] = entry.plain
    values["paper"] = {
        door: Sheet(sheet["first"], sheet["sequences"], sheet["era"])
        for door, sheet in values.get("paper", {}).items()
    }
    return values | ({"hours": calendar.windows(values["hours"])} if "hours" in values else {})


def _redacted(mistake: Mistake, prefix: str, known: list[str]) -> Mistake:
    """The mistake without what may be a secret in a wrong place: a long word that is no name or door."""
    known = [word for word in known if not re.fullmatch(r"[A-Z2-7]{16,}", word)]

    def hidden(found: re.Match[str]) -> str:
        return found[0] if any(found[0] in word for word in known) else "…"

    lines = (line.removeprefix(prefix) for line in mistake.lines)
    return Mistake(*(prefix + _LIKE_A_SECRET.sub(hidden, line) for line in lines))


def listed(text: str, findings: Findings) -> list[Node]:
    """The entries of the list in `text`; an empty file, or one of comments alone, has none."""
    root = tree(text, findings)
    if isinstance(root, Items):
        return root.items
    if not (isinstance(root, Scalar) and root.plain and not root.text):
        findings.mistake(root.line, f"a list of keyholders, each {_ENTRY.wants.partition(', ')[2]}")
    return []


def _entry(node: Node, index: int, findings: Findings) -> Found:
    """One entry, called by its name in mistakes where it has one."""
    path = f"[{index}]"
    pairs = getattr(node, "pairs", ())
    for key, value in pairs:
        if isinstance(key, Scalar) and key.text == "name" and isinstance(value, Scalar):
            path = value.text if _NAME.fullmatch(value.text) else path
    shown = quoted(node.text) if isinstance(node, Scalar) else ""
    return _ENTRY.read(node, Place(node.line, path, shown if not pairs else ""), findings)


def _check(entries: list[Found], doors: AnyMapping[str, Door] | None, findings: Findings) -> None:
    names: dict[str, tuple[str, int]] = {}
    secrets: dict[bytes, str] = {}
    for entry in entries:
        calendar.check(entry, findings)
        name, secret, style = entry.get("name"), entry.get("secret"), entry.get("style")
        if name:
            first, line = names.setdefault(name.value.casefold(), (name.value, name.place.line))
            if line != name.place.line:
                case = "" if first == name.value else f", but for its case: {first!r}"
                findings.mistake(name.place, f"duplicate of the name on line {line} already{case}")
        if name and secret and secrets.setdefault(secret.value, name.value) != name.value:
            findings.mistake(
                secret.place, f"the same secret as {secrets[secret.value]}'s: each has one of their own"
            )
        for door in entry.all("doors") if doors is not None and style else ():
            assert doors is not None and style is not None
            if fault := unsuited(door.value, style.value, doors):
                findings.mistake(door.place, fault)
        sheets, held = entry.get("paper"), {door.value for door in entry.all("doors")}
        for door, sheet in sheets.value.items() if sheets and entry.get("doors") else ():
            if door not in held:
                findings.mistake(sheet.place, f"paper for a door that they do not have: add {door} to doors")


def unsuited(door: str, style: Style, doors: AnyMapping[str, Door]) -> str | None:
    """Why a keyholder of that style cannot have that door, None if they can."""
    if door not in doors:
        near = difflib.get_close_matches(door, doors, 1)
        return (
            f"no such door: the nearest is {near[0]!r}"
            if near
            else f"no such door: there are {', '.join(doors)}"
        )
    if style == "derived" and doors[door].rotating is None:
        return f"this door has no `rotating:`, which style derived needs{_or_else(doors[door])}"
    if style == "authenticator" and doors[door].authenticator is None:
        return f"this door has no `authenticator:`, which style authenticator needs{_or_else(doors[door])}"
    return None


def _or_else(door: Door) -> str:
    other = "authenticator" if door.authenticator else "derived" if door.rotating else None
    return f"; style {other} would suit" if other else ""


def entry_text(keyholder: Keyholder) -> str:
    """The keyholder as one line of the file, with the secret."""

    def word(text: str) -> str:
        return f"'{text}'" if Scalar(1, text, plain=True).taken_for else text

    parts = [
        f"name: {word(keyholder.name)}",
        f"doors: [{', '.join(word(door) for door in keyholder.doors)}]",
        f"secret: {word(to_base32(keyholder.secret))}",
        f"style: {keyholder.style}",
    ]
    if keyholder.paper:
        sheets = (
            f"{word(door)}: {{first: {sheet.first}, sequences: {sheet.count}, era: {word(sheet.era)}}}"
            for door, sheet in keyholder.paper.items()
        )
        parts.append(f"paper: {{{', '.join(sheets)}}}")
    if keyholder.until is not None:
        parts.append(f"until: {expiry_text(keyholder.until)}")
    if keyholder.hours:
        parts.append(f"hours: {calendar.text(keyholder.hours)}")
    return f"- {{{', '.join(parts)}}}"
