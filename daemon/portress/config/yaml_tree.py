"""Reads YAML into a tree whose every node knows its line, and gathers the mistakes found on the way.

In: the bytes or the text of a file. Out: nodes, and `Findings`, which holds mistakes and warnings until all
are known and then raises one Mistake with a line for each. What the nodes should say is told by `shapes.py`.

YAML is taken strictly, for the files are short and written by hand: UTF-8, one document, no anchors, aliases
or tags, no tabs, nothing nested deeply. Nothing is guessed where YAML 1.1 takes text for something else.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import yaml
from attrs import define, field, frozen

from portress.errors import Mistake

LARGEST: Final = 1 << 20  # bytes of a file
DEEPEST: Final = 16  # lists and mappings inside each other; a configuration needs 5
_TOO_DEEP: Final = f"lists and mappings nested more than {DEEPEST} deep"
MOST_TOLD: Final = 1000  # mistakes told one by one; beyond that the file is of another kind
SHOWN: Final = 60  # characters of a value repeated in a message

# libyaml's parser where PyYAML was built with it: twenty times as fast, with the same marks.
LOADER: Final = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

# What is no text, and the line ends that editors and YAML count differently.
_UNFIT: Final = re.compile(
    "[^\t\n\x20-\x7e\xa0-\u2027\u202a-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)
# Laid out with something else than spaces, outside of comments; and what stands at a line's beginning.
_TAB: Final = re.compile(r"[^#\t]*\t")
_NO_BREAK: Final = re.compile("[^#\xa0]*\xa0")
_INDENTATION: Final = re.compile(r"[ \t\xa0]*")
_EMPTY: Final = re.compile(r":\s*(\{\s*\}|\[\s*\])\s*(#.*)?$")
_FLOW_COLON: Final = re.compile(r"[\[,{]\s*:")

# What the parser says, and what it means to somebody who never read the YAML standard.
_MEANT: Final = {
    "<document start>": "this does not match the line above: check the indentation",
    "<block end>": "this does not match the line above: check the indentation",
    "expected key": "this does not match the line above: check the indentation",
    "mapping values": "one colon too many, or wrong indentation",
}

_TAKEN_FOR: Final = {
    "bool": "true or false",
    "int": "a number",
    "float": "a number",
    "null": "nothing at all",
    "timestamp": "a date",
    "merge": "an instruction",
    "value": "an instruction",
}


def quoted(text: str) -> str:
    """`text` as it stands in a message: in quotes, on one line, printable, not too long."""
    return repr(text if len(text) <= SHOWN else text[:SHOWN] + "…")


def called(name: str) -> str:
    """A file's name as it stands in a message: as given, unless it could not be printed."""
    return name if name.isprintable() else repr(name)


@frozen
class Scalar:
    """A word or a number. `plain`: written without quotes."""

    line: int
    text: str
    plain: bool = False

    @property
    def taken_for(self) -> str | None:
        """What YAML 1.1 takes the unquoted text for, if not for text: `on`, `12:30`, `2027-01-31`, `~`."""
        if not self.plain:
            return None
        tag = _resolve(yaml.ScalarNode, self.text, (True, False))
        return _TAKEN_FOR.get(tag.rpartition(":")[2])


@frozen
class Items:
    line: int
    items: list[Node] = field(factory=list)


@frozen
class Mapping:
    line: int
    pairs: list[tuple[Node, Node]] = field(factory=list)


@frozen
class Malformed:
    """Stands where something was written that is already told as a mistake."""

    line: int


Node = Scalar | Items | Mapping | Malformed

_resolve: Callable[[type, str, tuple[bool, bool]], str] = yaml.resolver.Resolver().resolve


@frozen
class Place:
    """Where something stands: line, path of keys (`doors.ssh.fixed.knocks[1]`), and the value as shown."""

    line: int
    path: str = ""
    shown: str = ""

    @classmethod
    def root(cls, node: Node) -> Place:
        """The place of a whole file."""
        return cls(node.line, "", quoted(node.text) if isinstance(node, Scalar) and node.text else "")

    def of(self, key: str | int, node: Node, line: int) -> Place:
        """The place of `node` inside this one. `line`: where its key stands; a word has a line of its own."""
        if isinstance(key, int):
            path = f"{self.path}[{key}]"
        else:
            word = key if re.fullmatch(r"[\w-]+", key, re.ASCII) and len(key) <= SHOWN else quoted(key)
            path = f"{self.path}.{word}" if self.path else word
        if isinstance(node, Scalar) and (node.text or not node.plain):
            return Place(node.line, path, quoted(node.text))
        return Place(line, path)

    def __str__(self) -> str:
        return ": ".join(part for part in (str(self.line), self.path, self.shown) if part)


