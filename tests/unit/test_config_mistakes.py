"""Every mistake is one line: where it stands, the value, and what would be right."""

from __future__ import annotations

import re
import subprocess

import pytest
import yaml

from portress.config import yaml_tree as reading
from portress.config.load import parse
from portress.config.model import Config
from unit.config_texts import DOORS, mistake, mistakes, ssh, with_door, with_top, wrong_lines

NAMES_A_DOOR = "a configuration names at least one door, for example doors: {ssh: {…}}"
EMPTY = "which is empty: remove the brackets there"
DOORS_BY_NAME = "doors by name, at least one, for example ssh: {services: [tcp/22], …}"
TOO_LARGE = " larger than 1 MiB: a file of this kind is a few kilobytes"
TOO_DEEP = "1: lists and mappings nested more than 16 deep"
BETWEEN_BRACKETS = "inside brackets, quote what starts with a colon: '::1'"
A_STAY = "a stay is a whole number and a unit, for example 30s 10m 8h 2d"


def test_a_mistake_has_line_path_value_and_what_would_be_right() -> None:
    text = "\n" * 10 + with_door("fixed:\n      knocks: [tcp/4617, tcp/70000]")
    assert mistakes(text) == [
        "portress.yaml:15: doors.ssh.fixed.knocks[1]: 'tcp/70000': a port is 1 to 65535"
    ]


def test_all_mistakes_are_told_at_once_in_the_order_of_the_lines() -> None:
    text = (
        "watch: packets\ndoors:\n  ssh:\n    services: [tcp/22]\n    stay: 0s\n"
        "    fixed: {knocks: [tcp/22, tcp/0], gap: 2h}\n"
        "  web:\n    services: [tcp/22]\n    rotating: {pool: 9-1}\n"
    )
    assert [re.match(r"portress\.yaml:(\d+): ([^:]+)", line)[0] for line in mistakes(text)] == [  # type: ignore[index]
        "portress.yaml:1: watch",
        "portress.yaml:5: doors.ssh.stay",
        "portress.yaml:6: doors.ssh.fixed.knocks[1]",
        "portress.yaml:6: doors.ssh.fixed.gap",
        "portress.yaml:6: doors.ssh.fixed.knocks[0]",
        "portress.yaml:8: doors.web.services[0]",
        "portress.yaml:9: doors.web.rotating.pool",
    ]


@pytest.mark.parametrize(
    ("space", "told"),
    [
        ("\t", "a tab: indent YAML with spaces"),
        ("\xa0", "a no-break space (U+00A0): use plain spaces"),
    ],
)
def test_behind_what_is_no_space_the_other_mistakes_are_told_too(space: str, told: str) -> None:
    text = (
        f"watch: packets  # a{space}comment\ndoors:\n{space}ssh:\n{space * 2}services: [tcp/22]{space}# x\n"
    )
    assert [line.removeprefix("portress.yaml:") for line in mistakes(text)] == [
        "1: watch: 'packets': packet, journal or counter; 'packet' is the nearest",
        f"3: {told}",
        "3: doors.ssh: nothing opens this door: give it fixed, rotating or authenticator",
        f"4: {told}",
    ]


def test_mistakes_are_told_too_of_what_is_written_twice() -> None:
    text = DOORS.replace(
        "{ssh", "{ssh: {stay: 0s, stay: x, services: [tcp/22], fixed: {knocks: [tcp/1]}}, ssh"
    )
    assert [line.split(": ", 1)[1] for line in mistakes(text)] == [
        "doors.ssh: written twice: first on line 1",
        "doors.ssh.stay: written twice: first on line 1",
        "doors.ssh.stay: 'x': a stay is a whole number and a unit, for example 30s 10m 8h 2d",
        "doors.ssh.stay: '0s': a stay is longer than 0",
    ]


def test_a_value_is_shown_on_one_line_and_cut_when_long() -> None:
    assert mistake(with_top(r'journal: {prefix: "\x1b[31m\n"}')).startswith(
        "1: journal.prefix: '\\x1b[31m\\n': "
    )
    assert len(mistake(with_top(f"watch: {'x' * 9000}"))) < 200


