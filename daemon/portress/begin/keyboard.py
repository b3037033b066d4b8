"""What is typed in answer to a question, such that Ctrl-C is never lost.

A signal that comes after Python has looked for signals last, and before it waits for the keyboard, would be
seen only once the answer is there. So the wait is for the keyboard or for a signal, whichever comes first.
Input that ends raises click.Abort.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
from collections.abc import Iterator

import click


@contextlib.contextmanager
def _signals() -> Iterator[int]:
    """A descriptor that can be read once a signal has come (signal.set_wakeup_fd)."""
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    before = signal.set_wakeup_fd(writer, warn_on_full_buffer=False)
    try:
        yield reader
    finally:
        signal.set_wakeup_fd(before)
        os.close(reader)
        os.close(writer)


def answered(seconds: float | None) -> str | None:
    """A line from the keyboard within so many seconds (None: for ever), without spaces around it; or None."""
    with _signals() as came:
        ready, _, _ = select.select([sys.stdin, came], [], [], seconds)
    if sys.stdin not in ready:
        return None  # where a signal means something, it has been raised by now
    line = sys.stdin.readline()
    if not line:
        raise click.Abort
    return line.strip()


def answer(question: str) -> str:
    """The answer to a question; empty if it is none."""
    click.echo(f"{question}: ", nl=False)
    while (line := answered(None)) is None:
        pass
    return line


def confirmed(question: str, *, default: bool) -> bool:
    """Whether the answer is a yes."""
    while True:
        line = answer(f"{question} [{'Y/n' if default else 'y/N'}]").lower()
        if line in ("y", "yes", "n", "no", ""):
            return line.startswith("y") if line else default
        click.echo("Error: invalid input")
