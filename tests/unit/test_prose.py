"""Sentences on a terminal are broken at its width, at spaces, and stay one line each in a pipe."""

from __future__ import annotations

import contextlib
import fcntl
import io
import os
import pty
import struct
import termios

import pytest
from hypothesis import given
from hypothesis import strategies as st

from portress.prose import columns, fitted, say

LINE = "Closed to everyone not admitted: ssh (tcp/22), vpn (udp/51820), wiki (tcp/8443 udp/8443), mail."


def test_a_long_line_is_broken_at_a_space_and_goes_on_indented() -> None:
    first, second = fitted(LINE, 80).split("\n")
    assert len(first) <= 80 and first.endswith("wiki (tcp/8443") and second.startswith("  udp/8443")
    assert first.split() + second.split() == LINE.split()
    assert fitted(f"   {LINE}", 80).split("\n")[1].startswith("     ")


def test_without_a_terminal_nothing_is_broken() -> None:
    assert fitted(LINE * 9, None) == LINE * 9
    assert columns(io.StringIO()) is None


@given(st.text(st.sampled_from("ab -/:."), max_size=300), st.integers(20, 120))
def test_no_line_is_wider_and_no_word_is_lost(text: str, width: int) -> None:
    parts = fitted(text, width).split("\n")
    longest = max(map(len, text.split()), default=0)
    indent = len(text) - len(text.lstrip())
    assert all(len(part) <= max(width, indent + 20, indent + 2 + longest) for part in parts)
    assert " ".join(parts).split() == text.split()


@pytest.mark.parametrize(("width", "lines"), [(40, 3), (80, 2), (120, 1), (0, 2)])
def test_a_terminal_says_how_wide_it_is(
    width: int, lines: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A terminal that does not know its size is taken for one of 80 columns."""
    monkeypatch.delenv("COLUMNS", raising=False)
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, width, 0, 0))
    with open(theirs, "w") as terminal:
        monkeypatch.setattr("sys.stdout", terminal)
        say(LINE)
    shown = ""
    with contextlib.suppress(OSError):  # EIO once nobody has the terminal open any more
        while part := os.read(ours, 4096).decode():
            shown += part
    os.close(ours)
    assert shown.count("\n") == lines and shown.split() == LINE.split()


def test_what_is_said_does_not_steer_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    say("a\x1b[2Jb\nc")
    assert capsys.readouterr().out == "a\\u001b[2Jb\nc\n"
