"""When a door is open, held to another judge: the C library's reading of the zone files, minute by minute.

The judge walks UTC minutes through localtime(3) with TZ set, which is glibc's code and not Python's
`zoneinfo`, and applies the words of RFC 5545, 3.3.5, to what it sees. No date library takes part.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from portress import hours
from portress.config import load as configuration
from portress.guard import hours as guarded
from portress.hours import DAYS, EVERY_DAY, MIDNIGHT, Window

# Runs with TZ set: for each UTC minute from argv[1] on, argv[2] of them, what the wall clock shows.
_WALK = """
import json, sys, time
since, count = int(sys.argv[1]), int(sys.argv[2])
shown = []
for minute in range(count):
    t = time.localtime(since + 60 * minute)
    shown.append((t.tm_year, t.tm_mon, t.tm_mday, t.tm_hour * 60 + t.tm_min, t.tm_gmtoff))
print(json.dumps(shown))
"""


class Judge:
    """What the wall clock of a zone shows, a minute at a time, and what RFC 5545 makes of a local time."""

    def __init__(self, zone: str, first: date, days: int) -> None:
        self.since = int(datetime(first.year, first.month, first.day, tzinfo=UTC).timestamp())
        told = subprocess.run(
            [sys.executable, "-c", _WALK, str(self.since), str(days * 1440)],
            env={**os.environ, "TZ": zone},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        self.shown = [tuple(one) for one in json.loads(told)]
        self.first_at: dict[tuple[int, ...], int] = {}
        for number, one in enumerate(self.shown):
            self.first_at.setdefault(one[:4], self.since + 60 * number)  # twice: the first occurrence

    def moment(self, day: date, minutes: int) -> int | None:
        """The unix second of a local time; None: not among the minutes walked."""
        day, minutes = day + timedelta(days=minutes // MIDNIGHT), minutes % MIDNIGHT
        wanted = (day.year, day.month, day.day, minutes)
        if wanted in self.first_at:
            return self.first_at[wanted]
        for number in range(1, len(self.shown)):
            before, after = self.shown[number - 1], self.shown[number]
            if before[:4] < wanted < after[:4]:  # it does not occur: the offset before the gap
                utc = datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() + 60 * minutes
                return int(utc) - int(before[4])
        return None

    def is_open(self, window: Window, first: date, days: int) -> set[int]:
        """The minutes inside, of windows that begin on those days."""
        found: set[int] = set()
        for day in (first + timedelta(days=n) for n in range(days)):
            end = window.end + (MIDNIGHT if window.end <= window.begin else 0)
            begin_at, end_at = self.moment(day, window.begin), self.moment(day, end)
            if day.weekday() in window.days and begin_at is not None and end_at is not None:
                found.update(range(begin_at, end_at, 60))
        return found


# Half an hour (Lord Howe), at midnight (Beirut), twice a day's end (Santiago), a day left out (Apia 2011),
# a zone that changes its offset for good (Istanbul 2016), and the usual ones.
CHANGES = [
    ("Europe/Berlin", date(2026, 3, 29)),
    ("Europe/Berlin", date(2026, 10, 25)),
    ("America/New_York", date(2026, 3, 8)),
    ("America/New_York", date(2026, 11, 1)),
    ("Australia/Lord_Howe", date(2026, 4, 5)),
    ("Australia/Lord_Howe", date(2026, 10, 4)),
    ("Asia/Beirut", date(2026, 3, 29)),
    ("America/Santiago", date(2026, 9, 6)),
    ("America/Santiago", date(2026, 4, 5)),
    ("Pacific/Apia", date(2011, 12, 30)),
    ("Europe/Istanbul", date(2016, 9, 7)),
    ("Asia/Kathmandu", date(2026, 6, 1)),
    ("UTC", date(2026, 3, 29)),
]


@pytest.mark.parametrize(("zone", "change"), CHANGES)
def test_every_minute_around_a_change_is_as_the_c_library_and_rfc_5545_have_it(
    zone: str, change: date
) -> None:
    first = change - timedelta(days=4)
    judge = Judge(zone, first, 9)
    chance = random.Random(f"{zone} {change}")
    night = [
        (150, 180),
        (120, 180),
        (150, 210),
        (0, 1440),
        (1410, 30),
        (60, 120),
        (120, 121),
        (1439, 1),
        (180, 120),
    ]
    some = [(chance.randrange(MIDNIGHT), chance.randrange(1, MIDNIGHT + 1)) for _ in range(40)]
    for begin, end in [*night, *some]:
        if begin == end:
            continue
        on = EVERY_DAY if chance.random() < 0.5 else frozenset(chance.sample(range(7), 3))
        window = Window(on, begin, end, zone)
        inside = judge.is_open(window, change - timedelta(days=3), 6)
        # The judge knows of windows that begin within these days alone: look at the middle.
        since = judge.moment(change - timedelta(days=1), 0) or judge.since + 3 * 86400
        for unix in range(since - since % 60, since + 2 * 86400 + 7200, 60):
            assert hours.is_open((window,), unix) == (unix in inside), (
                str(window),
                datetime.fromtimestamp(unix, UTC),
            )


def _at(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


BERLIN = (Window(frozenset(range(5)), 6 * 60, 20 * 60, "Europe/Berlin"),)


@pytest.mark.parametrize(
    ("now", "opens", "closes"),
    [
        ("2026-11-25T05:59:59+01:00", "2026-11-25T06:00+01:00", None),
        ("2026-11-25T06:00:00+01:00", "2026-11-25T06:00+01:00", "2026-11-25T20:00+01:00"),
        ("2026-11-25T19:59:59+01:00", "2026-11-25T19:59:59+01:00", "2026-11-25T20:00+01:00"),
        ("2026-11-25T20:00:00+01:00", "2026-11-26T06:00+01:00", None),
        ("2026-11-27T20:00:00+01:00", "2026-11-30T06:00+01:00", None),  # over the weekend
        ("2026-03-27T20:00:00+01:00", "2026-03-30T06:00+02:00", None),  # over the change
    ],
)
def test_when_it_opens_and_closes_next(now: str, opens: str, closes: str | None) -> None:
    assert hours.opens(BERLIN, _at(now)) == _at(opens)
    assert hours.closes(BERLIN, _at(now)) == (None if closes is None else _at(closes))


def test_windows_that_touch_are_one() -> None:
    day = Window(EVERY_DAY, 0, MIDNIGHT, "UTC")
    assert hours.closes((day,), 1e9) is None
    halves = (Window(EVERY_DAY, 0, 720, "UTC"), Window(EVERY_DAY, 720, 780, "UTC"))
    assert hours.ranges(halves, 86400 * 10, 86400 * 11) == [(864000, 864000 + 780 * 60)]


def test_the_next_opening_for_door_and_keyholder_together() -> None:
    evening = (Window(EVERY_DAY, 18 * 60, 22 * 60, "Europe/Berlin"),)
    night = (Window(EVERY_DAY, 21 * 60, 23 * 60, "Europe/Berlin"),)
    now = _at("2026-11-25T12:00+01:00")
    assert hours.opens_for([evening, night], now) == _at("2026-11-25T21:00+01:00")
    never = (Window(EVERY_DAY, 23 * 60, MIDNIGHT, "Europe/Berlin"),)
    assert hours.opens_for([evening, never], now) is None
    assert hours.opens_for([(), ()], now) == now


def test_the_ranges_for_the_guard_are_those_of_the_time_asked_for() -> None:
    since = _at("2026-11-25T12:00+01:00")
    found = hours.ranges(BERLIN, since, since + hours.AHEAD)
    assert len(found) == 11  # today and ten more working days
    assert all(end - begin == 14 * 3600 for begin, end in found)
    assert found[0][0] <= since < found[0][1]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("mon-fri", {0, 1, 2, 3, 4}),
        ("sat,sun", {5, 6}),
        ("fri-mon", {4, 5, 6, 0}),
        ("wed", {2}),
        ("mon-sun", set(range(7))),
        ("sun-sat", set(range(7))),
        ("mon, wed-fri", {0, 2, 3, 4}),
    ],
)
def test_days(text: str, found: set[int]) -> None:
    assert hours.days(text) == found
    assert hours.days(hours.days_text(found)) == found


@pytest.mark.parametrize(
    "text", ["", "monday", "Mon", "mon-", "-fri", "mon;tue", "mon--fri", "mon,,tue", "0-4"]
)
def test_what_are_no_days(text: str) -> None:
    with pytest.raises(ValueError, match="days are written"):
        hours.days(text)


@pytest.mark.parametrize(
    "text", ["6:00", "06:60", "24:01", "25:00", "06.00", "0600", "", "06:00:00", "-1:00", "٠٦:٠٠"]
)
def test_what_is_no_time_of_day(text: str) -> None:
    with pytest.raises(ValueError, match="a time of day is written"):
        hours.clock(text, end=True)


def test_only_an_end_is_at_24() -> None:
    assert hours.clock("24:00", end=True) == MIDNIGHT
    with pytest.raises(ValueError, match="a time of day is written"):
        hours.clock("24:00")


@pytest.mark.parametrize(
    "text",
    ["Mars/Olympus", "", "../etc/passwd", "Europe", "/etc/localtime", "localtime", "europe/berlin", "a" * 99],
)
def test_what_is_no_zone(text: str) -> None:
    with pytest.raises(ValueError, match="a time zone's name"):
        hours.zone(text)


def test_a_moment_is_told_by_the_doors_own_zone() -> None:
    now = _at("2026-11-25T04:00+01:00")
    assert hours.told(_at("2026-11-25T06:00+01:00"), "Europe/Berlin", now) == "at 06:00 (Europe/Berlin)"
    assert (
        hours.told(_at("2026-11-30T06:00+01:00"), "Europe/Berlin", now)
        == "at Mon 2026-11-30 06:00 (Europe/Berlin)"
    )


def test_every_name_of_a_day_is_one() -> None:
    found: Any = [hours.days(name) for name in DAYS]
    assert found == [{number} for number in range(7)]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("mon-fri 06:00-20:00 Europe/Berlin", BERLIN[0]),
        ("  22:00-06:00   UTC ", Window(EVERY_DAY, 22 * 60, 6 * 60, "UTC")),
        ("sat,sun 00:00-24:00 Asia/Kathmandu", Window(frozenset({5, 6}), 0, MIDNIGHT, "Asia/Kathmandu")),
    ],
)
def test_hours_in_one_line(text: str, found: Window) -> None:
    assert hours.window(text) == found
    assert hours.window(str(found)) == found


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "hours are written"),
        ("mon-fri 06:00-20:00", "hours are written"),
        ("mon-fri 6-20 UTC", "a time of day is written"),
        ("24:00-06:00 UTC", "a time of day is written"),
        ("monday 06:00-20:00 UTC", "days are written"),
        ("06:00-06:00 UTC", "the two times are the same"),
        ("06:00-20:00 Mars/Olympus", "a time zone's name"),
        ("mon 06:00-20:00 UTC tue", "hours are written"),
    ],
)
def test_what_are_no_hours_in_one_line(text: str, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        hours.window(text)


@pytest.mark.parametrize(
    ("text", "count"),
    [
        (["mon-fri 06:00-20:00 Europe/Berlin"], 70),
        (["mon 00:00-24:00 UTC"], 24),
        (["00:00-24:00 Asia/Kathmandu"], 168),
        (["sun 22:00-06:00 UTC"], 8),  # two of them of the week that follows, six of the one before
        (["mon 06:00-10:00 UTC", "mon 08:00-12:00 UTC"], 6),
    ],
)
def test_hours_of_a_week(text: list[str], count: float) -> None:
    assert hours.a_week(tuple(map(hours.window, text))) == count
    assert hours.a_week(()) == 168


# RFC 5545, 3.3.5, by hand: 02:30 on 2026-10-25 comes twice in Berlin, and the first is 00:30 UTC; 02:30 on
# 2027-03-28 never comes, and is 03:30 summer time, 01:30 UTC.
GUARDED = "doors: {ssh: {services: [tcp/22], fixed: {knocks: [tcp/4617, tcp/6381]}, hours: HOURS}}"


@pytest.mark.parametrize(
    ("now", "window", "opens", "closes"),
    [
        ("2026-10-24T12:00Z", "02:30-03:30 Europe/Berlin", "2026-10-25T00:30Z", "2026-10-25T02:30Z"),
        ("2027-03-27T12:00Z", "02:30-03:45 Europe/Berlin", "2027-03-28T01:30Z", "2027-03-28T01:45Z"),
        ("2027-03-27T12:00Z", "01:00-02:30 Europe/Berlin", "2027-03-28T00:00Z", "2027-03-28T01:30Z"),
        ("2027-03-27T12:00Z", "02:30-03:30 Europe/Berlin", "2027-03-29T00:30Z", "2027-03-29T01:30Z"),
    ],
)
def test_the_guard_alone_opens_by_daylight_saving_time(
    now: str, window: str, opens: str, closes: str
) -> None:
    one = hours.window(window)
    text = f'{{from: "{hours.clock_text(one.begin)}", to: "{hours.clock_text(one.end)}", zone: {one.zone}}}'
    config = configuration.parse(GUARDED.replace("HOURS", text), "portress.yaml")
    (ranges,) = guarded.open_at(config, _at(now)).values()
    later = [one.split("-") for one in ranges if int(one.split("-")[0]) > _at(now)]
    assert later[0] == [str(round(_at(opens))), str(round(_at(closes)))]
    assert int(ranges[-1].split("-")[1]) > _at(now) + 13 * 86400