def test_more_than_a_thousand_mistakes_are_counted() -> None:
    lines = mistakes("always: [" + "x, " * 3000 + "]\n" + DOORS)
    assert (len(lines), lines[-1]) == (1001, "portress.yaml: and 2,000 more mistakes")


@pytest.mark.parametrize(("line", "told"), wrong_lines("top"))
def test_a_wrong_line_is_told_with_what_would_be_right(line: str, told: str) -> None:
    assert mistake(with_top(line)) == f"1: {told}"


@pytest.mark.parametrize(("line", "told"), wrong_lines("door"))
def test_a_wrong_line_in_a_door_is_told(line: str, told: str) -> None:
    assert mistake(with_door(line + "\n    fixed: {knocks: [tcp/4617]}")) == f"4: {told}"


@pytest.mark.parametrize(("line", "told"), wrong_lines("opener"))
def test_a_wrong_rule_for_opening_is_told(line: str, told: str) -> None:
    assert mistake(with_door(line)) == f"4: {told}"


def test_a_configuration_without_doors_is_a_mistake() -> None:
    assert mistake("watch: packet\n") == "1: doors is missing: what is guarded, each door under a name"


def test_a_door_without_services_is_a_mistake() -> None:
    told = "2: doors.a: services is missing: what the door protects, for example [tcp/22, tcp/8000-8010]"
    assert mistake("doors:\n  a: {fixed: {knocks: [tcp/1]}}\n") == told


def test_a_key_written_twice_is_a_mistake() -> None:
    assert mistake("watch: packet\nwatch: journal\n" + DOORS) == "2: watch: written twice: first on line 1"


def test_a_door_written_twice_is_a_mistake() -> None:
    door = "  a: {services: [tcp/1], fixed: {knocks: [tcp/2]}}\n"
    assert mistake(f"doors:\n{door}{door}") == "3: doors.a: written twice: first on line 2"


def test_a_key_that_is_no_word_is_a_mistake() -> None:
    assert mistake(with_top("? [a, b]\n: c")) == "1: a key is a single word followed by a colon"


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("SSH", "a door's name is a small letter and up to 15 more small letters, digits, - or _"),
        ("1st", "a door's name is a small letter and up to 15 more small letters, digits, - or _"),
        ("a" * 17, "a door's name is a small letter and up to 15 more small letters, digits, - or _"),
        ("'a b'", "a door's name is a small letter and up to 15 more small letters, digits, - or _"),
        ("tür", "a door's name is a small letter and up to 15 more small letters, digits, - or _"),
        ("always", "the guard uses this name itself: choose another name for the door"),
        ("callers", "the guard uses this name itself: choose another name for the door"),
        ("on", "quote it: YAML reads it as true or false"),
    ],
)
def test_a_doors_name_fits_the_guards_names(name: str, told: str) -> None:
    text = f"doors:\n  {name}: {{services: [tcp/1], fixed: {{knocks: [tcp/2]}}}}\n"
    assert mistake(text) == f"2: doors: {name.strip(chr(39))!r}: {told}"


