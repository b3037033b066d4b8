"""What `portress strength` shows: everything in 80 columns, the same in JSON, and the curves of its chart."""

from __future__ import annotations

import json
import sys
from io import StringIO
from pathlib import Path
from xml.etree import ElementTree

import pytest
from rich.console import Console

from portress.config.model import Authenticator, Config, Door, Misses, Rotating
from portress.config.pitfalls import Surroundings, pitfalls
from portress.errors import Mistake
from portress.knock import SECOND, TCP, UDP, Knock, Sequence, Service
from portress.strength.chart import curves, draw
from portress.strength.doors import YEAR, Attack, assess
from portress.strength.screen import plain, screen, summary

MINUTE = 60 * SECOND
KNOCKS = ("tcp/4617", "udp/2953", "tcp/6381")
ATTACK = Attack()
CONFIG = Config(
    {
        "ssh": Door(
            "ssh",
            (Service.parse("tcp/22"),),
            SECOND,
            fixed=Sequence(tuple(Knock.parse(knock) for knock in KNOCKS), MINUTE),
        ),
        "vpn": Door(
            "vpn",
            (Service.parse("udp/51820"),),
            SECOND,
            rotating=Rotating((20000, 51999), (TCP, UDP), 4, 10 * SECOND, 1),
            authenticator=Authenticator(21000, 30 * SECOND, 1),
        ),
    },
    misses=Misses(5, 10 * MINUTE, 30 * MINUTE),
)
STRENGTHS = assess(CONFIG, {("vpn", "derived"): 2}, ATTACK)
WARNINGS = pitfalls(CONFIG, Surroundings(ephemeral=(32768, 60999)))


def shown(width: int) -> str:
    console = Console(width=width, no_color=True, highlight=False, file=StringIO())
    assert isinstance(console.file, StringIO)
    console.print(screen(STRENGTHS, WARNINGS, ATTACK, CONFIG.misses))
    return console.file.getvalue()


@pytest.mark.parametrize("width", [80, 140])
def test_nothing_is_cut_off_on_a_narrow_screen(width: int) -> None:
    text = shown(width)
    assert "…" not in text
    assert max(map(len, text.splitlines())) <= width
    words = " ".join(text.split())
    for strength in STRENGTHS:
        assert strength.verdict in words
        assert all(line in words for line in strength.not_against)
    assert all(warning.why in words for warning in WARNINGS)


@pytest.mark.parametrize("width", [80, 120])
def test_by_default_a_door_takes_three_lines_with_the_verdict_first(width: int) -> None:
    console = Console(width=width, no_color=True, highlight=False, file=StringIO())
    assert isinstance(console.file, StringIO)
    console.print(summary(STRENGTHS, WARNINGS, ATTACK, CONFIG.misses))
    lines = console.file.getvalue().splitlines()
    assert max(map(len, lines)) <= width
    for number, one in enumerate(STRENGTHS):
        assert lines[3 * number].startswith(f"Door {one.opener.door}: {one.grade} (")
        assert lines[3 * number + 1].startswith("  Guessed within a year: ")
        assert lines[3 * number + 2].startswith("  Anyone ")
    words = " ".join(" ".join(lines).split())
    assert all(warning.what in words for warning in WARNINGS)
    assert "--details" in lines[-1] or "--details" in lines[-2]


def test_every_figure_says_what_it_assumes() -> None:
    words = " ".join(shown(80).split())
    assert "1,488,095 minimum frames a second (IEEE 802.3" in words
    assert "common practice, no source" in words
    assert "6: 2 keyholders × 3 time steps" in words
    assert "3, for one keyholder (none enrolled yet)" in words
    assert "5 misses within 10m shun a source for 30m" in words


def test_a_doors_warnings_are_told_once_though_it_opens_in_two_ways() -> None:
    words = " ".join(shown(140).split())
    mine = [warning.what for warning in WARNINGS if warning.door == "vpn"]
    assert mine
    assert all(words.count(what) == 1 for what in mine)


def test_json_holds_the_same_figures() -> None:
    found = json.loads(json.dumps(plain(STRENGTHS, WARNINGS, ATTACK, CONFIG.misses)))
    ssh, vpn, codes = found["doors"]
    assert (ssh["kind"], vpn["kind"], codes["kind"]) == ("fixed", "rotating", "authenticator")
    assert ssh["searches"][0]["sequences"] == 131070 * 131069 * 131068
    assert vpn["in_force"] == 6
    assert codes["keyholders"] == 0
    assert [warning["what"] for warning in found["warnings"]] == [warning.what for warning in WARNINGS]


def test_the_curves_rise_to_the_chance_within_a_year() -> None:
    by_label = {curve.label: curve for curve in curves(STRENGTHS, ATTACK)}
    assert set(by_label) == {
        f"{way}{shunned}"
        for way in ("ssh, fixed", "vpn, rotating", "vpn, authenticator")
        for shunned in ("", ", shunned")
    }
    for curve in by_label.values():
        assert list(curve.chances) == sorted(curve.chances)
        assert curve.seconds[0] == 1
        assert curve.seconds[-1] == pytest.approx(100 * YEAR)
    shunned = by_label["ssh, fixed, shunned"]
    before = max(chance for at, chance in zip(shunned.seconds, shunned.chances, strict=True) if at <= YEAR)
    after = min(chance for at, chance in zip(shunned.seconds, shunned.chances, strict=True) if at >= YEAR)
    assert before <= STRENGTHS[0].year <= after


def test_a_chart_is_drawn_as_svg_and_as_png(tmp_path: Path) -> None:
    draw(tmp_path / "chart.svg", STRENGTHS, ATTACK)
    assert ElementTree.parse(tmp_path / "chart.svg").getroot().tag == "{http://www.w3.org/2000/svg}svg"
    draw(tmp_path / "chart.png", STRENGTHS, ATTACK)
    assert (tmp_path / "chart.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")


def test_a_chart_of_another_format_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Mistake, match=r"chart\.pdf: a chart is a file that ends in \.svg or \.png"):
        draw(tmp_path / "chart.pdf", STRENGTHS, ATTACK)


def test_a_chart_where_it_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(Mistake, match="the chart cannot be written: No such file") as refused:
        draw(tmp_path / "none" / "chart.svg", STRENGTHS, ATTACK)
    assert len(refused.value.lines) == 1


def test_without_matplotlib_a_chart_is_one_line(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(Mistake, match="needs matplotlib: apt install python3-matplotlib"):
        draw(tmp_path / "chart.svg", STRENGTHS, ATTACK)
