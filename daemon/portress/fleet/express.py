"""One connection to a member of the store, for what is urgent: a request goes out in one piece, at once.

In: a path, headers and a body. Out: the answer's body and its Date. HTTP/1.1 (RFC 9112), as far as etcd's
HTTP gateway needs it. aiohttp, which does the rest, takes six times as long until a request is on its way.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Mapping
from typing import Final

from yarl import URL

LARGEST: Final = 1 << 24  # bytes of an answer
_HEADERS: Final = 1 << 16  # bytes of its headers, or of a line


class Express:
    """To one member at a time; it is opened when it is needed, and closed when anything goes wrong."""

    def __init__(self) -> None:
        self.busy = False
        self._host = ""
        self._to: tuple[str, ssl.SSLContext | None] | None = None
        self._reader: asyncio.StreamReader | None = None
        self._writer: asyncio.StreamWriter | None = None

    async def post(
        self, url: str, path: str, headers: Mapping[str, str], body: bytes, tls: ssl.SSLContext | None
    ) -> tuple[bytes, str]:
        """The answer to one request, and its Date ("" for none). Raises OSError. `busy` until then."""
        self.busy = True
        done = False
        try:
            reader, writer = await self._open(url, tls)
            writer.write(_request(self._host, path, headers, body))
            answer = await _answer(reader)
            done = True
        except (EOFError, ValueError, asyncio.LimitOverrunError) as error:
            raise ConnectionError(f"not an answer in HTTP: {error}") from None
        finally:
            self.busy = False
            if not done:
                self.close()
        if answer[2]:
            self.close()
        return answer[:2]

    async def _open(
        self, url: str, tls: ssl.SSLContext | None
    ) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        reader, writer = self._reader, self._writer
        if (
            reader is None
            or writer is None
            or self._to != (url, tls)
            or reader.at_eof()
            or writer.is_closing()
        ):
            self.close()
            parts = URL(url)
            self._host = parts.raw_authority
            reader, writer = await asyncio.open_connection(parts.host, parts.port, ssl=tls, limit=_HEADERS)
            self._reader, self._writer, self._to = reader, writer, (url, tls)
        return reader, writer

    def close(self) -> None:
        """Close the connection, if there is one."""
        if self._writer is not None:
            self._writer.transport.abort()
        self._reader = self._writer = self._to = None


def _request(host: str, path: str, headers: Mapping[str, str], body: bytes) -> bytes:
    lines = [f"POST {path} HTTP/1.1", f"Host: {host}", f"Content-Length: {len(body)}"]
    lines += [f"{name}: {value}" for name, value in headers.items()]
    return "\r\n".join((*lines, "\r\n")).encode() + body


async def _answer(reader: asyncio.StreamReader) -> tuple[bytes, str, bool]:
    """Body, Date, and whether the connection ends with it. Raises EOFError, ValueError, LimitOverrunError."""
    head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
    first, *lines = head.split("\r\n")
    if not first.startswith("HTTP/1.1 "):
        raise ValueError(first[:40])
    told = {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in lines)}
    if told.get("transfer-encoding", "").lower() == "chunked":
        body = await _chunks(reader)
    else:
        body = await reader.readexactly(_size(told.get("content-length", ""), 10))
    return body, told.get("date", ""), told.get("connection", "").lower() == "close"


async def _chunks(reader: asyncio.StreamReader) -> bytes:
    """A body in chunks (RFC 9112, 7.1)."""
    body = bytearray()
    while size := _size((await reader.readuntil(b"\r\n")).partition(b";")[0].decode("latin-1"), 16):
        if len(body) + size > LARGEST:
            raise ValueError("too long")
        body += await reader.readexactly(size + 2)
        del body[-2:]
    while await reader.readuntil(b"\r\n") != b"\r\n":
        pass
    return bytes(body)


def _size(text: str, base: int) -> int:
    size = int(text.strip(), base)
    if not 0 <= size <= LARGEST:
        raise ValueError("no length, or too long")
    return size
