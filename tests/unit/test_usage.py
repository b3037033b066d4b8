"""Wrong usage ends with 2 and says what would be right."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

PORTRESS = Path(sys.prefix, "bin", "portress")


def portress(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([PORTRESS, *words], capture_output=True, text=True, timeout=60)


def test_without_a_verb_the_verbs_are_listed_as_an_error() -> None:
    done = portress()
    assert (done.returncode, done.stdout) == (2, "")
    assert "check a configuration" in done.stderr
    assert portress("--help").stdout == done.stderr


@pytest.mark.parametrize("words", [("admit", "hare", "ssh"), ("dismiss", "hare"), ("why", "hare")])
def test_what_is_no_source_is_wrong_usage(words: tuple[str, ...]) -> None:
    done = portress(*words)
    assert (done.returncode, done.stdout) == (2, "")
    assert (
        "Error: 'hare': a source is an address or a prefix, for example 192.0.2.7 or 2001:db8::/64"
        in done.stderr
    )


@pytest.mark.parametrize(
    ("text", "right"),
    [
        ("0s", "longer than 0, for example 30s"),
        ("367d", "at most 366d"),
        ("-1h", "a duration is written 30s, 10m, 8h or 2d"),
        ("60", "a duration is written 30s, 10m, 8h or 2d"),
        ("99999999999999999999d", "a duration is written 30s, 10m, 8h or 2d"),
    ],
)
def test_a_duration_has_bounds(text: str, right: str) -> None:
    for words in (("guard", "--trial", text), ("admit", "192.0.2.7", "ssh", "--for", text)):
        done = portress(*words)
        assert done.returncode == 2
        assert f"'{text}': {right}" in done.stderr
