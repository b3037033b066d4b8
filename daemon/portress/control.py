"""The local control socket, both ends: one JSON object a line asks, one JSON object a line answers.

    {"do": "status"}                     -> {"ok": true, "answer": {...}}
    {"do": "admit", "source": "...", …}  -> {"ok": false, "error": "one line"}

One request a connection. A client that is oversized, malformed, slow or one too many harms nobody else: each
user has so many connections and no more, and root always gets an answer.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import json
import os
import socket
import stat
import struct
import time
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO, Final

from attrs import frozen

from portress.errors import Mistake

MODE: Final = 0o660
LARGEST: Final = 1 << 20  # bytes of a request of root: a file of some thousand keyholders
LARGE: Final = 1 << 16  # bytes of anybody else's request
CHUNK: Final = 1 << 16  # bytes read at once
PATIENCE: Final = 5.0  # seconds for a client to ask, and again to take its answer
STALLED: Final = 60.0  # seconds that a client that follows may take nothing
ANSWER: Final = 30.0  # seconds that a daemon has to answer
CLIENTS: Final = 32  # connections served at once of all users but root, and as many of root
EACH: Final = 8  # connections of one user but root
WAITING: Final = 256  # connections that wait to be taken

_LOOKS: Final = 10  # at a daemon that does not answer, whether it is gone
_PAUSE: Final = 0.05  # seconds between two looks

_END: Final = b'{"end": true}\n'  # after the last line of an answer in parts

Handler = Callable[[dict[str, Any], int], Awaitable[Any]]  # the request, and the user id that asks


class NoDaemon(Mistake):
    """Nobody answers on the control socket."""


class Silent(Mistake):
    """A daemon runs there and does not answer in time."""


@frozen
class Stream:
    """An answer that goes on: after `first`, lines until there are no more or the client hangs up; a line is
    a value, or bytes that are lines already. Then `end` is called. `patience`: seconds that the client may
    take nothing."""

    lines: AsyncIterator[dict[str, Any] | bytes]
    end: Callable[[], None]
    first: dict[str, Any]
    patience: float = STALLED


class Server:
    """The daemon's end. `handle` gets each request and returns what is answered, or raises Mistake."""

    def __init__(self, path: Path, handle: Handler) -> None:
        self._path = path
        self._handle = handle
        self._server: asyncio.Server | None = None
        self._clients: Counter[int] = Counter()  # by user id

    async def start(self) -> None:
        """Listen. Raises Mistake if another daemon listens there already, or the place is not to be had."""
        if _answers(self._path):
            raise Mistake(
                f"{self._path}: another portress daemon is listening here; give this one another --socket"
            )
        try:
            self._path.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
            with contextlib.suppress(FileNotFoundError):
                if not stat.S_ISSOCK(self._path.lstat().st_mode):
                    raise Mistake(f"{self._path}: exists and is not a socket: choose another --socket")
                self._path.unlink()
            mask = os.umask(0o777 & ~MODE)
            try:
                self._server = await asyncio.start_unix_server(
                    self._serve, self._path, limit=CHUNK, backlog=WAITING
                )
            finally:
                os.umask(mask)
            os.chmod(self._path, MODE)
        except OSError as error:
            raise Mistake(
                f"{self._path}: the control socket cannot be made there: {error.strerror or error}"
            ) from error

    async def stop(self) -> None:
        """Listen no more, and remove the socket."""
        if self._server is not None:
            self._server.close()
            with contextlib.suppress(OSError):
                self._path.unlink()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        uid = _peer(writer)
        self._clients[uid] += 1
        try:
            if self._too_many(uid):
                error = "too many connections from you at the same time; try again"
                await self._answer(writer, {"ok": False, "error": error})
                return
            longest = LARGEST if _mighty(uid) else LARGE
            line = await asyncio.wait_for(_line(reader, longest), PATIENCE)
            if len(line) > longest:
                await self._answer(writer, {"ok": False, "error": f"a request is at most {longest} bytes"})
            elif line:
                reply = await self._reply(line, uid)
                if isinstance(reply["ok"] and reply["answer"], Stream):
                    await self._stream(reader, writer, reply["answer"])
                else:
                    await self._answer(writer, reply)
        except (TimeoutError, OSError):
            pass
        finally:
            self._clients[uid] -= 1
            if not self._clients[uid]:
                del self._clients[uid]
            # What is not taken by now is thrown away: it would wait in memory as long as the client likes.
            writer.transport.abort()

    def _too_many(self, uid: int) -> bool:
        """Whether this user has more connections than one may, or all but root together."""
        if _mighty(uid):
            return self._clients[uid] > CLIENTS
        others = sum(count for user, count in self._clients.items() if not _mighty(user))
        return self._clients[uid] > EACH or others > CLIENTS

    async def _reply(self, line: bytes, uid: int) -> dict[str, Any]:
        try:
            request = json.loads(line)
        except (ValueError, RecursionError):
            return {"ok": False, "error": "a request is one JSON object on a line"}
        if not isinstance(request, dict) or not isinstance(request.get("do"), str):
            return {"ok": False, "error": 'a request is a JSON object with "do"'}
        try:
            return {"ok": True, "answer": await self._handle(request, uid)}
        except Mistake as mistake:
            return {"ok": False, "error": str(mistake)}

    async def _stream(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, stream: Stream
    ) -> None:
        """Send what the stream has, a line each, until the client hangs up or takes nothing for too long."""
        sending = asyncio.ensure_future(self._send(writer, stream))
        listening = asyncio.ensure_future(_hung_up(reader))
        try:
            await asyncio.wait((sending, listening), return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (sending, listening):
                task.cancel()
            await asyncio.gather(sending, listening, return_exceptions=True)
            stream.end()

    async def _send(self, writer: asyncio.StreamWriter, stream: Stream) -> None:
        await self._answer(writer, {"ok": True, "answer": stream.first})
        async for line in stream.lines:
            writer.write(line if isinstance(line, bytes) else json.dumps(line).encode() + b"\n")
            # Not `wait_for`: in Python 3.11 it can swallow the cancellation that ends the daemon.
            async with asyncio.timeout(stream.patience):
                await writer.drain()

    @staticmethod
    async def _answer(writer: asyncio.StreamWriter, answer: dict[str, Any]) -> None:
        writer.transport.set_write_buffer_limits(0)
        with contextlib.suppress(TimeoutError, OSError):
            writer.write(json.dumps(answer).encode() + b"\n")
            await asyncio.wait_for(writer.drain(), PATIENCE)


async def _line(reader: asyncio.StreamReader, longest: int) -> bytes:
    """A line, or what came of one until it was too long or the client hung up."""
    line = b""
    while b"\n" not in line and len(line) <= longest and (more := await reader.read(CHUNK)):
        line += more
    return line


async def _hung_up(reader: asyncio.StreamReader) -> None:
    """Returns when the client hangs up; what it says meanwhile is not listened to."""
    while await reader.read(CHUNK):
        pass


def _mighty(uid: int) -> bool:
    """Root and the daemon's own user: they have room of their own, and may ask at length."""
    return uid in (0, os.geteuid())


def _peer(writer: asyncio.StreamWriter) -> int:
    """The user id of the process at the other end (unix(7), SO_PEERCRED)."""
    sock = writer.get_extra_info("socket")
    _, uid, _ = struct.unpack("=iii", sock.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
    return int(uid)


def _answers(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX) as probe:
        probe.settimeout(1)
        try:
            probe.connect(str(path))
        except OSError:
            return False
        return True


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
