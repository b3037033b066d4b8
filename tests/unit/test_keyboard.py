"""What is typed in answer to the questions of `portress begin`."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
from collections.abc import Iterator

import click
import pytest

from portress.begin import ask, keyboard

# Tells its parent at the very moment at which the wait for the keyboard begins.
LATE = """
import os, select, sys
from portress.begin import keyboard
wait = select.select
def late(*words):
    os.write(2, b"!")
    return wait(*words)
select.select = late
try:
    keyboard.answer("Write it?")
except KeyboardInterrupt:
    print("stopped")
"""


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """The keyboard's end of a terminal that is standard input."""
    keys, terminal = pty.openpty()
    with os.fdopen(terminal) as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield keys
    os.close(keys)


def test_answers_are_taken_line_by_line_and_none_is_the_default(typed: int) -> None:
    os.write(typed, b"tcp/22 tcp/80\n\n  YES \nperhaps\nn\n\n")
    assert keyboard.answer("Services") == "tcp/22 tcp/80"
    assert keyboard.answer("Services") == ""
    assert keyboard.confirmed("Write it?", default=False) is True
    assert keyboard.confirmed("Write it?", default=True) is False
    assert keyboard.confirmed("Write it?", default=True) is True
    assert keyboard.answered(0.0) is None


def test_a_question_without_a_default_is_asked_until_there_is_an_answer(
    typed: int, capsys: pytest.CaptureFixture[str]
) -> None:
    os.write(typed, b"\nhost.example\n")
    assert ask._until("Name?", None, str) == "host.example"
    assert capsys.readouterr().out == "Name?: Name?: "
    os.write(typed, b"\n")
    assert ask._until("Name?", "there", str) == "there"
    assert capsys.readouterr().out == "Name? [there]: "


def test_input_that_ends_is_a_stop(typed: int) -> None:
    os.write(typed, b"\x04")
    with pytest.raises(click.Abort):
        keyboard.answer("Name?")


def test_a_signal_just_before_the_wait_is_not_lost() -> None:
    """The parent answers the child's sign with SIGINT while the child is about to wait."""
    keys, terminal = pty.openpty()
    words = [sys.executable, "-c", LATE]
    for _ in range(20):
        with subprocess.Popen(
            words, stdin=terminal, stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0
        ) as child:
            assert child.stderr is not None
            assert child.stderr.read(1) == b"!"
            child.send_signal(signal.SIGINT)
            try:
                said, _ = child.communicate(timeout=30)
            finally:
                child.kill()
        assert said.endswith(b"stopped\n")
    os.close(keys)
    os.close(terminal)
