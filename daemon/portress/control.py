"""The control socket, as a verb asks there: a JSON object on a line asks, a JSON object on a line answers.

    {"do": "status"}                     -> {"ok": true, "answer": {...}}
    {"do": "admit", "source": "...", …}  -> {"ok": false, "error": "one line"}

One request a connection. The daemon's end is `run/control_server.py`.
"""

from __future__ import annotations

import contextlib
import errno
import json
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, Final

from portress.errors import Mistake

ANSWER: Final = 30.0  # seconds that a daemon has to answer

_LOOKS: Final = 10  # at a daemon that does not answer, whether it is gone
_PAUSE: Final = 0.05  # seconds between two looks

_END: Final = b'{"end": true}\n'  # after the last line of an answer in parts


class NoDaemon(Mistake):
    """Nobody answers on the control socket."""


class Silent(Mistake):
    """A daemon runs there and does not answer in time."""


def _connect(sock: socket.socket, path: Path, patience: float) -> None:
    """Connect, also where so many wait to be taken that there is no room just now (unix(7), EAGAIN)."""
    until = time.monotonic() + patience
    while True:
        try:
            return sock.connect(str(path))
        except BlockingIOError:
            if time.monotonic() > until:
                raise
            time.sleep(0.01)


def _say(sock: socket.socket, request: dict[str, Any]) -> None:
    """Send the request. Who is refused unheard gets an answer all the same: it is there to be read."""
    with contextlib.suppress(BrokenPipeError):
        sock.sendall(json.dumps(request).encode() + b"\n")


def ask(path: Path, do: str, *, patience: float = ANSWER, **more: Any) -> Any:
    """Ask the daemon at `path`, which has `patience` (s) to answer; its answer.

    Raises NoDaemon if none runs, Silent if it hangs, Mistake with what it refused.
    """
    with socket.socket(socket.AF_UNIX) as sock:
        sock.settimeout(patience)
        with _told(path, patience):
            _connect(sock, path, patience)
            _say(sock, {"do": do, **more})
            with sock.makefile("rb") as stream:
                line = stream.readline()
    return _answered(path, line)


def follow(path: Path, do: str, **more: Any) -> Iterator[dict[str, Any]]:
    """Ask the daemon at `path` for what goes on: line after line, until it ends. Raises as `ask` does."""
    with socket.socket(socket.AF_UNIX) as sock:
        sock.settimeout(ANSWER)
        with _told(path, ANSWER):
            _connect(sock, path, ANSWER)
            _say(sock, {"do": do, **more})
            stream = sock.makefile("rb")
            first = stream.readline()
        _answered(path, first)
        sock.settimeout(None)
        with stream, _told(path, ANSWER):
            for line in stream:
                if line.endswith(b"\n"):
                    yield json.loads(line)


@contextlib.contextmanager
def parts(path: Path, do: str, **more: Any) -> Iterator[tuple[Any, Iterator[bytes]]]:
    """Ask for an answer that comes in parts: the first of it, and the lines of JSON after that, without their
    ends. Raises as `ask` does; Mistake, too, where the lines end before it was all of them."""
    with socket.socket(socket.AF_UNIX) as sock:
        sock.settimeout(ANSWER)
        with _told(path, ANSWER):
            _connect(sock, path, ANSWER)
            _say(sock, {"do": do, **more, "parts": True})
            stream = sock.makefile("rb")
            first = stream.readline()
        with stream:
            yield _answered(path, first), _parts(path, stream)


def _parts(path: Path, stream: BinaryIO) -> Iterator[bytes]:
    with _told(path, ANSWER):
        for line in stream:
            if line == _END:
                return
            yield line.rstrip(b"\n")
    raise Mistake(f"{path}: the daemon's answer was cut short; try again")


@contextlib.contextmanager
def _told(path: Path, patience: float) -> Iterator[None]:
    """What goes wrong on the socket, as a Mistake."""
    try:
        yield
    except (FileNotFoundError, ConnectionRefusedError):
        raise NoDaemon(
            f"{path}: no portress daemon is running here: systemctl start portress (or: portress run)"
        ) from None
    except BlockingIOError:  # no room among those that wait to be served
        raise Mistake(f"{path}: too many clients at once; try again") from None
    except PermissionError:
        raise Mistake(
            f"{path}: you may not talk to the daemon; ask as root, or join the socket's group"
        ) from None
    except TimeoutError:
        raise Silent(f"{path}: the daemon does not answer within {patience:.0f} s") from None
    except ConnectionResetError:
        raise _unanswered(path) from None
    except OSError as error:
        raise Mistake(f"{path}: the daemon does not answer: {error.strerror or error}") from None


def _unanswered(path: Path) -> Mistake:
    """Why the connection ended: the daemon did, or not. One that is killed takes a moment to be gone."""
    for _ in range(_LOOKS):
        with socket.socket(socket.AF_UNIX) as sock:
            sock.settimeout(_PAUSE)
            if sock.connect_ex(str(path)) in (errno.ENOENT, errno.ECONNREFUSED):
                return NoDaemon(f"{path}: the daemon stopped before it answered")
        time.sleep(_PAUSE)
    return Mistake(f"{path}: the daemon closed the connection without an answer; try again")


def _answered(path: Path, line: bytes) -> Any:
    """What the daemon's line answers. Raises Mistake."""
    if not line.endswith(b"\n"):
        raise _unanswered(path)
    try:
        reply = json.loads(line)
        if not reply["ok"]:
            raise Mistake(*str(reply["error"]).splitlines())
        return reply["answer"]
    except (ValueError, TypeError, KeyError):
        raise Mistake(f"{path}: whatever answers there is not a portress daemon") from None