@define
class Findings:
    """The mistakes and warnings found in one file, each `file:line: path: value: what would be right`."""

    name: str
    _mistakes: list[tuple[int, str]] = field(factory=list)
    _warnings: list[tuple[int, str]] = field(factory=list)
    _untold: int = 0

    def __attrs_post_init__(self) -> None:
        self.name = called(self.name)

    @property
    def full(self) -> bool:
        """So many mistakes are known that no more are told."""
        return len(self._mistakes) >= MOST_TOLD

    def mistake(self, place: Place | int, right: str) -> None:
        """Note a mistake; `right` says what would be right. A bare number is a line."""
        if self.full:
            self._untold += 1
            return
        line = place if isinstance(place, int) else place.line
        self._mistakes.append((line, f"{self.name}:{place}: {right}"))

    def warn(self, place: Place, what: str) -> None:
        """Note what is allowed but worth telling."""
        self._warnings.append((place.line, f"{self.name}:{place}: {what}"))

    def warnings(self) -> tuple[str, ...]:
        """All warnings, in the order of the lines."""
        return tuple(text for _, text in sorted(self._warnings, key=lambda pair: pair[0]))

    def close(self) -> None:
        """Raise Mistake, with a line for each in the order of the file, if any was found."""
        if self._mistakes:
            lines = [text for _, text in sorted(self._mistakes, key=lambda pair: pair[0])]
            if self._untold:
                lines.append(f"{self.name}: and {self._untold:,} more mistakes")
            raise Mistake(*lines)


def slurp(path: Path, wanting: str = "there is no such file") -> tuple[bytes, os.stat_result]:
    """The bytes of a file and its stat. Never waits for a FIFO; raises Mistake, never OSError.

    `wanting`: what is told where there is no such file.
    """
    name = called(str(path))
    try:
        # Without O_NONBLOCK, opening a FIFO waits for somebody to write to it.
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY)
        with open(handle, "rb") as file:
            about = os.fstat(handle)
            if not stat.S_ISREG(about.st_mode):
                raise Mistake(f"{name}: {_kind(about.st_mode)}: not a plain file")
            data = file.read(LARGEST + 1)
    except FileNotFoundError:
        raise Mistake(f"{name}: {wanting}") from None
    except PermissionError:
        raise Mistake(f"{name}: permission denied: run it as root, or change the file's mode") from None
    except IsADirectoryError:
        raise Mistake(f"{name}: a directory: not a plain file") from None
    except (OSError, ValueError) as error:
        raise Mistake(f"{name}: cannot be read: {getattr(error, 'strerror', None) or error}") from None
    if len(data) > LARGEST:
        raise Mistake(f"{name}: larger than 1 MiB: a file of this kind is a few kilobytes")
    return data, about


def _kind(mode: int) -> str:
    kinds = {stat.S_IFDIR: "a directory", stat.S_IFIFO: "a FIFO", stat.S_IFSOCK: "a socket"}
    return kinds.get(stat.S_IFMT(mode), "a device")


