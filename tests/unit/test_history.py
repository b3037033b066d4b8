"""The history as people, programs and eyes read it."""

from __future__ import annotations

import csv
import io
import random
import struct
import sys
import xml.etree.ElementTree as ElementTree
from datetime import UTC, timedelta, timezone, tzinfo
from pathlib import Path

import pytest
from rich.console import Console

from portress.durations import parse_moment, utc
from portress.errors import Mistake
from portress.knock import Source
from portress.ledger import chart as history_chart
from portress.ledger import table as history_screen
from portress.ledger.ledger import Record

NOW = 1_800_000_000.0  # 2027-01-15 08:00 UTC
HOUR = 3600.0
EAST = timezone(timedelta(hours=1), "EAST")


def record(
    since: float = NOW - HOUR,
    until: float = NOW + 7 * HOUR,
    *,
    source: str = "198.51.100.7",
    door: str = "ssh",
    keyholder: str | None = "ana",
    how: str = "knock",
    ended: float | None = None,
    ending: str | None = None,
) -> Record:
    return Record(1, Source.parse(source), door, keyholder, 7, how, since, until, ended, ending)


# Moments


@pytest.mark.parametrize(
    ("text", "end", "moment"),
    [
        ("2d", False, NOW - 48 * HOUR),
        ("90m", False, NOW - 1.5 * HOUR),
        ("2027-01-15", False, NOW - 9 * HOUR),
        ("2027-01-15", True, NOW + 15 * HOUR),
        ("20270115", True, NOW + 15 * HOUR),
        ("2027-W02-5", True, NOW + 15 * HOUR),
        ("2027-01-15T09:00", False, NOW),
        ("2027-01-15 09:00", True, NOW),
        ("2027-01-15T09:00Z", False, NOW + HOUR),
    ],
)
def test_a_moment_is_a_date_a_time_or_how_long_ago(text: str, end: bool, moment: float) -> None:
    assert parse_moment(text, NOW, EAST, end) == moment


@pytest.mark.parametrize(
    "text", ["", "d", "yesterday", "2027-13-01", "²d", "9" * 60, "0001-01-01T00:00+14:00x"]
)
def test_what_is_no_moment_says_what_is(text: str) -> None:
    with pytest.raises(ValueError, match=r"a date \(2027-01-31\), a time \("):
        parse_moment(text, NOW, EAST)


@pytest.mark.parametrize("zone", [EAST, UTC, None])
def test_the_last_of_all_days_will_do_for_ever(zone: tzinfo | None) -> None:
    assert parse_moment("9999-12-31", NOW, zone, end=True) > NOW + 7000 * 365 * 24 * HOUR


def test_moments_for_programs_are_in_utc_to_the_millisecond() -> None:
    assert utc(NOW + 0.25) == "2027-01-15T08:00:00.250Z"


# The table


def screen(records: list[Record], width: int) -> list[str]:
    console = Console(width=width, file=io.StringIO(), record=True, color_system=None)
    console.print(history_screen.table(records, NOW, width, EAST))
    return [line.rstrip() for line in console.export_text().splitlines() if line.strip()]


def test_the_table_says_who_came_when_from_where_and_how_it_ended() -> None:
    lines = screen(
        [
            record(),
            record(NOW - 5 * HOUR, NOW - HOUR, keyholder=None, ended=NOW - 3 * HOUR, ending="dismissed"),
            record(NOW - 9 * HOUR, NOW - HOUR, keyholder=None, how="command"),
        ],
        80,
    )
    assert [line.split() for line in lines[2:]] == [
        ["2027-01-15", "08:00", "1h", "198.51.100.7", "ssh", "ana", "active"],
        ["2027-01-15", "04:00", "2h", "198.51.100.7", "ssh", "a", "knock", "dismissed"],
        ["2027-01-15", "00:00", "8h", "198.51.100.7", "ssh", "hand", "expired"],
    ]


@pytest.mark.parametrize("width", [80, 140])
def test_the_longest_row_fits_without_losing_a_letter(width: int) -> None:
    longest = record(
        NOW - 21.6 * HOUR,
        source="2001:db8:1111:2222:3333:4444:5555:0/112",
        door="abcdefghijklmnop",
        keyholder="z" * 64,
        ended=NOW,
        ending="door removed",
    )
    lines = screen([longest], width)
    assert max(map(len, lines)) <= width
    told = f"2027-01-14 11:24 21h 36m{longest.source}{longest.door}{longest.keyholder}{longest.ending}"
    assert sorted("".join("".join(lines[2:]).split())) == sorted("".join(told.split()))


@pytest.mark.parametrize(
    ("source", "since"),
    [
        ("2001:db8:1234:5678:9abc:def0:1234:5678", "01-14 11:24  2001:"),
        ("2001:db8:1234:5678:9abc:def0::/96", "01-14 11:24  21h 36m  2001:"),
        ("2001:db8:1234:5678::/64", "2027-01-14 11:24  21h 36m  2001:"),
    ],
)
def test_a_long_address_takes_one_line_of_80_columns(source: str, since: str) -> None:
    (line,) = screen([record(NOW - 21.6 * HOUR, source=source, ended=NOW, ending="dismissed")], 80)[2:]
    assert line.startswith(since) and line.split()[-4:] == [source, "ssh", "ana", "dismissed"]


