"""The JSON Schema for editors agrees with what Portress reads."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import yaml

from portress.config import schema as keys
from unit.config_texts import EXAMPLES, ROOT, complaints, mistakes, with_door, with_top


def test_the_schema_in_shared_is_the_one_the_keys_make() -> None:
    assert json.loads((ROOT / "shared/portress.schema.json").read_text()) == keys.schema()


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_the_schema_accepts_every_example(path: Path) -> None:
    assert list(complaints(keys.schema(), yaml.safe_load(path.read_text()))) == []


@pytest.mark.parametrize(
    ("text", "where"),
    [
        (with_top("whatch: packet"), "whatch"),
        (with_top("callers: 0"), "callers"),
        (with_top("watch: packets"), "watch"),
        (with_top("inside: lan0"), "inside"),
        (with_top("public: [tcp/80, tcp/80]"), "public"),
        (with_top("restore: maybe"), "restore"),
        (with_door("stay: 0s\n    fixed: {knocks: [tcp/1]}"), "stay"),
        (with_door("linger: true"), "fixed"),
        ("doors: {always: {services: [tcp/1], fixed: {knocks: [tcp/2]}}}", "always"),
        ("doors: {a: {fixed: {knocks: [tcp/2]}}}", "services"),
        ("doors: {}", "doors"),
    ],
)
def test_the_schema_refuses_what_the_reader_refuses(text: str, where: str) -> None:
    assert mistakes(text)
    assert any(where in line for line in complaints(keys.schema(), yaml.safe_load(text), "doors"))
