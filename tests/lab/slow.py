"""A TCP relay in front of a server, which can be slow, or cut.

async with relay(port) as r:
    r.port              # connect there
    r.delay = 2.0       # seconds that each piece of data waits, either way
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager


class Relay:
    """The relay in front of 127.0.0.1:`to`."""

    def __init__(self, to: int) -> None:
        self.delay = 0.0
        self.port = 0
        self._to = to
        self._tasks: set[asyncio.Task[None]] = set()

    async def _met(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._to)
            for source, sink in ((reader, far_writer), (far_reader, writer)):
                task = asyncio.create_task(self._pass(source, sink))
                self._tasks.add(task)
                task.add_done_callback(self._tasks.discard)

    async def _pass(self, source: asyncio.StreamReader, sink: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await source.read(65536):
                if self.delay:
                    await asyncio.sleep(self.delay)
                sink.write(data)
                await sink.drain()
        sink.close()

    def close(self) -> None:
        for task in self._tasks:
            task.cancel()


@asynccontextmanager
async def relay(to: int) -> AsyncIterator[Relay]:
    made = Relay(to)
    server = await asyncio.start_server(made._met, "127.0.0.1", 0)
    made.port = server.sockets[0].getsockname()[1]
    try:
        yield made
    finally:
        server.close()
        made.close()
