"""Texts of configurations for the tests, right and wrong."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from attrs import evolve

from portress.config.load import parse
from portress.config.model import Door
from portress.errors import Mistake
from portress.knock import SECOND, TCP, Knock, Sequence, Service

ROOT = Path(__file__).parents[2]
EXAMPLES = sorted(file for file in (ROOT / "config").glob("*.yaml") if "\ndoors:" in file.read_text())

DOORS = "doors: {ssh: {services: [tcp/22], fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}}}\n"


def mistakes(text: str) -> list[str]:
    """All that is told of a wrong text, whose name is portress.yaml."""
    with pytest.raises(Mistake) as told:
        parse(text, "portress.yaml")
    return list(told.value.lines)


def mistake(text: str) -> str:
    """The only mistake in the text, without the file's name."""
    lines = mistakes(text)
    assert len(lines) == 1, lines
    return lines[0].removeprefix("portress.yaml:")


def with_top(line: str) -> str:
    """A configuration right but for its first line."""
    return line + "\n" + DOORS


def with_door(rest: str, services: str = "tcp/22") -> str:
    """A configuration with the door ssh, `rest` in its fourth line."""
    return f"doors:\n  ssh:\n    services: [{services}]\n    {rest}\n"


def ssh(**more: Any) -> Door:
    """The door of DOORS, with changes."""
    knocks = tuple(Knock.parse(knock) for knock in ("tcp/4617", "udp/2953", "tcp/6381"))
    door = Door("ssh", (Service(TCP, 22, 22),), 8 * 3600 * SECOND, fixed=Sequence(knocks, 30 * SECOND))
    return evolve(door, **more)


def wrong_lines(section: str) -> list[tuple[str, str]]:
    """The lines of a section of config_mistakes.txt and what is told of each."""
    text = (Path(__file__).parent / "config_mistakes.txt").read_text()
    lines = text.partition(f"[{section}]\n")[2].split("\n[")[0].split("\n")
    lines = [line for line in lines if line and not line.startswith("#")]
    return [(line, told.strip()) for line, told in zip(lines[::2], lines[1::2], strict=True)]


def complaints(schema: dict[str, Any], value: Any, path: str = "") -> list[str]:
    """As much of JSON Schema draft 7 (validation, sections 6 and 9) as the schema uses."""
    kinds = {"object": dict, "array": list, "string": str, "integer": int, "boolean": bool}
    kind = schema.get("type")
    if kind and (not isinstance(value, kinds[kind]) or (kind == "integer" and isinstance(value, bool))):
        return [f"{path}: {kind} wanted"]
    found: list[str] = []
    if "enum" in schema and value not in schema["enum"]:
        found.append(f"{path}: {value} is not one of {schema['enum']}")
    if "not" in schema and not complaints(schema["not"], value):
        found.append(f"{path}: {value} is one of {schema['not']}")
    if "anyOf" in schema and all(complaints(one, value) for one in schema["anyOf"]):
        found.append(f"{path}: none of {schema['anyOf']}")
    if isinstance(value, str) and not re.search(schema.get("pattern", ""), value):
        found.append(f"{path}: {value} does not match")
    if isinstance(value, int) and not schema.get("minimum", value) <= value <= schema.get("maximum", value):
        found.append(f"{path}: {value} is out of range")
    if isinstance(value, list):
        short = len(value) < schema.get("minItems", 0)
        twice = schema.get("uniqueItems") and any(value.count(item) > 1 for item in value)
        found += [f"{path}: items"] if short or twice else []
        found += [line for item in value for line in complaints(schema.get("items", {}), item, path + "[]")]
    if isinstance(value, dict):
        found += _object_complaints(schema, value, path)
    return found


def _object_complaints(schema: dict[str, Any], value: dict[str, Any], path: str) -> list[str]:
    found = [f"{path}: {key} is missing" for key in schema.get("required", []) if key not in value]
    if len(value) < schema.get("minProperties", 0):
        found.append(f"{path}: empty")
    for key, inner in value.items():
        found += complaints(schema.get("propertyNames", {}), key, f"{path}.{key}")
        deeper = schema.get("properties", {}).get(key, schema.get("additionalProperties", {}))
        found += (
            [f"{path}: {key} is unknown"] if deeper is False else complaints(deeper, inner, f"{path}.{key}")
        )
    return found
