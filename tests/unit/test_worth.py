"""Hours, places, paper and single connections in the files: each slip is one line, with its place."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from portress.config import load as configuration
from portress.errors import Mistake
from portress.keyholders import file as keyholding
from unit.test_enrol import Run, place, run

__all__ = ["place", "run"]

ROTATING = "doors:\n  ssh:\n    services: [tcp/22]\n    rotating: {}\n"
FIXED = "doors:\n  ssh:\n    services: [tcp/22]\n    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}\n"
ALONE = ROTATING.replace("{}", "{admits: connection}")
SHEET = 'first: 1, sequences: 10, era: "0011223344556677"'


@pytest.mark.parametrize(
    ("door", "line", "told"),
    [
        (ROTATING, 'hours: {from: "06:00", to: 20:00, zone: UTC}', "quote it"),
        (
            ROTATING,
            'hours: {days: monday, from: "06:00", to: "20:00", zone: UTC}',
            "days are written mon-fri",
        ),
        (ROTATING, 'hours: {from: "6:00", to: "20:00", zone: UTC}', "a time of day is written"),
        (ROTATING, 'hours: {from: "24:00", to: "20:00", zone: UTC}', "a time of day is written"),
        (ROTATING, 'hours: {from: "06:00", to: "06:00", zone: UTC}', 'for the whole day write from: "00:00"'),
        (ROTATING, 'hours: {from: "06:00", zone: UTC}', "to is missing"),
        (ROTATING, 'hours: {from: "06:00", to: "20:00"}', "zone is missing"),
        (ROTATING, 'hours: {from: "06:00", to: "20:00", zone: Mars/X}', "no such time zone"),
        (
            ROTATING,
            'hours: {from: "06:00", to: "20:00", zone: UTC, day: mon}',
            "the nearest known one is 'days'",
        ),
        (ROTATING, "hours: []", "an empty list"),
        (ROTATING, "hours: always", "opening hours, for example"),
        (ROTATING, "at_closing: end", "the door has no hours"),
        (ROTATING, "at_closing: close", "stay or end"),
        (ROTATING, "places: 0", "a whole number from 1 to 1000"),
        (ROTATING, "places: 1001", "a whole number from 1 to 1000"),
        (ROTATING, "places: two", "a whole number from 1 to 1000"),
        (FIXED, "places: 1", "a fixed sequence belongs to no keyholder"),
        (ALONE, "places: 1", "each admission is of one connection"),
        (FIXED, "paper: {}", "this door needs `rotating:` or `authenticator:` as well"),
        (ROTATING, "paper: {sequences: 0}", "a whole number from 1 to 100"),
        (ROTATING, "paper: {sequences: 101}", "a whole number from 1 to 100"),
        (ROTATING, "paper: {length: 2}", "a whole number from 3 to 16"),
        (ROTATING, "paper: {gap: 2h}", "a gap is at most 1h"),
        (ROTATING, "paper: {pool: 20000-20003}", "4 knocks to draw 5 different ones from"),
        (ROTATING, "paper: {protocols: []}", "an empty list"),
        (ROTATING, "paper: {skew: 1}", "unknown key"),
        (ROTATING, "paper: {admits: connection}", "unknown key"),
        (ROTATING, "paper: 10", "for example {sequences: 10}"),
    ],
)
def test_a_slip_in_the_configuration_is_one_line_with_its_place(door: str, line: str, told: str) -> None:
    with pytest.raises(Mistake) as wrong:
        configuration.parse(f"{door}    {line}\n", "portress.yaml")
    (said,) = wrong.value.lines
    key = re.match(r"\w+", line)
    assert key is not None and said.startswith(f"portress.yaml:5: doors.ssh.{key[0]}"), said
    assert told in said, said


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("until: soon", "a date (2027-01-31)"),
        ("until: 2027-02-30", "a date (2027-01-31)"),
        ("until: 2027-01-31T18:00", "the zone is missing"),
        ('hours: {from: "06:00", to: "06:00", zone: UTC}', "for the whole day"),
        (
            'hours: [{from: "06:00", to: "20:00", zone: UTC}, {from: "25:00", to: "20:00", zone: UTC}]',
            "hours[1]",
        ),
        ("hours: nights", "opening hours, for example"),
        ("places: 1", "unknown key"),
        (f"paper: {{web: {{{SHEET}}}}}", "paper for a door that they do not have: add web to doors"),
        (f"paper: {{ssh: {{{SHEET.replace('1,', '0,')}}}}}", "the first number is a whole number from 1"),
        (f"paper: {{ssh: {{{SHEET.replace('00112', 'zz112')}}}}}", "an era is 16 digits"),
        ("paper: {ssh: {first: 1, sequences: 10}}", "era is missing"),
        ("paper: [1]", "sheets by door"),
    ],
)
def test_a_slip_in_the_keyholders_file_is_one_line_with_its_place(line: str, told: str) -> None:
    doors = configuration.parse(ROTATING + "    paper: {}\n", "portress.yaml").doors
    text = f"- {{name: ana, doors: [ssh], secret: GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ,\n   {line}}}\n"
    with pytest.raises(Mistake) as wrong:
        keyholding.parse(text, "keyholders.yaml", doors)
    (said,) = wrong.value.lines
    assert said.startswith("keyholders.yaml:2: ana.") and told in said, said
    assert "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ" not in said


def test_check_explains_in_a_line_what_an_admission_is_worth(place: Path, run: Run) -> None:
    windows = '[{days: mon-fri, from: "06:00", to: "20:00", zone: Europe/Berlin}]'
    (place / "portress.yaml").write_text(
        ALONE
        + f"    hours: {windows}\n    at_closing: end\n    paper: {{}}\n"
        + "  web:\n    services: [tcp/443]\n    places: 2\n    rotating: {}\n"
    )
    code, out, err = run("check")
    ssh, web, *_ = out.splitlines()
    assert code == 0
    assert "rotating knocks, at most 10s apart, for one connection" in ssh
    assert ssh.endswith("; open mon-fri 06:00-20:00 Europe/Berlin, admissions end at closing")
    assert web.endswith("; 2 places for each keyholder")
    assert (
        "portress.yaml:7: doors.ssh.paper: paper is dialled with any program, so it admits the whole source"
        in err
    )


def test_paper_for_a_door_that_takes_none_any_more_is_shown_as_void(place: Path, run: Run) -> None:
    config = place / "portress.yaml"
    config.write_text(ROTATING + "    paper: {}\n")
    assert run("enrol", "ana", "--door", "ssh", "--paper", "--host", "gate.example.org")[0] == 0
    assert "10 of 10 left" in " ".join(run("keyholders")[1].split())
    config.write_text(ROTATING)
    shown = " ".join(run("keyholders")[1].split())
    assert "10 of 10" not in shown and "ssh: void" in shown
