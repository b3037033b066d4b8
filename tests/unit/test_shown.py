"""Nothing that comes from a file, an argument or the network steers the terminal or changes what is read."""

from __future__ import annotations

import json
import subprocess
import sys
import time
import unicodedata
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pytest

from portress import events
from portress.errors import Mistake
from portress.knock import Source
from portress.ledger.ledger import Ledger
from portress.shown import guarded, shown

# Clears the screen, sets the clipboard (OSC 52), a C1 control, a bidirectional override, a new line, a tag.
NASTY = "a\x1b[2Jb\x1b]52;c;eA==\x07\x9bc\u202etxt\u2066\r\nd\U000e0041"
ESCAPED = "a\\u001b[2Jb\\u001b]52;c;eA==\\u0007\\u009bc\\u202etxt\\u2066\\u000d\\u000ad\\udb40\\udc41"
CONFIG = """\
doors:
  ssh:
    services: [tcp/22]
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}
"""
YAML = '"a\\e[2Jb\\u202e\\x9bc"'  # the same kind of text as YAML writes it
Run = Callable[..., subprocess.CompletedProcess[str]]


def clean(text: str) -> bool:
    return all(one.isprintable() or one in "\n\t" for one in text)


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """`portress WORDS` as a process of its own, on files of its own."""
    (tmp_path / "portress.yaml").write_text(CONFIG)

    def portress(
        *words: str, typed: bytes = b"", code: int | None = None
    ) -> subprocess.CompletedProcess[str]:
        program = "from portress.commands import main; raise SystemExit(main())"
        own = [f"--config={tmp_path / 'portress.yaml'}", f"--socket={tmp_path / 'no'}", f"--state={tmp_path}"]
        command = [sys.executable, "-c", program, words[0], *own, *words[1:]]
        ran = subprocess.run(command, input=typed, capture_output=True, timeout=60)
        said = subprocess.CompletedProcess(
            command, ran.returncode, ran.stdout.decode("utf-8"), ran.stderr.decode("utf-8")
        )
        assert code is None or said.returncode == code, said.stderr
        assert clean(said.stdout + said.stderr), said
        return said

    return portress


def test_what_is_shown_is_printable_and_escaped_as_in_json() -> None:
    assert shown(NASTY) == ESCAPED
    assert json.loads(f'"{ESCAPED}"') == NASTY
    assert shown(Mistake("one\x7f")) == "one\\u007f"


def test_every_control_and_bidirectional_character_is_escaped() -> None:
    """By the Unicode Character Database: general category C, and the bidirectional controls of UAX #9."""
    for number in range(sys.maxunicode + 1):
        one = chr(number)
        control = unicodedata.category(one) in ("Cc", "Cf", "Cs", "Zl", "Zp")
        bidi = unicodedata.bidirectional(one) in (
            "LRE",
            "RLE",
            "LRO",
            "RLO",
            "PDF",
            "LRI",
            "RLI",
            "FSI",
            "PDI",
        )
        assert (shown(one) == one) is one.isprintable()
        if control or bidi:
            assert shown(one) != one, hex(number)


def test_words_of_any_language_are_left_as_they_are() -> None:
    assert shown("Türen, דלת, باب, 扉, é, 🚪 \\ %s {x}") == "Türen, דלת, باب, 扉, é, 🚪 \\ %s {x}"


@pytest.mark.parametrize(
    "words",
    [
        ("admit", NASTY, "ssh"),
        ("admit", "192.0.2.7", NASTY),
        ("admit", "192.0.2.7", "ssh", "--for", NASTY),
        ("dismiss", NASTY),
        ("why", NASTY),
        ("enrol", NASTY, "--door", "ssh"),
        ("enrol", "ana", "--door", NASTY),
        ("enrol", "ana", "--door", "ssh", "--host", NASTY),
        ("enrol", "ana", "--door", "ssh", "--keycard", NASTY),
        ("enrol", "ana", "--door", "ssh", "--phone", NASTY),
        ("unenrol", NASTY),
        ("history", "--door", NASTY),
        ("history", "--since", NASTY),
        ("history", "--chart", NASTY),
        ("strength", "--chart", NASTY),
        ("strength", "--rate", NASTY),
        ("trace", NASTY),
        ("trace", "-", "--zone", NASTY),
        ("check", f"--config={NASTY}"),
        ("status", f"--socket={NASTY}"),
        ("status", f"--{NASTY}"),
        ("knock", "--to", NASTY, "tcp/4617"),
        ("knock", NASTY),
        (NASTY,),
    ],
)
def test_arguments(run: Run, words: tuple[str, ...]) -> None:
    said = run(*words)
    text = said.stdout + said.stderr
    assert said.returncode in (1, 2), text
    assert "Traceback" not in text


