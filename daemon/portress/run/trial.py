"""A guard on trial: a process of its own that undoes it, whatever becomes of the terminal and of the daemon.

It outlives the SSH session it was started from. When a daemon has started meanwhile, it asks that one. Where
a daemon ends the trial itself, it waits all the same, for the daemon may die before.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
import time
from pathlib import Path
from typing import Final

from attrs import frozen

from portress import control, lock
from portress.errors import Mistake
from portress.guard.table import GuardError, Held, Table
from portress.knock import SECOND, Source
from portress.run.sentinel import away_file, trial_file

_READY: Final = "ready"
PATIENCE: Final = 8.0  # seconds for a daemon to answer before it is passed by
GRACE: Final = 3.0  # seconds that a daemon has to end a trial of its own, before it is done here


@frozen
class Snapshot:
    """A guard as it was: its rules as nft text, and who was admitted."""

    text: str
    held: tuple[Held, ...]

    def after(self, ns: int) -> Snapshot:
        """The same so much later: what ran out since is gone."""
        held = (Held(one.door, one.source, one.left - ns) for one in self.held)
        return Snapshot(self.text, tuple(one for one in held if one.left > 0))


@frozen
class _Trial:
    """A trial under way: its process, and what it will put back, as it was at `at` (ns, monotonic)."""

    pid: int
    at: int
    before: Snapshot | None


def under_way(socket: Path) -> bool:
    """Whether a trial is under way that a process of its own will end."""
    return _noted(socket) is not None


def snapshot(socket: Path) -> Snapshot | None:
    """What the end of a trial that begins now has to put back; None if there was no guard.

    During another trial it is what that one would have put back, for its own guard nobody has kept.
    """
    another = _noted(socket)
    if another is not None:
        return None if another.before is None else another.before.after(time.monotonic_ns() - another.at)
    table = Table()
    text = table.text()
    return None if text is None else Snapshot(text, tuple(table.admissions()))


def start(socket: Path, seconds: float, before: Snapshot | None, *, second: bool = False) -> None:
    """Undo the guard after `seconds` from now, in a process of its own: `before` is put back, or nothing.

    `second`: a daemon will do it, and this is only for the case that it dies, restarts or hangs before.

    A trial under way ends. To be called before the guard is loaded: what cannot be undone is not begun,
    and the process must not inherit the handle that may own the table, for nobody else could change the
    table while that one is open. Raises Mistake.
    """
    begun = time.monotonic_ns()
    stop(socket)
    sys.stdout.flush()
    sys.stderr.flush()
    reader, writer = os.pipe()
    child = os.fork()
    if not child:
        try:
            _leave_terminal(reader)
            if _note(socket, writer, before, begun):
                lasts = seconds + GRACE if second else seconds
                time.sleep(max(0.0, lasts - (time.monotonic_ns() - begun) / SECOND))
                if not (second and _done_by_daemon(socket)):
                    _undo(socket, before, lasts)
        finally:
            os._exit(0)
    os.close(writer)
    os.waitpid(child, 0)
    with open(reader, "rb") as said:
        answer = said.read().decode()
    if answer != _READY:
        raise Mistake(f"{socket.parent}: the trial cannot be noted there: {answer or 'its process ended'}")


def _leave_terminal(reader: int) -> None:
    """Go on as a process that nobody waits for and no terminal ends."""
    os.close(reader)
    os.setsid()
    if os.fork():
        os._exit(0)
    null = os.open(os.devnull, os.O_RDWR)
    for descriptor in (0, 1, 2):
        os.dup2(null, descriptor)
    for number in (signal.SIGHUP, signal.SIGINT, signal.SIGPIPE):
        signal.signal(number, signal.SIG_IGN)


def _note(socket: Path, writer: int, before: Snapshot | None, at: int) -> bool:
    """Write down which process this is and what it will put back, and tell the one that waits."""
    held = [(one.door, str(one.source), one.left) for one in before.held] if before else []
    told = {"pid": os.getpid(), "at": at, "text": before and before.text, "held": held}
    mark, answer = trial_file(socket), _READY
    try:
        socket.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
        with open(os.open(mark, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
            json.dump(told, file)
    except OSError as error:
        answer = str(error.strerror)
    os.write(writer, answer.encode())
    os.close(writer)
    return answer == _READY


def _noted(socket: Path) -> _Trial | None:
    """The trial under way, None if there is none."""
    try:
        told = json.loads(trial_file(socket).read_text())
        held = tuple(Held(door, Source.parse(source), left) for door, source, left in told["held"])
        before = None if told["text"] is None else Snapshot(told["text"], held)
        found = _Trial(int(told["pid"]), int(told["at"]), before)
    except (OSError, ValueError, TypeError, KeyError):
        return None
    return found if _is_ours(found.pid) else None


def _done_by_daemon(socket: Path) -> bool:
    """Whether the daemon has ended the trial that this process waits for: then it has taken the note away."""
    known = _noted(socket)
    return socket.parent.is_dir() and (known is None or known.pid != os.getpid())


def _undo(socket: Path, before: Snapshot | None, seconds: float) -> None:
    trial_file(socket).unlink(missing_ok=True)
    with contextlib.suppress(Mistake):  # no daemon, or one that hangs
        control.ask(socket, "unguard", patience=PATIENCE)
        return
    try:
        _undo_directly(socket, before, seconds)
    except GuardError:  # the table belongs to a daemon that hangs, and nobody else can change it
        lock.kill()
        _undo_directly(socket, before, seconds)


def _undo_directly(socket: Path, before: Snapshot | None, seconds: float) -> None:
    table = Table(own=True)
    if before is None:
        # The file first: a daemon that starts, or wakes up, meanwhile must not put the guard back.
        with contextlib.suppress(OSError):
            away_file(socket).touch(mode=0o600)
        table.remove()
    else:
        table.restore(before.text, before.after(round(seconds * SECOND)).held)


def stop(socket: Path) -> bool:
    """End a trial under way: the guard stays. False if there was none."""
    known = _noted(socket)
    with contextlib.suppress(OSError):
        trial_file(socket).unlink()
    if known is None:
        return False
    with contextlib.suppress(ProcessLookupError):
        os.kill(known.pid, signal.SIGTERM)
        return True
    return False


def _is_ours(pid: int) -> bool:
    """Whether the process is a trial, and not another that got its number."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
    except OSError:
        return False
    return b"guard" in words and any(word.endswith(b"portress") for word in words)
