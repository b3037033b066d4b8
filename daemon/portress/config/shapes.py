"""The shapes a value in a file can have: text, number, list, mapping. Each reads a node and describes itself.

In: nodes from `yaml_tree.py`. Out: `Found` values with their places, and the JSON Schema of the same shape,
so that what editors accept and what Portress accepts come from one table (`schema.py`).
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable
from typing import Any, Final, Protocol

from attrs import field, frozen

from portress.config.yaml_tree import Findings, Items, Malformed, Mapping, Node, Place, Scalar, quoted

BAD: Final = object()  # the value of what could not be read


@frozen
class Found:
    """A value and where it stands. A mapping's value is a dict of Found, a list's a list of Found."""

    place: Place
    value: Any = BAD

    @property
    def ok(self) -> bool:
        return self.value is not BAD

    def get(self, *keys: str) -> Found | None:
        """What stands under the keys, one inside the other; None if it is absent or could not be read."""
        found = self
        for key in keys:
            inner = found.value.get(key) if isinstance(found.value, dict) else None
            if inner is None or not inner.ok:
                return None
            found = inner
        return found

    def all(self, *keys: str) -> list[Found]:
        """The items of the list under the keys that could be read."""
        found = self.get(*keys)
        return [item for item in found.value if item.ok] if found else []

    @property
    def whole(self) -> bool:
        """It and all inside it could be read."""
        if isinstance(self.value, dict):
            return all(inner.whole for inner in self.value.values())
        if isinstance(self.value, list):
            return all(item.whole for item in self.value)
        return self.ok

    @property
    def plain(self) -> Any:
        """The values alone: dicts, tuples and what stands in them."""
        if isinstance(self.value, dict):
            return {key: found.plain for key, found in self.value.items()}
        if isinstance(self.value, list):
            return tuple(found.plain for found in self.value)
        return self.value


class Shape(Protocol):
    """What a value must look like."""

    def read(self, node: Node, place: Place, findings: Findings) -> Found: ...
    def schema(self) -> dict[str, Any]: ...


def _wrong_kind(node: Node, place: Place, findings: Findings, wants: str) -> Found:
    if isinstance(node, Items):
        wants = f"this is a list: {wants}"
    elif isinstance(node, Mapping):
        wants = f"this is a mapping: {wants}"
    elif isinstance(node, Scalar) and not place.shown:
        wants = f"empty: {wants}"
    if not isinstance(node, Malformed):
        findings.mistake(place, wants)
    return Found(place)


@frozen
class Text:
    """A word that `parse` understands; it raises ValueError whose text says what would be right."""

    wants: str
    parse: Callable[[str], Any]
    described: dict[str, Any] = field(factory=dict)  # further JSON Schema

    def read(self, node: Node, place: Place, findings: Findings) -> Found:
        if not isinstance(node, Scalar) or not place.shown:
            return _wrong_kind(node, place, findings, self.wants)
        try:
            value = self.parse(node.text)
        except ValueError as error:
            findings.mistake(place, str(error))
            return Found(place)
        if meant := node.taken_for:
            findings.mistake(place, f"quote it: YAML reads it as {meant}")
            return Found(place)
        return Found(place, value)

    def schema(self) -> dict[str, Any]:
        return {"type": "string", **self.described}


def one_of(*words: str) -> Text:
    """One of a few words."""
    wants = f"{', '.join(words[:-1])} or {words[-1]}"

    def parse(text: str) -> str:
        if text not in words:
            near = difflib.get_close_matches(text[:40], words, 1)
            raise ValueError(wants + (f"; {near[0]!r} is the nearest" if near else ""))
        return text

    return Text(wants, parse, {"enum": list(words)})


@frozen
class Whole:
    """A whole number in decimal digits from `low` to `high`; `of` says of what, for example "a limit"."""

    of: str
    low: int
    high: int

    def read(self, node: Node, place: Place, findings: Findings) -> Found:
        wants = f"{self.of} is a whole number from {self.low} to {self.high}"
        if not isinstance(node, Scalar) or not place.shown:
            return _wrong_kind(node, place, findings, wants)
        if not re.fullmatch(r"0|-?[1-9][0-9]*", node.text, re.ASCII):
            findings.mistake(place, f"{wants}, in decimal digits")
        elif not node.plain:
            findings.mistake(place, f"{wants}, without quotes")
        elif len(node.text) > 12 or not self.low <= int(node.text) <= self.high:
            findings.mistake(place, wants)
        else:
            return Found(place, int(node.text))
        return Found(place)

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


@frozen
class Truth:
    """`true` or `false`, so written."""

    def read(self, node: Node, place: Place, findings: Findings) -> Found:
        if not isinstance(node, Scalar) or not place.shown:
            return _wrong_kind(node, place, findings, "true or false")
        if node.text not in ("true", "false"):
            findings.mistake(place, "true or false")
        elif not node.plain:
            findings.mistake(place, "true or false, without quotes")
        else:
            return Found(place, node.text == "true")
        return Found(place)

    def schema(self) -> dict[str, Any]:
        return {"type": "boolean"}


@frozen
class ListOf:
    """A list of things of one shape. `different`: no duplicates."""

    shape: Shape
    wants: str
    at_least: int = 0
    different: bool = False

    def read(self, node: Node, place: Place, findings: Findings) -> Found:
        if not isinstance(node, Items):
            return _wrong_kind(node, place, findings, f"{self.wants}")
        items: list[Found] = []
        seen: dict[Any, Place] = {}
        for index, inner in enumerate(node.items):
            item = self.shape.read(inner, place.of(index, inner, inner.line), findings)
            if self.different and item.ok and seen.setdefault(item.value, item.place) is not item.place:
                findings.mistake(item.place, f"duplicate of {seen[item.value].path}")
                item = Found(item.place)
            items.append(item)
        if len(items) < self.at_least:
            findings.mistake(place, f"an empty list: {self.wants}")
            return Found(place)
        return Found(place, items)

    def schema(self) -> dict[str, Any]:
        told: dict[str, Any] = {"type": "array", "items": self.shape.schema()}
        if self.at_least:
            told["minItems"] = self.at_least
        if self.different:
            told["uniqueItems"] = True
        return told


@frozen
class Key:
    """A key of a mapping. `default` is written as in the file, None if an absent key stays absent."""

    shape: Shape
    tells: str
    required: bool = False
    default: Any = None


Pairs = dict[str, tuple[Scalar, Node]]


def _keys(node: Mapping, place: Place, findings: Findings) -> tuple[Pairs, list[tuple[Scalar, Node]]]:
    """The pairs of a mapping by key, and those whose key was there already.

    Keys written twice, and what is no word, are mistakes.
    """
    pairs: Pairs = {}
    again: list[tuple[Scalar, Node]] = []
    for key, inner in node.pairs:
        if isinstance(key, Items | Mapping):
            where = Place(key.line, place.path)
            findings.mistake(where, "a key is a single word followed by a colon")
        elif isinstance(key, Scalar) and key.text in pairs:
            where = Place(key.line, place.of(key.text, inner, key.line).path)
            findings.mistake(where, f"written twice: first on line {pairs[key.text][0].line}")
            again.append((key, inner))
        elif isinstance(key, Scalar):
            pairs[key.text] = key, inner
    return pairs, again


@frozen
class Keys:
    """A mapping with known keys. `any_of`: one of these must be there, or `lacking` is the mistake."""

    known: dict[str, Key]
    wants: str
    any_of: tuple[str, ...] = ()
    lacking: str = ""

    def read(self, node: Node, place: Place, findings: Findings) -> Found:
        if not isinstance(node, Mapping):
            return _wrong_kind(node, place, findings, self.wants)
        pairs, again = _keys(node, place, findings)
        found: dict[str, Found] = {}
        for key, inner in again:  # for what else is wrong there
            if key.text in self.known:
                self.known[key.text].shape.read(inner, place.of(key.text, inner, key.line), findings)
        for text, (key, inner) in pairs.items():
            where = place.of(text, inner, key.line)
            if text in self.known:
                found[text] = self.known[text].shape.read(inner, where, findings)
            else:
                findings.mistake(Place(key.line, where.path), "" if findings.full else self._unknown(text))
        for text, known in self.known.items():
            if text in pairs:
                continue
            if known.required:
                findings.mistake(place, f"{text} is missing: {known.tells}")
            elif known.default is not None:
                inner = _written(known.default, place.line)
                found[text] = known.shape.read(inner, place.of(text, inner, place.line), findings)
        if self.any_of and not any(text in pairs for text in self.any_of):
            findings.mistake(place, self.lacking)
        return Found(place, found)

    def _unknown(self, text: str) -> str:
        near = difflib.get_close_matches(text[:40].lower(), self.known, 1)
        if near:
            return f"unknown key: the nearest known one is {near[0]!r}"
        return f"unknown key: known here are {', '.join(self.known)}"

    def schema(self) -> dict[str, Any]:
        properties = {}
        for text, key in self.known.items():
            properties[text] = {**key.shape.schema(), "description": key.tells}
            if key.default is not None:
                properties[text]["default"] = key.default
        told: dict[str, Any] = {"type": "object", "additionalProperties": False, "properties": properties}
        if required := [text for text, key in self.known.items() if key.required]:
            told["required"] = required
        if self.any_of:
            told["anyOf"] = [{"required": [text]} for text in self.any_of]
        return told


def _written(value: Any, line: int) -> Node:
    """The node that a default would be if it were written in the file."""
    if isinstance(value, list):
        return Items(line, [_written(item, line) for item in value])
    if isinstance(value, bool):
        return Scalar(line, "true" if value else "false", plain=True)
    return Scalar(line, str(value), plain=isinstance(value, int))


@frozen
class Named:
    """A mapping from names of the user's choice, each fit for `name`, to things of one shape; never empty."""

    name: Text
    shape: Shape
    wants: str

    def read(self, node: Node, place: Place, findings: Findings) -> Found:
        if not isinstance(node, Mapping):
            return _wrong_kind(node, place, findings, self.wants)
        if not node.pairs:
            findings.mistake(place, f"an empty mapping: {self.wants}")
        found: dict[str, Found] = {}
        pairs, again = _keys(node, place, findings)
        for key, inner in again:  # for what else is wrong there
            self.shape.read(inner, place.of(key.text, inner, key.line), findings)
        for text, (key, inner) in pairs.items():
            where = place.of(text, inner, key.line)
            self.name.read(key, Place(key.line, place.path, quoted(text)), findings)
            found[text] = self.shape.read(inner, where, findings)
        return Found(place, found)

    def schema(self) -> dict[str, Any]:
        return {
            "type": "object",
            "minProperties": 1,
            "propertyNames": self.name.described,
            "additionalProperties": self.shape.schema(),
        }
