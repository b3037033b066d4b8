"""A guard on trial: a process of its own that undoes it, whatever becomes of the terminal and of the daemon.

It outlives the SSH session it was started from. When a daemon has started meanwhile, it asks that one. Where
a daemon ends the trial itself, it waits all the same, for the daemon may die before.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import signal
import struct
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Final

from attrs import asdict, frozen

from portress import control, lock
from portress.errors import Mistake
from portress.guard import sessions
from portress.guard.continuing import Session
from portress.guard.table import GuardError, Held, Table
from portress.knock import SECOND, Source
from portress.run import include_file, root_files
from portress.run.away import Away
from portress.run.gc_tuning import many_that_stay

NAME: Final = "trial"  # of the note, among root's files
_ENDED: Final = "trial-ended"  # by the daemon, beside its control socket: the number of the last one
_READY: Final = "ready"
_REST: Final = struct.Struct(">HQ")  # a port, and ns left: behind the address
PATIENCE: Final = 8.0  # seconds for a daemon to answer before it is passed by
GRACE: Final = 3.0  # seconds that a daemon has to end a trial of its own, before it is done here


@frozen
class Snapshot:
    """A guard as it was: its rules as nft text, who was admitted, and what went on without an admission."""

    text: str
    held: tuple[Held, ...]
    sessions: tuple[Session, ...] = ()

    def after(self, ns: int) -> Snapshot:
        """The same so much later: what ran out since is gone."""
        held = (Held(one.door, one.source, one.left - ns) for one in self.held)
        return Snapshot(self.text, tuple(one for one in held if one.left > 0), self.sessions)


@frozen
class _Trial:
    """A trial under way: its process, and what it will put back, as it was at `at` (ns, monotonic)."""

    pid: int
    at: int
    number: str
    file: str | None  # what the file for the host's own rules is to hold again
    text: str | None  # of the guard before; None: there was none
    held: list[Any]  # as `_written` has it: there may be very many, and few ask
    sessions: list[str]

    @property
    def before(self) -> Snapshot | None:
        """What it will put back. Raises ValueError or TypeError for a note that is damaged."""
        if self.text is None:
            return None
        going_on = tuple(Session.of(bytes.fromhex(key)) for key in self.sessions)
        return Snapshot(self.text, tuple(_read(self.held)), going_on)


def _written(held: Iterable[Held]) -> list[Any]:
    """Admissions for a note: by door, address family and length, the bytes of each in hexadecimal."""
    found: dict[tuple[str, int, int], list[bytes]] = {}
    for one in held:
        source = one.source
        kind = one.door, len(source.packed), source.length
        found.setdefault(kind, []).append(source.packed + _REST.pack(source.port, one.left))
    return [[*kind, b"".join(some).hex()] for kind, some in found.items()]


def _read(written: list[Any]) -> Iterator[Held]:
    for door, size, length, text in written:
        some = bytes.fromhex(text)
        for first in range(0, len(some), size + _REST.size):
            port, left = _REST.unpack_from(some, first + size)
            yield Held(door, Source(some[first : first + size], length, port), left)


def ended_file(socket: Path) -> Path:
    """Where the daemon leaves the number of the trial that it has ended."""
    return socket.parent / _ENDED


def new_number() -> str:
    """A number for a trial that begins, by which a daemon and the process that waits both know it."""
    return f"{os.getpid()}-{time.monotonic_ns()}"


def under_way(socket: Path) -> bool:
    """Whether a trial is under way that a process of its own will end."""
    return _noted(socket) is not None


def snapshot(socket: Path) -> Snapshot | None:
    """What the end of a trial that begins now has to put back; None if there was no guard.

    During another trial it is what that one would have put back, for its own guard nobody has kept.
    """
    another = _noted(socket)
    if another is not None:
        before = another.before
        return None if before is None else before.after(time.monotonic_ns() - another.at)
    table = Table()
    text = table.text()
    if text is None:
        return None
    with many_that_stay():
        return Snapshot(text, tuple(table.each_admission()), tuple(sessions.held()))


def start(socket: Path, seconds: float, before: Snapshot | None, number: str | None = None) -> None:
    """Undo the guard after `seconds` from now, in a process of its own: `before` is put back, or nothing.

    `number`: a daemon will do it, and this is only for the case that it dies, restarts or hangs before.

    A trial under way ends. To be called before the guard is loaded: what cannot be undone is not begun,
    and the process must not inherit the handle that may own the table, for nobody else could change the
    table while that one is open. Raises Mistake.
    """
    begun, another = time.monotonic_ns(), _noted(socket)
    stop(socket)
    # A reload of the host's rules must not bring back what is not kept.
    file = include_file.remove(socket) or (another.file if another is not None else None)
    sys.stdout.flush()
    sys.stderr.flush()
    gc.collect()  # closes what was opened to look at the host
    reader, writer = os.pipe()
    child = os.fork()
    if not child:
        try:
            _leave_terminal(reader)
            if _note(socket, writer, begun, number or "", before, file):
                lasts = seconds + GRACE if number else seconds
                time.sleep(max(0.0, lasts - (time.monotonic_ns() - begun) / SECOND))
                if number and _done_by_daemon(socket, number):
                    root_files.remove(socket, NAME)
                else:
                    _undo(socket, before, lasts)
                if before is not None:
                    include_file.put_back(socket, file)
        finally:
            os._exit(0)
    os.close(writer)
    os.waitpid(child, 0)
    with open(reader, "rb") as said:
        answer = said.read().decode()
    if answer != _READY:
        place = root_files.directory(socket)
        raise Mistake(f"{place}: the trial cannot be recorded there: {answer or 'its process ended'}")


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


def _note(
    socket: Path, writer: int, begun: int, number: str, before: Snapshot | None, file: str | None
) -> bool:
    """Write down which process this is and what it will put back, and tell the one that waits."""
    text = None if before is None else before.text
    held = _written(before.held) if before else []
    sessions_ = [one.key.hex() for one in before.sessions] if before else []
    told = asdict(_Trial(os.getpid(), begun, number, file, text, held, sessions_))
    answer = _READY
    try:
        root_files.write(socket, NAME, json.dumps(told))
    except OSError as error:
        answer = str(error.strerror)
    except Mistake as mistake:
        answer = str(mistake)
    os.write(writer, answer.encode())
    os.close(writer)
    return answer == _READY


def _noted(socket: Path) -> _Trial | None:
    """The trial under way, None if there is none."""
    try:
        found = _Trial(**json.loads(root_files.read(socket, NAME) or ""))
    except (ValueError, TypeError):
        return None
    if type(found.pid) is not int or type(found.at) is not int:
        return None
    return found if _is_ours(found.pid) else None


def _done_by_daemon(socket: Path, number: str) -> bool:
    """Whether the daemon has ended this trial, or there is nothing left that it could be undone in."""
    if not socket.parent.is_dir() or not _is_noted(socket):
        return True
    return _ended_last(socket) == number.encode()


def _ended_last(socket: Path) -> bytes | None:
    """The number that the daemon has left of the trial that it ended last."""
    with contextlib.suppress(OSError):
        # The daemon's user may have planted a link there: it would be refused, and is not written through.
        handle = os.open(ended_file(socket), os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        with open(handle, "rb") as file:
            return file.read(100)
    return None


def is_over(socket: Path, told: str | None) -> bool:
    """Whether the trial that a process waits for is over already: its daemon has ended it, or is ending it
    and has `told` its number. The process waits on, for a daemon that might have died."""
    known = _noted(socket)
    if known is None or not known.number:
        return False
    return known.number == told or known.number.encode() == _ended_last(socket)


def _is_noted(socket: Path) -> bool:
    """Whether this process is the one that ends the trial under way."""
    known = _noted(socket)
    return known is not None and known.pid == os.getpid()


def _undo(socket: Path, before: Snapshot | None, seconds: float) -> None:
    root_files.remove(socket, NAME)
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
        # The note first: a daemon that starts, or wakes up, meanwhile must not put the guard back.
        Away(socket).note()
        table.remove()
    else:
        table.restore(before.text, before.after(round(seconds * SECOND)).held, before.sessions)


def stop(socket: Path) -> bool:
    """End a trial under way: the guard stays. False if there was none."""
    known = _noted(socket)
    with contextlib.suppress(OSError, Mistake):
        root_files.remove(socket, NAME)
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
