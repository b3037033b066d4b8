"""The stand-alone client, run as a program against ears on the loopback."""

from __future__ import annotations

import argparse
import ast
import json
import os
import socket
import subprocess
import sys
from itertools import count
from pathlib import Path
from typing import Any

import pytest

import client
import make_vectors
from ears import HERE, Ears

ALONE = client.load()
PYTHONS = client.interpreters()
CARD: dict[str, Any] = {**make_vectors.KEYCARDS[0]["keycard"], "host": "127.0.0.1", "pool": [21000, 21999]}
SECRET = CARD["secret"]
DIALLED: dict[str, Any] = {**make_vectors.KEYCARDS[1]["keycard"], "host": "127.0.0.1"}

Finished = subprocess.CompletedProcess[str]


def run(*words: str | Path, python: str = sys.executable, typed: str = "") -> Finished:
    command = [python, "-I", str(client.CLIENT), *map(str, words)]
    return subprocess.run(command, input=typed, capture_output=True, text=True, timeout=60)


def verb(*words: str | Path) -> Finished:
    code = "import sys; from portress.commands import main; sys.exit(main())"
    environment = {**os.environ, "PYTHONPATH": str(client.ROOT / "daemon")}
    command = [sys.executable, "-c", code, "knock", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, env=environment)


def keep(path: Path, card: object, mode: int = 0o600) -> Path:
    path.write_text(card if isinstance(card, str) else json.dumps(card), encoding="utf-8")
    path.chmod(mode)
    return path


def here(card: dict[str, Any]) -> dict[str, Any]:
    """The keycard of a host that only this process listens at."""
    return {**card, "host": HERE}


@pytest.fixture
def keycard(tmp_path: Path) -> Path:
    return keep(tmp_path / "vpn.keycard", here(CARD))


def ears_for(card: dict[str, Any]) -> tuple[Ears, int]:
    """Ears at the knocks of a step whose ports are all free, and that step's unix time."""
    plan = ALONE.plan_of(json.dumps(card))
    for step in count(63_333_333):
        try:
            return Ears(*(f"{protocol}/{port}" for protocol, port in plan.knocks(step))), step * 30 + 3
        except OSError:
            continue
    raise AssertionError


# Fixed sequences


@pytest.mark.parametrize("python", PYTHONS)
def test_knocks_arrive_once_each_in_the_order_given(python: str) -> None:
    with Ears("tcp/0", "udp/0", "tcp/0", "udp/0", "tcp/0") as ears:
        order = [ears.names[i] for i in (2, 1, 0, 4, 3)]
        ran = run("--to", HERE, "--pause", "100", *order, python=python)
        assert ears.finish() == order
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "", "")


def test_knocks_may_stand_on_both_sides_of_an_option() -> None:
    with Ears("udp/0", "udp/0") as ears:
        assert run("--to", HERE, ears.names[0], "--pause", "100", ears.names[1]).returncode == 0
        assert ears.finish() == ears.names


def test_closed_ports_are_no_failure() -> None:
    with socket.socket() as bound:  # bound but not listening: it answers with RST
        bound.bind((HERE, 0))
        port = bound.getsockname()[1]
        assert run("--to", HERE, f"tcp/{port}", f"udp/{port}").returncode == 0


def test_a_knock_that_is_answered_is_hung_up() -> None:
    with Ears("tcp/0", "tcp/0") as ears:
        run("--to", HERE, *ears.names)
        ears.finish()
        assert (len(ears.heard), ears.open) == (2, 0)


def test_a_datagram_has_one_byte_and_each_has_a_source_port_of_its_own() -> None:
    with Ears("udp/0") as ears:
        run("--to", HERE, "--pause", "10", *ears.names * 5)
        ears.finish()
    assert ears.said == [b"\0"] * 5
    assert len(set(ears.callers)) > 1


def test_a_pause_of_nothing_is_possible() -> None:
    with Ears("udp/0") as ears:
        assert run("--to", HERE, "--pause", "0", *ears.names * 20).returncode == 0
        assert len(ears.finish()) == 20


def test_there_is_no_pause_behind_the_last_knock() -> None:
    with Ears("udp/0") as ears:
        assert run("--to", HERE, "--pause", "3600000", *ears.names).returncode == 0
        assert len(ears.finish()) == 1


def test_progress_is_told_on_request() -> None:
    assert "127.0.0.1" in run("--to", "localhost", "-4", "-v", "udp/2953").stderr


@pytest.mark.parametrize("name", ["two..dots", "x" * 70 + ".example"])
def test_what_cannot_be_a_name_is_said_in_one_line(name: str) -> None:
    ran = run("--to", name, "tcp/4617")
    assert ran.returncode == 1
    assert ran.stderr == f"portress-knock: {name}: not a name or address\n"