@pytest.mark.parametrize("name", ["a", "a-b_c-9", "a" * 16, "x-", "log", "tcp"])
def test_nft_accepts_what_a_door_may_be_called(name: str) -> None:
    # Judge: nft's own parser, for the sets and chains the guard makes; in a network namespace of its own.
    parse(f"doors: {{{name}: {{services: [tcp/1], fixed: {{knocks: [tcp/2]}}}}}}", "portress.yaml")
    rules = f"""table inet portress {{
        set {name}_4 {{ type ipv4_addr; flags timeout; }}
        set {name}_6 {{ type ipv6_addr; flags timeout; }}
        map doors {{ type inet_proto . inet_service : verdict; elements = {{ tcp . 1 : goto door_{name} }} }}
        chain door_{name} {{ ip saddr @{name}_4 accept; ip6 saddr @{name}_6 accept; drop; }}
    }}"""
    check = ["unshare", "--user", "--map-root-user", "--net", "nft", "-c", "-f", "-"]
    subprocess.run(check, input=rules, text=True, check=True, timeout=20)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", f"1: empty: {NAMES_A_DOOR}"),
        ("# nothing\n", f"1: empty: {NAMES_A_DOOR}"),
        ("hello", f"1: 'hello': {NAMES_A_DOOR}"),
        ("[1]", f"1: this is a list: {NAMES_A_DOOR}"),
        ("{}", "1: doors is missing: what is guarded, each door under a name"),
        ("doors: {}\n  ssh:\n    stay: 1h", f"2: indented below 'doors: {{}}', {EMPTY}"),
        ("doors: {}", f"1: doors: an empty mapping: {DOORS_BY_NAME}"),
        (DOORS + "---\n" + DOORS, "2: a second document starts here; one per file"),
        ("doors:\n  ssh:\n\tstay: 0s\n", "3: a tab: indent YAML with spaces"),
        ("a: \x00\n", "1: a NUL character: this is not a text file"),
        ("a: b\n\x07", "2: character U+0007 is not allowed here"),
        ("a: b\u2028", "1: character U+2028 is not allowed here"),
        ("a: \ud800", "1: character U+D800 is not allowed here"),
        pytest.param("[" * 100000, TOO_DEEP, id="very many lists"),
        pytest.param("{a: " * 100000, TOO_DEEP, id="very many mappings"),
        pytest.param("- " * 100000, TOO_DEEP, id="very many dashes"),
        ("always: [::1]\n", f"1: not YAML: {BETWEEN_BRACKETS}"),
        pytest.param("x" * (1 << 20) + "y", TOO_LARGE, id="too large"),
    ],
)  # fmt: skip
def test_what_is_no_configuration_is_one_mistake(text: str, told: str) -> None:
    assert mistake(text) == told


def test_broken_yaml_is_told_with_its_line() -> None:
    assert mistake("doors:\n  ssh: [\n").startswith("2: not YAML: ")


@pytest.mark.parametrize(
    "text", ["doors:\n  a: 1\n b: 2\n", "watch: packet\n}\n", "doors:\n    a: 1\n  b: 2\n"]
)
def test_a_line_that_fits_nowhere_hints_at_the_indentation(text: str) -> None:
    assert mistake(text).endswith("this does not match the line above: check the indentation")


def test_anchors_and_aliases_are_refused_so_that_nothing_can_multiply() -> None:
    bomb = "a: &a [x, x]\nb: &b [*a, *a]\n" + DOORS
    refused = [line for line in mistakes(bomb) if "anchors" in line]
    assert refused == [
        f"portress.yaml:{line}: '{what}': anchors, aliases and tags are not allowed here: write it out"
        for line, what in [(1, "&a"), (2, "&b"), (2, "*a"), (2, "*a")]
    ]


@pytest.mark.parametrize("tag", ["!!python/object/apply:os.system", "!!str", "!mine"])
def test_tags_are_refused(tag: str) -> None:
    assert "anchors, aliases and tags are not allowed here" in mistake(with_top(f"watch: {tag} packet"))


@pytest.mark.parametrize("loader", [yaml.SafeLoader, reading.LOADER])
def test_both_parsers_of_pyyaml_tell_the_same(loader: type, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "LOADER", loader)
    assert parse(DOORS, "portress.yaml") == Config(doors={"ssh": ssh()})
    assert mistakes(
        "watch:\ncallers: &a 5\n? [a]\n: b\n" + with_door("stay:\n    fixed:\n      knocks: [x]")
    ) == [
        "portress.yaml:1: watch: empty: packet, journal or counter",
        "portress.yaml:2: '&a': anchors, aliases and tags are not allowed here: write it out",
        "portress.yaml:3: a key is a single word followed by a colon",
        f"portress.yaml:8: doors.ssh.stay: empty: {A_STAY}",
        "portress.yaml:10: doors.ssh.fixed.knocks[0]: 'x': written protocol/port, for example tcp/4617",
    ]
