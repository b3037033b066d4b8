"""The daemon's end of the control socket: a line of JSON asks, and is answered with a line or with many.

In: a function that answers each request. Out: what it returns, on the connection that asked.

One request a connection. A client that is oversized, malformed, slow or one too many harms nobody else: each
user has so many connections and no more, and root always gets an answer. The other end is `control.py`.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import stat
import struct
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any, Final

from attrs import frozen

from portress.errors import Mistake

MODE: Final = 0o660
LARGEST: Final = 1 << 20  # bytes of a request of root: a file of some thousand keyholders
LARGE: Final = 1 << 16  # bytes of anybody else's request
CHUNK: Final = 1 << 16  # bytes read at once
PATIENCE: Final = 5.0  # seconds for a client to ask, and again to take its answer
STALLED: Final = 60.0  # seconds that a client that follows may take nothing
CLIENTS: Final = 32  # connections served at once of all users but root, and as many of root
EACH: Final = 8  # connections of one user but root
WAITING: Final = 256  # connections that wait to be taken


Handler = Callable[[dict[str, Any], int], Awaitable[Any]]  # the request, and the user id that asks


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