@pytest.mark.parametrize(
    "lines",
    [
        f"doors: {{{YAML}: {{services: [tcp/22], fixed: {{knocks: [tcp/4617]}}}}}}",
        CONFIG.replace("tcp/22", YAML),
        CONFIG.replace("udp/2953", YAML),
        f"{YAML}: 1\n{CONFIG}",
        f"watch: {YAML}\n{CONFIG}",
        f"always: [{YAML}]\n{CONFIG}",
        f"metrics: {{listen: {YAML}}}\n{CONFIG}",
        CONFIG.replace("ssh", "ssh\x1b[2J"),
        CONFIG.replace("ssh", "ssh\u202e"),
    ],
)
def test_configuration_values_in_error_lines(run: Run, tmp_path: Path, lines: str) -> None:
    (tmp_path / "portress.yaml").write_text(lines)
    said = run("check", code=1)
    assert said.stderr.count("\n") >= 1


@pytest.mark.parametrize(
    "entry", [f"- {{name: {YAML}, doors: [ssh]}}", f"- {{name: ana, doors: [{YAML}], secret: {YAML}}}", YAML]
)
def test_keyholders_names(run: Run, tmp_path: Path, entry: str) -> None:
    (tmp_path / "keyholders.yaml").write_text(entry)
    (tmp_path / "keyholders.yaml").chmod(0o600)
    assert run("keyholders", code=1).stderr
    assert run("check", code=1).stderr


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    """A ledger with an admission whose names somebody has changed."""
    book = Ledger(tmp_path / "ledger.db")
    book.admitted(Source.parse("192.0.2.7"), NASTY, time.time(), time.time() + 9000, NASTY, 7, NASTY)
    path = book.path
    book.close()
    return path


def test_what_the_ledger_holds(run: Run, ledger: Path, tmp_path: Path) -> None:
    table = run("history", code=0).stdout  # long names are wrapped: what can be looked for is short
    assert "\\u001b[2Jb" in table
    assert not {"\x1b", "\x07", "\x9b", "\u202e", "\u2066", "\r"} & {*table}
    assert "\\u001b[2Jb" in run("history", "--csv", code=0).stdout
    (one,) = json.loads(run("history", "--json", code=0).stdout)["admissions"]
    assert one["door"] == NASTY
    assert run("history", "--chart", str(tmp_path / "chart.svg"), code=0).stdout
    drawn = (tmp_path / "chart.svg").read_text()
    assert ElementTree.fromstring(drawn) is not None
    assert clean(drawn.replace("\r", ""))


def test_what_a_capture_holds(run: Run, tmp_path: Path) -> None:
    """Garbage, and a journal's line with escape sequences in it."""
    (tmp_path / "capture").write_bytes(NASTY.encode() * 9)
    assert run("trace", str(tmp_path / "capture"), code=1).stderr
    entry = {"__REALTIME_TIMESTAMP": "1", "MESSAGE": f"portress: {NASTY} SRC={NASTY} DPT={NASTY}"}
    (tmp_path / "journal").write_text(json.dumps(entry) + "\n")
    run("trace", str(tmp_path / "journal"))


def test_events_are_escaped_for_the_log_and_for_those_who_follow(capsys: pytest.CaptureFixture[str]) -> None:
    told = events.Events(events.plain(sys.stdout), lambda: 0)
    told.tell("warning", f"interface {NASTY} is gone")
    assert capsys.readouterr().out == f"warning: interface {ESCAPED} is gone\n"
    assert told.last()[0]["text"] == f"interface {ESCAPED} is gone"


def test_json_stays_json(run: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "keyholders.yaml").write_text("[]\n")
    (tmp_path / "keyholders.yaml").chmod(0o600)
    assert json.loads(run("strength", "--json", code=0).stdout)
    assert json.loads(run("keyholders", "--json", code=1).stdout)["keyholders"] == []
    with guarded():
        print(json.dumps({"a": NASTY}, indent=1, ensure_ascii=False))
    said = capsys.readouterr().out
    assert clean(said) and json.loads(said) == {"a": NASTY}
