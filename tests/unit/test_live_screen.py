"""`portress status --watch` on a terminal: keys, sizes, a daemon that is restarted or hangs, its end."""

from __future__ import annotations

import codecs
import contextlib
import fcntl
import json
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from portress.commands.status import status
from portress.errors import Mistake
from unit.test_screen import told
from unit.vt import Terminal

# What asks reads its answer from a file: none of them is a daemon that does not run, an empty one hangs.
PROGRAM = """
import json, sys, time
from pathlib import Path
from portress.errors import Mistake
from portress.knock import Source
from portress.narrow import Narrow
from portress.status.live import watch

def ask(narrow, skip, most):
    file = Path(sys.argv[1])
    if not file.exists():
        raise Mistake("control.sock: no portress daemon is running here")
    if not file.read_text():
        time.sleep(60)
    told = json.loads(file.read_text())
    listed = told["admissions"]
    found = [one for one in listed if narrow.covers(one["door"], Source.parse(one["source"]), None)]
    totals = {**told["totals"], "admissions": len(found)}
    return {**told, "admissions": found[skip:], "totals": totals}

watch(ask, Narrow())
"""


class Session:
    """The live screen on a terminal of its own. `screen` is what stands on it."""

    def __init__(self, answer: Path, size: tuple[int, int] = (80, 24), **environment: str) -> None:
        self.answer = answer
        self.parent, self.child = pty.openpty()
        self._size(*size)
        self.before = termios.tcgetattr(self.child)
        self.process = subprocess.Popen(
            [sys.executable, "-c", PROGRAM, str(answer)],
            stdin=self.child,
            stdout=self.child,
            stderr=subprocess.PIPE,
            env={**os.environ, "TERM": "xterm-256color", "PYTHONUTF8": "1", **environment},
            # What a terminal starts heeds Ctrl-C; what a shell starts beside itself was told to ignore it.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )
        self.screen = Terminal(*size)
        self._rest = b""
        self._decode = codecs.getincrementaldecoder("utf-8")().decode

    def _size(self, columns: int, lines: int) -> None:
        fcntl.ioctl(self.parent, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))

    def resize(self, columns: int, lines: int) -> None:
        self._size(columns, lines)
        modes = self.screen.modes
        self.screen = Terminal(columns, lines)
        self.screen.modes = modes
        self.process.send_signal(signal.SIGWINCH)

    def until(self, true: Callable[[], bool], seconds: float = 15) -> None:
        """Look at the screen until that is so."""
        end = time.monotonic() + seconds
        while not true():
            assert time.monotonic() < end, "\n".join(self.screen.text)
            if select.select([self.parent], [], [], 0.2)[0]:
                self._rest += os.read(self.parent, 65536)
                # A sequence may be cut in two: what may be the beginning of one is kept for later.
                whole = self._rest.rfind(b"\x1b") if b"\x1b" in self._rest[-16:] else len(self._rest)
                self.screen.feed(self._decode(self._rest[:whole]))
                self._rest = self._rest[whole:]

    def shows(self, words: str, seconds: float = 15) -> None:
        self.until(lambda: any(words in line for line in self.screen.text), seconds)

    def press(self, key: bytes) -> None:
        os.write(self.parent, key)

    def left(self, code: int = 0) -> bytes:
        """Its end: with that exit code, and the terminal as it was. Returns what it sent last."""
        last = self._rest
        end = time.monotonic() + 15
        while self.process.poll() is None:
            assert time.monotonic() < end
            if select.select([self.parent], [], [], 0.1)[0]:
                last += os.read(self.parent, 65536)
        while select.select([self.parent], [], [], 0)[0]:
            last += os.read(self.parent, 65536)
        assert self.process.stderr is not None
        assert (self.process.returncode, self.process.stderr.read()) == (code, b"")
        assert termios.tcgetattr(self.child) == self.before
        assert last.endswith(b"\x1b[?25h\x1b[?1049l")
        return last

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)
        if self.process.stderr is not None:
            self.process.stderr.close()
        os.close(self.parent)
        os.close(self.child)


@contextlib.contextmanager
def session(folder: Path, answer: str | None = None, **more: str) -> Iterator[Session]:
    file = folder / "answer.json"
    if answer is not None:
        file.write_text(answer)
    made = Session(file, **more)  # type: ignore[arg-type]  # the environment alone
    try:
        yield made
    finally:
        made.close()


@pytest.mark.parametrize("key", [b"q", b"Q", b"\x04"])
def test_a_key_leaves_and_the_terminal_is_as_before(tmp_path: Path, key: bytes) -> None:
    with session(tmp_path, json.dumps(told())) as s:
        s.shows("door0")
        assert s.screen.modes == {"1049"}  # the other page, and no cursor
        s.press(key)
        s.left()


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGINT, 0), (signal.SIGTERM, 143), (signal.SIGHUP, 129)]
)
def test_a_signal_leaves_and_the_terminal_is_as_before(tmp_path: Path, number: int, code: int) -> None:
    with session(tmp_path, json.dumps(told())) as s:
        s.shows("door0")
        s.process.send_signal(number)
        s.left(code)