def test_a_family_the_host_does_not_have_is_said() -> None:
    ran = run("-6", "--to", "127.0.0.1", "tcp/4617")
    assert ran.returncode == 1
    assert ran.stderr.startswith("portress-knock: 127.0.0.1: ")


# Keycards


@pytest.mark.parametrize("python", PYTHONS)
def test_a_keycard_knocks_the_sequence_of_the_moment(python: str, keycard: Path) -> None:
    listening, unix = ears_for(CARD)
    with listening as ears:
        ran = run(keycard, "--at", str(unix), "--pause", "100", python=python)
        assert ears.finish() == ears.names
    assert ran.returncode == 0


def test_an_authenticator_keycard_dials_the_code(tmp_path: Path) -> None:
    listening, unix = ears_for(DIALLED)
    with listening as ears:
        run(keep(tmp_path / "ssh.keycard", here(DIALLED)), "--at", str(unix), "--pause", "100")
        assert ears.finish() == ears.names


def test_a_keycard_is_read_from_standard_input() -> None:
    listening, unix = ears_for(CARD)
    with listening as ears:
        assert run("-", "--at", str(unix), "--pause", "100", typed=json.dumps(here(CARD))).returncode == 0
        assert ears.finish() == ears.names


def test_after_a_rotating_sequence_the_clock_is_shown(keycard: Path) -> None:
    ran = run(keycard, "--at", "1900000000", "--pause", "0")
    assert "2030-03-17 17:46:40 UTC" in ran.stderr
    assert "--offset" in ran.stderr


def test_quiet_shows_nothing(keycard: Path) -> None:
    assert run(keycard, "-q", "--pause", "0").stderr == ""


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    assert run(keep(tmp_path / "card", "\ufeff" + json.dumps(CARD)), "--print").returncode == 0


def test_print_sends_nothing_and_shows_no_knock(keycard: Path) -> None:
    listening, unix = ears_for(CARD)
    with listening as ears:
        ran = run(keycard, "--at", str(unix), "--print")
        assert ears.finish() == []
    assert "vpn" in ran.stdout
    assert not any(name.partition("/")[2] in ran.stdout for name in ears.names)
    assert SECRET not in ran.stdout


def test_print_shows_the_knocks_to_who_asks_for_them(keycard: Path) -> None:
    ran = run(keep(keycard, make_vectors.KEYCARDS[0]["keycard"]), "--at", "1900000000", "--print", "-v")
    assert ran.stdout.splitlines()[-1].split()[1:] == make_vectors.DERIVED[0]["knocks"]


def shown(keycard: Path, *words: str) -> str:
    return run(keycard, "--print", "-v", *words).stdout


def test_a_moment_may_be_written_as_iso_8601(keycard: Path) -> None:
    assert shown(keycard, "--at", "2030-03-17T17:46:40Z") == shown(keycard, "--at", "1900000000")


@pytest.mark.parametrize("offset", ["90", "-90"])
def test_an_offset_corrects_the_clock_both_ways(keycard: Path, offset: str) -> None:
    moved = str(1_900_000_000 + int(offset))
    assert shown(keycard, "--offset", offset, "--at", "1900000000") == shown(keycard, "--at", moved)


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o666])
def test_a_keycard_that_others_can_read_draws_a_warning(keycard: Path, mode: int) -> None:
    keycard.chmod(mode)
    ran = run(keycard, "--print")
    assert ran.returncode == 0
    assert ran.stderr.splitlines()[0].startswith("portress-knock: warning: other users can access")


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        ("", "is not JSON"),
        ("tcp/4617", "is not JSON"),
        (SECRET, "is not JSON"),
        ("[" * 60_000, "is not JSON"),
        ("[]", "not a keycard"),
        ("null", "not a keycard"),
        ('{"door": "vpn"}', "not a keycard"),
        (json.dumps({**CARD, "portress": True}), "another version"),
        (json.dumps({**CARD, "portress": 2}), "another version"),
        (json.dumps({**CARD, "host": 7}), "host"),
        (json.dumps({**CARD, "secret": None}), "secret"),
        (json.dumps({**CARD, "secret": SECRET + "é"}), "secret"),
        (json.dumps({**CARD, "gap": True}), "gap"),
        (json.dumps({**CARD, "gap": float("nan")}), "gap"),
        (json.dumps({**CARD, "door": "\ud800"}), "door"),
        (json.dumps({**CARD, "host": "a\udfff"}), "host"),
        (json.dumps({**CARD, "pool": {}}), "pool"),
        (json.dumps({**CARD, "protocols": "tcp"}), "protocols"),
        (json.dumps({**CARD, "protocols": [[]]}), "protocols"),
        (json.dumps({**CARD, "length": True}), "length"),
        (json.dumps({**CARD, "length": 10**30}), "length"),
        (json.dumps({**DIALLED, "base": "21000"}), "base"),
        (" " * 70_000, "too large"),
    ],
)
def test_a_bad_keycard_is_named_in_one_line_without_its_secret(
    tmp_path: Path, content: str, reason: str
) -> None:
    ran = run(keep(tmp_path / "card", content))
    assert ran.returncode == 1
    (line,) = ran.stderr.splitlines()
    assert line.startswith(f"portress-knock: {tmp_path / 'card'} ")
    assert reason in line
    assert SECRET not in line


