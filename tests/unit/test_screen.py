"""The live screen: what stands on it at any size, and how little is sent when it changes."""

from __future__ import annotations

import copy
import io
import re
from typing import Any, Final

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rich.color import ColorSystem
from rich.console import Console
from rich.style import Style

from portress.durations import utc
from portress.status import screen as printed
from portress.status.live_screen import Screen, cells, change, compose, fit, share
from portress.status.view import KEYS
from unit.vt import Terminal

TOTALS: Final = {"admissions": 0, "callers": 0, "shunned": 1}
NOW = 1_767_270_600.0


DOOR: Final = {
    "services": ["tcp/22"],
    "openers": ["fixed"],
    "stay": 28800,
    "linger": True,
    "admits": "source",
    "places": None,
    "dial": None,
}


def told(admissions: int = 3, callers: int = 2, events: int = 5, doors: int = 2) -> dict[str, Any]:
    """A status as the daemon answers it."""
    return {
        "daemon": True,
        "version": "1.0.0",
        "watch": "packet",
        "up": 11520,
        "guard": {"present": True, "restorations": {}, "trial": None, "open": {}},
        "as_configured": True,
        "refusing": None,
        "totals": {"admissions": admissions, "callers": callers, "shunned": 1},
        "doors": [{**DOOR, "name": f"door{n}", "admitted": n} for n in range(doors)],
        "admissions": [
            {
                "source": f"2001:db8:1234:5678:9abc:def0:1234:{n:x}",
                "door": "door0",
                "left": 7200.0 + n,
                "until": utc(NOW + 7200 + n),
                "keyholder": "ana",
            }
            for n in range(admissions)
        ],
        "caller_limit": 65536,
        "callers": [
            {"source": f"192.0.2.{n}", "right": 1 + n % 2, "of": 3, "doors": ["door0"], "left": 40.4}
            for n in range(callers)
        ],
        "shunned": [{"source": "192.0.2.200", "left": 1700.0}],
        "lost": 0,
        "ledger": {"present": True, "failures": 0},
        "events": [{"time": utc(NOW - n), "event": "missed", "text": f"event {n}"} for n in range(events)],
    }


def drawn(
    answer: dict[str, Any] | None, size: tuple[int, int] = (80, 24), trouble: str = "", now: float = NOW
) -> Screen:
    return cells(compose(answer, trouble, now, size), size)


def shown(answer: dict[str, Any] | None, size: tuple[int, int] = (80, 24), trouble: str = "") -> list[str]:
    terminal = Terminal(*size)
    terminal.feed(change(None, drawn(answer, size, trouble), None))
    return terminal.text


def test_everything_has_its_place_on_a_small_screen() -> None:
    lines = shown(told())
    assert lines[0].startswith("portress 1.0.0, watching by packet, up 3h 12m.") and lines[0][-6] == ":"
    headings = [line.split()[0] for line in lines if line.split()[:1] and line.split()[0] in HEADINGS]
    assert headings == list(HEADINGS)
    assert lines[-1] == KEYS
    assert any(re.fullmatch(r"192\.0\.2\.200 +shunned +28m 20s", line) for line in lines)
    assert any(re.fullmatch(r"192\.0\.2\.1 +door0 +2 of 3 +40s", line) for line in lines)


HEADINGS = ("door", "source", "caller", "at")


def test_a_wide_screen_tells_until_when_someone_is_let_in() -> None:
    assert not any("until" in line for line in shown(told()))
    assert any("until" in line for line in shown(told(), (140, 40)))


def test_what_finds_no_room_is_counted() -> None:
    lines = shown(told(admissions=100, callers=50, events=50))
    assert any(line.startswith("… and ") and line.endswith(" more") for line in lines)
    assert sum(line.startswith("2001:") for line in lines) >= 2
    assert sum(" event " in line for line in lines) >= 2