def test_a_wide_screen_shows_the_end_and_seconds() -> None:
    (line,) = screen([record(NOW - 30)], 140)[2:]
    assert line.startswith("2027-01-15 08:59:30  2027-01-15 16:00:00")


# For programs


def test_values_are_in_utc() -> None:
    assert history_screen.values(record(), NOW) == {
        "source": "198.51.100.7",
        "door": "ssh",
        "keyholder": "ana",
        "step": 7,
        "paper": None,
        "how": "knock",
        "gateway": None,
        "since": "2027-01-15T07:00:00.000Z",
        "until": "2027-01-15T15:00:00.000Z",
        "ended": None,
        "ending": None,
    }
    second = history_screen.values(record(NOW - 9 * HOUR, NOW - HOUR), NOW)
    assert (second["ended"], second["ending"]) == ("2027-01-15T07:00:00.000Z", "expired")


def test_csv_has_the_fields_of_json() -> None:
    records = [record(), record(keyholder=None, source="2001:db8::/64")]
    out = io.StringIO()
    history_screen.write_csv(records, NOW, out)
    rows = list(csv.DictReader(io.StringIO(out.getvalue())))
    wanted = [
        {key: "" if value is None else str(value) for key, value in row.items()}
        for row in (history_screen.values(one, NOW) for one in records)
    ]
    assert rows == wanted


# The chart


def crowd(count: int, keyholders: int) -> list[Record]:
    seeded = random.Random(6)
    found = []
    for number in range(count):
        since = NOW - seeded.random() * 40 * 24 * HOUR
        found.append(
            record(since, since + 8 * HOUR, keyholder=f"k{number % keyholders:03}", door=f"d{number % 9}")
        )
    return sorted(found, key=lambda one: -one.since)


def test_rows_are_keyholders_and_sources_without_one() -> None:
    rows = history_chart.rows(
        [
            record(NOW, keyholder=None, source="203.0.113.9"),
            record(NOW - 2 * HOUR, source="203.0.113.5"),
            record(NOW - 3 * HOUR, keyholder="ben"),
            record(NOW - 4 * HOUR),
        ]
    )
    assert [(row.label, len(row.records)) for row in rows] == [("ana", 2), ("ben", 1), ("203.0.113.9", 1)]


def test_a_keyholder_called_like_a_source_has_a_row_of_their_own() -> None:
    rows = history_chart.rows([record(keyholder="192.0.2.1"), record(keyholder=None, source="192.0.2.1")])
    assert [row.label for row in rows] == ["192.0.2.1", "192.0.2.1"]


@pytest.mark.parametrize(("count", "keyholders"), [(1, 1), (30, 5), (300, 300)])
def test_a_chart_of_one_or_many_rows_is_drawn_as_a_png(tmp_path: Path, count: int, keyholders: int) -> None:
    path = tmp_path / "chart.png"
    assert history_chart.draw(crowd(count, keyholders), NOW, path, UTC) == (count, keyholders)
    data = path.read_bytes()
    width, height = struct.unpack(">II", data[16:24])  # PNG (ISO/IEC 15948), IHDR
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    assert 1000 <= width <= 3000 and 250 <= height <= 30_000


def test_an_svg_chart_names_every_row_and_door(tmp_path: Path) -> None:
    path = tmp_path / "chart.svg"
    history_chart.draw([record(), record(door="vpn", keyholder="ben <x>")], NOW, path, UTC)
    texts = {element.text for element in ElementTree.parse(path).iter("{http://www.w3.org/2000/svg}text")}
    assert {"ana", "ben <x>", "ssh", "vpn", "Admissions", "now", "time left"} <= texts


def test_an_instants_admission_is_drawn(tmp_path: Path) -> None:
    path = tmp_path / "chart.svg"
    gone = record(NOW - 50, NOW, ended=NOW - 50, ending="dismissed")
    assert history_chart.draw([gone], NOW, path, UTC) == (1, 1)


def test_of_too_many_rows_the_last_come_are_drawn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(history_chart, "MOST_ROWS", 3)
    path = tmp_path / "chart.svg"
    assert history_chart.draw(crowd(10, 10), NOW, path, UTC) == (3, 3)


def test_nothing_to_draw_is_a_mistake(tmp_path: Path) -> None:
    with pytest.raises(Mistake, match="nothing to draw"):
        history_chart.draw([], NOW, tmp_path / "chart.svg", UTC)


def test_a_chart_of_an_unknown_kind_is_a_mistake(tmp_path: Path) -> None:
    with pytest.raises(Mistake, match=r"chart\.gif: .* \.svg or \.png"):
        history_chart.draw([record()], NOW, tmp_path / "chart.gif", UTC)


def test_a_chart_that_cannot_be_written_is_a_mistake(tmp_path: Path) -> None:
    with pytest.raises(Mistake, match="cannot be written: No such file or directory"):
        history_chart.draw([record()], NOW, tmp_path / "nowhere" / "chart.svg", UTC)


def test_without_matplotlib_the_package_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(Mistake, match="apt install python3-matplotlib"):
        history_chart.draw([record()], NOW, tmp_path / "chart.svg", UTC)