def test_a_binary_keycard_is_refused_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "card").write_bytes(bytes(range(256)))
    (tmp_path / "card").chmod(0o600)
    assert len(run(tmp_path / "card").stderr.splitlines()) == 1


def test_a_missing_keycard_is_said_in_one_line(tmp_path: Path) -> None:
    ran = run(tmp_path / "none")
    assert ran.returncode == 1
    assert ran.stderr == (
        f"portress-knock: {tmp_path / 'none'}: no such keycard;"
        " a fixed sequence is sent with --to HOST and its knocks\n"
    )


def test_a_pause_as_long_as_the_gap_is_refused(keycard: Path) -> None:
    ran = run(keycard, "--pause", "10000")
    assert (ran.returncode, ran.stderr.count("\n")) == (1, 1)
    assert "gap of 10 s" in ran.stderr


def test_a_gap_of_any_size_is_a_gap(tmp_path: Path) -> None:
    ran = run(keep(tmp_path / "card", {**CARD, "gap": 10**400}), "--print")
    assert (ran.returncode, ran.stderr) == (0, "")


@pytest.mark.parametrize(
    "words", [("--offset", "1e300"), ("--at", "4611686018427387000", "--offset", "1e19")]
)
def test_a_clock_beyond_all_time_steps_is_said_in_one_line(keycard: Path, words: tuple[str, ...]) -> None:
    ran = run(keycard, *words)
    assert (ran.returncode, ran.stderr.count("\n")) == (1, 1)
    assert "the clock is too far ahead" in ran.stderr


def test_a_clock_beyond_all_calendars_is_told_in_seconds(keycard: Path) -> None:
    ran = run(keycard, "--print", "--at", "4000000000000000000")
    assert (ran.returncode, ran.stderr) == (0, "")
    assert "clock      4000000000000000000 s after 1970" in ran.stdout


def test_letters_that_cannot_be_shown_are_written_in_ascii(tmp_path: Path) -> None:
    card = keep(tmp_path / "card", {**CARD, "door": "日本", "keyholder": "\ud800"})
    command = [sys.executable, "-X", "utf8=0", str(client.CLIENT), str(card), "--print"]
    ran = subprocess.run(
        command, capture_output=True, timeout=60, env={**os.environ, "PYTHONIOENCODING": "latin-1"}
    )
    assert (ran.returncode, ran.stderr) == (0, b"")
    assert b"door       \\u65e5\\u672c" in ran.stdout and b"keyholder  \\ud800" in ran.stdout


def test_with_its_standard_error_closed_nothing_is_said_in_the_stream(keycard: Path) -> None:
    command = ["sh", "-c", 'exec "$@" 2>&-', "sh", sys.executable, "-I", str(client.CLIENT), str(keycard)]
    ran = subprocess.run([*command, "-v"], stdout=subprocess.PIPE, timeout=60)
    assert ran.stdout == b""


def test_a_plan_does_not_show_its_secret() -> None:
    plan = ALONE.plan_of(json.dumps(CARD))
    assert SECRET not in repr(plan)
    assert repr(plan.secret) not in repr(plan)


# Usage


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("a.keycard", "b.keycard"),
        ("--to", "192.0.2.7"),
        ("--to", "192.0.2.7", "tcp/0"),
        ("--to", "192.0.2.7", "tcp/65536"),
        ("--to", "192.0.2.7", "tcp/99999999999999999999"),
        ("--to", "192.0.2.7", "sctp/4617"),
        ("--to", "192.0.2.7", "4617"),
        ("--to", "192.0.2.7", "tcp/٧"),
        ("x", "--relay", "192.0.2.7"),
        ("x", "--relay", "192.0.2.7", "ssh"),
        ("-", "--relay", "192.0.2.7", "22"),
        ("x", "--pause", "-1"),
        ("x", "--pause", "nan"),
        ("x", "--offset"),
        ("x", "--offset", "late"),
        ("x", "--at", "noon"),
        ("x", "--at", "-1"),
        ("x", "-4", "-6"),
    ],
)
def test_wrong_usage_is_one_line_and_2(words: tuple[str, ...]) -> None:
    ran = run(*words)
    assert (ran.returncode, ran.stdout, ran.stderr.count("\n")) == (2, "", 1)


