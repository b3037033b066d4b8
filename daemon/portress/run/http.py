"""A small HTTP server (RFC 9112) in the daemon's loop, for whoever scrapes: one GET a connection, one answer.

In: an address, a port, and what answers a request. Out: nothing that a client could hold on to: a connection
has so many seconds for its request and as many to take its answer, however slowly it goes on; and where there
are very many, the one that has been silent the longest makes room for the next.
"""

from __future__ import annotations

import asyncio
import contextlib
import gzip
import socket
from collections.abc import Callable
from typing import Final, NamedTuple

from portress.errors import Mistake

PATIENCE: Final = 5.0  # seconds for a client to ask, and again to take its answer
CLIENTS: Final = 128  # connections at once
LONGEST: Final = 16384  # bytes of a request's head
_GZIP_FROM: Final = 1024  # bytes of an answer from which on it is worth it


class Asked(NamedTuple):
    """A request: its path with the query, and the headers that matter, in lower case."""

    target: str
    headers: dict[str, str]


class Page(NamedTuple):
    """What is answered."""

    content_type: str
    body: bytes


Answer = Callable[[Asked], Page]


class HttpServer:
    """Listens from when it is made until it is closed. Raises Mistake if the address is not to be had."""

    def __init__(self, address: str, port: int, answer: Answer) -> None:
        self._answer = answer
        self._clients: dict[asyncio.Task[None], asyncio.StreamWriter | None] = {}
        self._loop = asyncio.get_running_loop()
        self._socket = _listen(address, port)
        self._loop.add_reader(self._socket, self._accept)

    def close(self) -> None:
        """Listen no more, and leave whoever is connected."""
        self._loop.remove_reader(self._socket)
        self._socket.close()
        for task in self._clients:
            task.cancel()

    def _accept(self) -> None:
        for _ in range(CLIENTS):
            try:
                connection, _ = self._socket.accept()
            except OSError:  # no more of them, or no descriptor is to be had
                return
            connection.setblocking(False)
            if len(self._clients) >= CLIENTS:
                oldest = next(iter(self._clients))
                self._clients.pop(oldest, None)
                oldest.cancel()
            task = self._loop.create_task(self._serve(connection))
            self._clients[task] = None
            task.add_done_callback(lambda done: self._clients.pop(done, None))

    async def _serve(self, connection: socket.socket) -> None:
        try:
            reader, writer = await asyncio.open_connection(sock=connection, limit=LONGEST)
        except BaseException:
            connection.close()
            raise
        try:
            with contextlib.suppress(TimeoutError, OSError, asyncio.IncompleteReadError):
                try:
                    head = await asyncio.wait_for(reader.readuntil(b"\r\n\r\n"), PATIENCE)
                except asyncio.LimitOverrunError:
                    head = b""
                writer.write(self._reply(head))
                await asyncio.wait_for(_taken(writer), PATIENCE)
        finally:
            writer.transport.abort()

    def _reply(self, head: bytes) -> bytes:
        first, *lines = head.decode("latin-1").split("\r\n")
        words = first.split(" ")
        if len(words) != 3 or not words[2].startswith("HTTP/1."):
            return _message("400 Bad Request")
        if words[0] not in ("GET", "HEAD"):
            return _message("405 Method Not Allowed", ("Allow: GET, HEAD",))
        pairs = [line.partition(":") for line in lines]
        asked = Asked(words[1], {name.lower(): value.strip() for name, _, value in pairs})
        told = self._answer(asked)
        body, headers = told.body, [f"Content-Type: {told.content_type}"]
        if len(body) >= _GZIP_FROM and "gzip" in asked.headers.get("accept-encoding", ""):
            body = gzip.compress(body, 1)
            headers.append("Content-Encoding: gzip")
        return _message("200 OK", headers, body, only_head=words[0] == "HEAD")


def _message(
    status: str, headers: list[str] | tuple[str, ...] = (), body: bytes = b"", *, only_head: bool = False
) -> bytes:
    lines = [f"HTTP/1.1 {status}", *headers, f"Content-Length: {len(body)}", "Connection: close", "", ""]
    return "\r\n".join(lines).encode("latin-1") + (b"" if only_head else body)


async def _taken(writer: asyncio.StreamWriter) -> None:
    """Wait until the client has it all, and has hung up."""
    writer.transport.set_write_buffer_limits(0)
    await writer.drain()
    if writer.can_write_eof():
        writer.write_eof()


def _listen(address: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((address, port))
        listening.listen(CLIENTS)
        listening.setblocking(False)
    except OSError as error:
        listening.close()
        raise Mistake(f"metrics.listen: '{address}:{port}': {error.strerror or error}") from error
    return listening