def decode(data: bytes, name: str) -> str:
    """The text of a file's bytes. Raises Mistake, with the line, if they are not UTF-8."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # The position counts from behind a byte order mark, which holds no line end.
        line = error.object[: error.start].count(b"\n") + 1
        byte = error.object[error.start]
        raise Mistake(f"{called(name)}:{line}: byte 0x{byte:02x}: the file is not UTF-8 text") from None


def tree(text: str, findings: Findings) -> Node:
    """The nodes of a YAML text. Raises Mistake where reading cannot go on; others go to `findings`."""
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    if len(text) > LARGEST:
        raise Mistake(f"{findings.name}: larger than 1 MiB: a file of this kind is a few kilobytes")
    if unfit := _UNFIT.search(text):
        line = text.count("\n", 0, unfit.start()) + 1
        code = ord(unfit[0])
        what = (
            "a NUL character: this is not a text file"
            if code == 0
            else f"character U+{code:04X} is not allowed here"
        )
        findings.mistake(line, what)
        findings.close()
    text = _spaced(text, findings)
    try:
        return _Builder(findings).build(yaml.parse(text, LOADER))
    except yaml.MarkedYAMLError as error:
        findings.close()  # what was told before may be the reason, and is plainer
        findings.mistake(*_explained(error, text))
        findings.close()
        raise


def _spaced(text: str, findings: Findings) -> str:
    """The text laid out with spaces alone, so that one goes on reading where it was laid out otherwise.

    That is a mistake all the same. Raises Mistake where it cannot be told what belongs to what.
    """
    lines = text.split("\n")
    begins: set[str] = set()
    for index, line in enumerate(lines):
        if _TAB.match(line):
            findings.mistake(index + 1, "a tab: indent YAML with spaces")
        elif _NO_BREAK.match(line):
            findings.mistake(index + 1, "a no-break space (U+00A0): use plain spaces")
        begin = _INDENTATION.match(line)
        begins.update(begin[0] if begin else "")
        lines[index] = line.replace("\t", "  ").replace("\xa0", " ")
    if "\t" in begins and len(begins) > 1:
        findings.close()
    return "\n".join(lines)


def _explained(error: yaml.MarkedYAMLError, text: str) -> tuple[int, str]:
    """Line and wording of what the YAML parser complains of."""
    lines = text.rstrip().split("\n")
    line = min(error.problem_mark.line, len(lines) - 1) if error.problem_mark else 0
    if "nesting depth" in (error.problem or ""):  # the parser's own limit, since PyYAML 6.0.4
        return line + 1, _TOO_DEEP
    if _FLOW_COLON.search(lines[line]):
        return (
            line + 1,
            "not YAML: inside brackets, quote what starts with a colon: '::1'",
        )
    above = next((one for one in reversed(lines[:line]) if one.split("#")[0].strip()), "")
    if _EMPTY.search(above):
        return (
            line + 1,
            f"indented below {above.strip()!r}, which is empty: remove the brackets there",
        )
    what = error.problem or "it cannot be read"
    meant = next((meant for said, meant in _MEANT.items() if said in what), None)
    if meant:
        what = meant
    elif error.context and error.context_mark:
        what = f"{what}, {error.context} that starts on line {error.context_mark.line + 1}"
    return line + 1, "not YAML: " + re.sub(r"[^ -~]", "?", what)


class _Builder:
    """Puts nodes together from the parser's events, without recursion: no nesting is too deep for it."""

    def __init__(self, findings: Findings) -> None:
        self.findings = findings
        self.open: list[tuple[Items | Mapping, list[Node]]] = []
        self.root: Node | None = None

    def build(self, events: Iterator[Any]) -> Node:
        for event in events:
            line = event.start_mark.line + 1
            if isinstance(event, yaml.DocumentStartEvent) and self.root is not None:
                self._stop(line, "a second document starts here; one per file")
            elif isinstance(event, yaml.CollectionStartEvent):
                self._enter(event, line)
            elif isinstance(event, yaml.CollectionEndEvent):
                self._leave()
            elif isinstance(event, yaml.AliasEvent):
                self._refuse(f"*{event.anchor}", line)
                self._put(Malformed(line))
            elif isinstance(event, yaml.ScalarEvent):
                fit = self._plainly_written(event, line)
                self._put(Scalar(line, event.value, event.implicit[0]) if fit else Malformed(line))
        return self.root if self.root is not None else Scalar(1, "", plain=True)

    def _stop(self, line: int, what: str) -> None:
        self.findings.mistake(line, what)
        self.findings.close()

    def _refuse(self, what: str, line: int) -> None:
        self.findings.mistake(
            line, f"{quoted(what)}: anchors, aliases and tags are not allowed here: write it out"
        )

    def _plainly_written(self, event: Any, line: int) -> bool:
        if event.anchor is not None:
            self._refuse(f"&{event.anchor}", line)
        if event.tag is not None:
            self._refuse(event.tag, line)
        return event.anchor is None and event.tag is None

    def _enter(self, event: Any, line: int) -> None:
        self._plainly_written(event, line)
        if len(self.open) == DEEPEST:
            self._stop(line, _TOO_DEEP)
        node = Mapping(line) if isinstance(event, yaml.MappingStartEvent) else Items(line)
        self.open.append((node, []))

    def _leave(self) -> None:
        node, parts = self.open.pop()
        if isinstance(node, Mapping):
            node.pairs.extend(zip(parts[::2], parts[1::2], strict=True))
        else:
            node.items.extend(parts)
        self._put(node)

    def _put(self, node: Node) -> None:
        if self.open:
            self.open[-1][1].append(node)
        else:
            self.root = node