@pytest.mark.parametrize(
    ("word", "right"),
    [
        ("tcp/0", "a port is 1 to 65535"),
        ("udp/65536", "a port is 1 to 65535"),
        ("udp", "a knock is written tcp/4617 or udp/2953"),
        ("tcp/4617,udp/2953", "a knock is written tcp/4617 or udp/2953"),
        ("tcp/4617-4619", "a knock is written tcp/4617 or udp/2953"),
    ],
)
def test_a_wrong_knock_is_named_whole(word: str, right: str) -> None:
    said = f"portress-knock: {word!r}: {right} (see portress-knock --help)\n"
    assert run("--to", "192.0.2.7", word).stderr == said


@pytest.mark.parametrize("words", ["--print", "--help"])
def test_a_full_disk_is_one_line(words: str, keycard: Path) -> None:
    command = [sys.executable, "-I", str(client.CLIENT), words, str(keycard)]
    with open("/dev/full", "w") as full:
        ran = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, timeout=60)
    assert (ran.returncode, ran.stderr) == (1, "portress-knock: standard output: No space left on device\n")


def test_what_is_not_printable_is_escaped_wherever_it_comes_from(tmp_path: Path) -> None:
    """An escape sequence, OSC 52 (sets the clipboard), a C1 control, bidirectional overrides, a newline."""
    nasty = "a\x1b[2Jb\x1b]52;c;eA==\x07\x9bc\u202etxt\u2066\nd"
    card = keep(tmp_path / "card", {**CARD, "door": nasty, "keyholder": nasty, "host": nasty})
    said = [
        run(card, "--print", "-v"),
        run(card),
        run(tmp_path / nasty),
        run("--to", nasty, "tcp/4617"),
        run("--to", "192.0.2.7", nasty),
        run("--to", "192.0.2.7", "tcp/4617", "--at", nasty),
        run("--to", "192.0.2.7", "tcp/4617", f"--{nasty}"),
        run(card, "--relay", nasty, "22"),
        verb(card, "--print", "-v"),
        verb(tmp_path / nasty),
        verb("--to", nasty, "tcp/4617"),
        verb("--to", "192.0.2.7", nasty),
    ]
    for ran in said:
        text = (ran.stdout + ran.stderr).replace("\n", "")
        assert text.isprintable(), text
        assert "\\u001b[2Jb" in text or "\\x1b[2Jb" in text, text
        assert "\\u202etxt" in text


def test_help_names_every_way_to_call_it() -> None:
    ran = run("--help")
    assert ran.returncode == 0
    assert all(word in ran.stdout for word in ("KEYCARD", "--to HOST", "--relay HOST PORT", "ProxyCommand"))


# Whatever the computer


def test_the_syntax_is_that_of_python_3_9() -> None:
    assert ast.parse(client.CLIENT.read_text(encoding="utf-8"), feature_version=(3, 9)).body


def test_the_standard_library_is_enough() -> None:
    tree = ast.parse(client.CLIENT.read_text(encoding="utf-8"))
    imported = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    imported |= {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert {name.partition(".")[0] for name in imported} <= sys.stdlib_module_names


def test_times_are_read_alike_with_and_without_a_zone() -> None:
    assert ALONE.moment("2030-03-17T17:46:40") == ALONE.moment("2030-03-17T18:46:40+01:00") == 1_900_000_000


def test_a_number_out_of_range_is_refused() -> None:
    with pytest.raises((ValueError, argparse.ArgumentTypeError)):
        ALONE.number_from(0)("-0.5")


# The verb


def test_the_verb_knocks_in_order() -> None:
    with Ears("tcp/0", "udp/0") as ears:
        ran = verb("--to", HERE, *ears.names, "--pause", "100")
        assert ears.finish() == ears.names
    assert (ran.returncode, ran.stderr) == (0, "")


def test_the_verb_takes_a_keycard(keycard: Path) -> None:
    ran = verb(keycard, "--print", "-v", "--offset", "-90")
    assert ran.returncode == 0
    assert len(ran.stdout.splitlines()[-1].split()) == 5


@pytest.mark.parametrize(
    ("words", "status"),
    [
        (("nowhere.keycard",), 1),
        (("--to", "192.0.2.7", "tcp/0"), 2),
        (("192.0.2.7", "tcp/4617"), 2),
        ((), 2),
        (("x", "--no"), 2),
    ],
)
def test_the_verbs_exit_status_tells_not_done_from_wrong_usage(words: tuple[str, ...], status: int) -> None:
    assert verb(*words).returncode == status