def test_those_who_were_not_even_listed_are_counted() -> None:
    rows = shown({**told(admissions=20, callers=0), "totals": {**TOTALS, "admissions": 100_000}}, (80, 60))
    assert sum(row.startswith("2001:db8:") for row in rows) == 20
    assert "… and 99,980 more" in rows


def test_that_something_else_than_the_files_is_in_force_is_told() -> None:
    assert any("current files are invalid" in row for row in shown({**told(), "as_configured": False}))


def test_the_newest_event_is_on_top() -> None:
    answer = told()
    answer["events"] = [
        {"time": utc(NOW - 9), "event": "missed", "text": "first"},
        {"time": utc(NOW - 1), "event": "ended", "text": "last"},
    ]
    lines = [line[10:] for line in shown(answer) if line.endswith(("first", "last"))]
    assert lines == ["last", "first"]


@pytest.mark.parametrize("size", [(1, 2), (5, 3), (20, 5), (40, 10), (60, 15), (80, 24), (200, 60)])
def test_every_size_is_filled_exactly(size: tuple[int, int]) -> None:
    for answer in (told(), told(0, 0, 0, 1), told(200, 200, 50, 30), None):
        for trouble in ("", "No daemon runs here. " * 4):
            screen = drawn(answer, size, trouble)
            assert len(screen) == size[1]
            assert {len(row) for row in screen} == {size[0]}


def test_without_an_answer_the_trouble_is_told() -> None:
    lines = shown(None, trouble="control.sock: no portress daemon is running here")
    assert "control.sock: no portress daemon is running here" in lines
    assert lines[-1] == KEYS


def test_what_the_kernel_alone_knows_is_shown() -> None:
    answer = {
        **told(0, 0, 0, 0),
        **dict.fromkeys(("lost", "up", "watch", "ledger", "as_configured")),
        "daemon": False,
        "doors": [
            {"name": "ssh", "services": [], "openers": [], "stay": None, "linger": None, "admitted": 1}
        ],
        "totals": {"admissions": 1, "callers": 0, "shunned": 0},
        "admissions": [
            {"door": "ssh", "source": "192.0.2.7", "left": 12.5, "until": utc(NOW), "keyholder": None}
        ],
    }
    lines = shown(answer)
    assert lines[0].startswith("Daemon not running: no new admissions.")
    assert any(re.fullmatch(r"ssh +as loaded +1", line) for line in lines)
    assert "192.0.2.7  ssh    12s" in lines


def test_nothing_that_is_told_can_steer_the_terminal() -> None:
    answer = told()
    answer["events"] = [
        {"time": utc(NOW - 0), "event": "warning", "text": "\x1b]0;owned\x07 \x1b[2J\n\r\t\x9b31m"}
    ]
    sent = change(None, drawn(answer), None)
    assert "\x07" not in sent and "\x1b]" not in sent and "\x9b" not in sent and "\r" not in sent
    assert any(r"\u001b]0;owned \u001b[2J" in line for line in shown(answer))


def test_without_colour_there_is_none_and_the_headings_are_still_bold() -> None:
    answer = told()
    answer["admissions"][0]["left"] = 5.0
    terminal = Terminal(80, 24)
    terminal.feed(change(None, drawn(answer), None))
    looks = {look for line in terminal.grid for _, look in line}
    assert looks == {"", "1;4", "2"}
    terminal.feed(change(None, drawn(answer), ColorSystem.STANDARD))
    assert "33" in {look for line in terminal.grid for _, look in line}


def test_a_second_later_only_what_has_changed_is_sent() -> None:
    before, later = told(), copy.deepcopy(told())
    later["up"] += 1
    for one in (*later["callers"], *later["admissions"], *later["shunned"]):
        one["left"] -= 1
    sent = change(drawn(before), drawn(later, now=NOW + 1), ColorSystem.STANDARD)
    assert 0 < len(sent) < 200
    assert "192.0.2" not in sent and "portress" not in sent


