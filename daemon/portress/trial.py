"""A guard on trial without a daemon: a process of its own that undoes it, whatever becomes of the terminal.

It outlives the SSH session it was started from. When a daemon has started meanwhile, it asks that one.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import time
from pathlib import Path
from typing import Final

from attrs import frozen

from portress import control
from portress.guard.table import Held, Table
from portress.knock import SECOND
from portress.sentinel import away_file

_FILE: Final = "trial"  # beside the control socket; holds the process id


@frozen
class Snapshot:
    """A guard as it was: its rules as nft text, and who was admitted."""

    text: str
    held: tuple[Held, ...]


def snapshot(table: Table) -> Snapshot | None:
    """The guard in the kernel now, None if there is none."""
    text = table.text()
    return None if text is None else Snapshot(text, tuple(table.admissions()))


def start(socket: Path, seconds: float, before: Snapshot | None) -> None:
    """Undo the guard after `seconds` from now, in a process of its own: `before` is put back, or nothing."""
    socket.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
    begun = time.monotonic()
    sys.stdout.flush()
    sys.stderr.flush()
    if os.fork():
        os.wait()
        return
    os.setsid()
    if os.fork():
        os._exit(0)
    try:
        null = os.open(os.devnull, os.O_RDWR)
        for descriptor in (0, 1, 2):
            os.dup2(null, descriptor)
        for number in (signal.SIGHUP, signal.SIGINT, signal.SIGPIPE):
            signal.signal(number, signal.SIG_IGN)
        (socket.parent / _FILE).write_text(str(os.getpid()))
        time.sleep(max(0.0, begun + seconds - time.monotonic()))
        _undo(socket, before, seconds)
    finally:
        os._exit(0)


def _undo(socket: Path, before: Snapshot | None, seconds: float) -> None:
    (socket.parent / _FILE).unlink(missing_ok=True)
    try:
        control.ask(socket, "unguard")
    except control.NoDaemon:
        table = Table()
        if before is None:
            table.remove()
            away_file(socket).touch(mode=0o600)
        else:
            passed = round(seconds * SECOND)
            held = [Held(one.door, one.source, one.left - passed) for one in before.held if one.left > passed]
            table.restore(before.text, held)


def stop(socket: Path) -> bool:
    """End a trial under way: the guard stays. False if there was none."""
    mark = socket.parent / _FILE
    try:
        pid = int(mark.read_text())
    except (OSError, ValueError):
        return False
    mark.unlink(missing_ok=True)
    if not _is_ours(pid):
        return False
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, signal.SIGTERM)
        return True
    return False


def _is_ours(pid: int) -> bool:
    """Whether the process is a trial, and not another that got its number."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
    except OSError:
        return False
    return b"guard" in words and any(word.endswith(b"portress") for word in words)
