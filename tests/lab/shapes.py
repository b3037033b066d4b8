"""The JSON that verbs print, held against the project's own schema of it (JSON Schema 2020-12)."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any, Final

import jsonschema

from lab.portress import REPOSITORY

SCHEMA: Final[Any] = json.loads((REPOSITORY / "shared/portress-output.schema.json").read_text())
CHECK: Final = jsonschema.Draft202012Validator


def against(verb: str, told: Any) -> Any:
    """`told`, which is what the schema says of the verb's JSON, and has no moment in another form."""
    CHECK({"$ref": f"#/$defs/{verb}", "$defs": SCHEMA["$defs"]}).validate(told)
    for name, value in _leaves(told):
        if isinstance(value, str) and re.match(r"\d{4}-\d\d-\d\d[T ]\d", value):
            assert re.fullmatch(r"\d{4}(-\d\d){2}T\d\d(:\d\d){2}\.\d{3}Z", value), (name, value)
        if isinstance(value, int | float) and not isinstance(value, bool):
            assert not 1.5e9 < value < 4e9 or "expected_seconds" in name, f"{name}: {value}: unix seconds?"
    return told


def _leaves(value: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, one in value.items():
            yield from _leaves(one, f"{name}.{key}")
    elif isinstance(value, list):
        for one in value:
            yield from _leaves(one, name)
    else:
        yield name, value