def test_other_keys_do_nothing(tmp_path: Path) -> None:
    with session(tmp_path, json.dumps(told())) as s:
        s.shows("door0")
        s.press(b"x\x1b[A\x1a")
        s.answer.write_text(json.dumps(told(doors=3)))
        s.shows("door2")
        s.press(b"q")
        s.left()


def test_the_screen_follows_what_the_daemon_tells(tmp_path: Path) -> None:
    with session(tmp_path, json.dumps(told(admissions=0))) as s:
        s.shows("No admissions.")
        s.answer.write_text(json.dumps(told(admissions=1)))
        s.shows("2001:db8:1234:5678:9abc:def0:1234:0")
        assert not any("Nobody" in line for line in s.screen.text)


def test_another_size_is_filled_anew(tmp_path: Path) -> None:
    with session(tmp_path, json.dumps(told())) as s:
        s.shows("q leaves")
        s.resize(120, 30)
        s.until(lambda: s.screen.text[29].startswith("q leaves"))
        s.shows("until")
        s.resize(40, 8)
        s.until(lambda: s.screen.text[7].startswith("q leaves"))


def test_a_daemon_that_ends_and_comes_back_is_survived(tmp_path: Path) -> None:
    with session(tmp_path, json.dumps(told())) as s:
        s.shows("door0")
        s.answer.unlink()
        s.shows("control.sock: no portress daemon is running here Last known state:")
        s.shows("door0")
        s.answer.write_text(json.dumps(told(doors=3)))
        s.shows("door2")
        assert not any("no portress daemon" in line for line in s.screen.text)


def test_a_daemon_that_is_not_there_yet_is_waited_for(tmp_path: Path) -> None:
    with session(tmp_path) as s:
        s.shows("no portress daemon is running here")
        s.answer.write_text(json.dumps(told()))
        s.shows("door0")


def test_a_daemon_that_hangs_is_told_and_the_keys_still_work(tmp_path: Path) -> None:
    with session(tmp_path, json.dumps(told())) as s:
        s.shows("door0")
        s.answer.write_text("")
        s.shows("No answer for")
        begun = time.monotonic()
        s.press(b"q")
        s.left()
        assert time.monotonic() - begun < 10


def test_an_answer_that_is_cut_short_is_survived(tmp_path: Path) -> None:
    with session(tmp_path, json.dumps(told())[:50]) as s:
        s.shows("portress")
        s.answer.write_text(json.dumps(told()))
        s.shows("door0")


def test_without_colour_nothing_is_coloured(tmp_path: Path) -> None:
    answer = told()
    answer["admissions"][0]["left"] = 5.0
    for wish, looks in (("1", {"", "1;4", "2"}), ("", {"", "1;4", "2", "31", "33"})):
        with session(tmp_path, json.dumps(answer), NO_COLOR=wish) as s:
            s.shows("q leaves")
            assert {look for line in s.screen.grid for _, look in line} == looks


def test_arrows_and_pages_scroll_through_those_admitted(tmp_path: Path) -> None:
    with session(tmp_path, json.dumps(told(admissions=300, callers=0, events=0, doors=1))) as s:
        s.shows("1234:0 ")
        s.shows("more")
        s.press(b"\x1b[B")
        s.shows("2 to ")
        s.press(b"\x1b[F")
        s.shows(f"1234:{299:x}")
        s.shows("to 300 of 300")
        s.press(b"\x1b[6~")
        s.press(b"\x1b[5~")
        s.until(lambda: not any(f"1234:{299:x}" in line for line in s.screen.text))
        s.press(b"\x1b[H")
        s.shows("1234:0 ")
        s.press(b"q")
        s.left()


def test_a_filter_is_typed_and_taken_back(tmp_path: Path) -> None:
    with session(tmp_path, json.dumps(told(admissions=30, callers=0, events=0, doors=1))) as s:
        s.shows("1234:0 ")
        s.press(b"/2001:db8:1234:5678:9abc:def0:1234:7q")
        s.shows("keyholder: 2001:db8:1234:5678:9abc:def0:1234:7q")
        s.press(b"\x7f\r")
        s.shows("only 2001:db8:1234:5678:9abc:def0:1234:7 ")
        s.until(lambda: sum("1234:5678" in line for line in s.screen.text) == 2)
        s.press(b"\x1b")
        s.until(lambda: sum("1234:5678" in line for line in s.screen.text) > 3)
        s.press(b"/door1\r")
        s.shows("only door1")
        s.press(b"q")
        s.left()


def test_without_a_terminal_it_says_what_to_do_instead() -> None:
    with pytest.raises(Mistake, match="needs a terminal; without one: portress status"):
        CliRunner().invoke(status, ["--watch"], catch_exceptions=False)


def test_a_live_screen_is_no_json() -> None:
    done = CliRunner().invoke(status, ["--watch", "--json"])
    assert done.exit_code == 2
    assert "one at a time" in done.output