def test_what_has_not_changed_is_not_sent_at_all() -> None:
    assert change(drawn(told()), drawn(told()), ColorSystem.STANDARD) == ""


LOOKS = (None, Style.parse("bold"), Style.parse("red"))
TEXT = st.text(alphabet="ab …漢字 ", max_size=12)


@st.composite
def screens(draw: st.DrawFn) -> Screen:
    rows: Screen = []
    for _ in range(3):
        row: list[tuple[str, Style | None]] = []
        for character in draw(TEXT):
            look = draw(st.sampled_from(LOOKS))
            row += [(character, look), ("", look)][: 2 if character in "漢字" else 1]
        row = (row + [(" ", None)] * 8)[:8]
        if row[-1][0] in "漢字" and row[-1][0]:
            row[-1] = (" ", None)
        rows.append(row)
    return rows


@settings(max_examples=500, deadline=None)
@given(screens(), screens())
def test_the_changes_lead_to_the_same_screen_as_drawing_it_anew(before: Screen, after: Screen) -> None:
    step_by_step, anew = Terminal(8, 3), Terminal(8, 3)
    step_by_step.feed(
        change(None, before, ColorSystem.STANDARD) + change(before, after, ColorSystem.STANDARD)
    )
    anew.feed(change(None, after, ColorSystem.STANDARD))
    assert step_by_step.grid == anew.grid


@settings(suppress_health_check=[HealthCheck.too_slow])  # a busy machine's first draw
@given(st.lists(st.integers(0, 60), min_size=1, max_size=6), st.integers(1, 80))
def test_columns_fit_and_the_narrow_ones_stay(widths: list[int], columns: int) -> None:
    fitting = fit(widths, columns)
    total = sum(fitting) + 2 * (len(fitting) - 1)
    assert total <= columns or max(fitting) <= 1
    assert all(new <= old for new, old in zip(fitting, widths, strict=True))
    if sum(widths) + 2 * (len(widths) - 1) <= columns:
        assert fitting == widths


@given(st.lists(st.integers(1, 60), min_size=1, max_size=5), st.integers(-5, 80))
def test_room_is_shared_and_none_is_left_while_somebody_needs_it(needs: list[int], room: int) -> None:
    given_ = share(room, needs)
    assert sum(given_) == min(max(room, 0), sum(needs))
    assert all(0 <= lines <= need for lines, need in zip(given_, needs, strict=True))


# `portress status`, printed


@pytest.mark.parametrize("size", [(80, 24), (80, 40), (120, 50), (80, 100)])
@pytest.mark.parametrize("callers", [0, 2, 700])
@pytest.mark.parametrize(
    "more", [{}, {"paper": [{"keyholder": "ana", "door": "d", "left": 1, "of": 9, "few": 1, "void": 0}]}]
)
def test_a_thousand_admissions_fit_the_terminal_with_all_the_rest(
    size: tuple[int, int], callers: int, more: dict[str, Any]
) -> None:
    answer = {**told(1000, callers), **more}
    answer["doors"] = [{**one, "hours": None} for one in answer["doors"]]
    answer["totals"] = {"admissions": 1000, "callers": callers, "shunned": 1}
    width, height = size
    answer["admissions"] = answer["admissions"][: printed.room(answer, width, height)]
    console = Console(width=width, file=io.StringIO(), highlight=False)
    for part in printed.parts(answer, width=width, few=printed.share(height)):
        console.print(part)
    assert isinstance(console.file, io.StringIO)
    lines = console.file.getvalue().splitlines()
    assert height - 1 == len(lines)  # and the prompt
    shown = sum(line.startswith("2001:db8:") for line in lines)
    assert shown >= 2 and f"… and {1000 - shown:,} more (--limit 0 shows all)" in lines
    if callers > 40:
        assert f"… and {callers - printed.share(height):,} more" in lines
