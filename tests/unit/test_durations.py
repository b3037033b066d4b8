"""Durations for people, and back."""

from __future__ import annotations

from datetime import UTC

import pytest

from portress.durations import counted, moment, parse, spell
from portress.knock import SECOND


@pytest.mark.parametrize(
    ("seconds", "spelt"),
    [
        (0, "0s"),
        (0.04, "0s"),
        (1.5, "1.5s"),
        (9.94, "9.9s"),
        (9.96, "10s"),
        (59.6, "1m"),
        (61, "1m 1s"),
        (3600, "1h"),
        (8 * 3600, "8h"),
        (2 * 3600 + 5 * 60 + 9, "2h 5m"),
        (86400, "1d"),
        (86400 + 59, "1d"),
        (-90, "-1m 30s"),
    ],
)
def test_a_duration_is_spelt_in_its_two_largest_units(seconds: float, spelt: str) -> None:
    assert spell(round(seconds * SECOND)) == spelt


@pytest.mark.parametrize(("text", "seconds"), [("30s", 30), ("10m", 600), ("8h", 28800), ("2d", 172800)])
def test_a_duration_is_read_as_it_is_written(text: str, seconds: int) -> None:
    assert parse(text) == seconds * SECOND
    assert spell(parse(text)) == text


@pytest.mark.parametrize("text", ["", "s", "30", "5 m", "-5s", "1.5h", "٣s", "1w", "1h30m", "9" * 20 + "s"])
def test_anything_else_is_no_duration(text: str) -> None:
    with pytest.raises(ValueError, match="30s, 10m, 8h or 2d"):
        parse(text)


def test_one_is_singular_and_the_rest_is_plural() -> None:
    assert [counted(number, "door") for number in (0, 1, 2, 1000)] == [
        "0 doors",
        "1 door",
        "2 doors",
        "1,000 doors",
    ]


def test_a_moment_is_told_in_the_zone_asked_for() -> None:
    assert moment(59, UTC) == "1970-01-01 00:00:59"
