"""The connection on which urgent requests go to the store: against servers that answer by the byte."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import pytest

from portress.fleet.express import LARGEST, Express

GOOD = b"HTTP/1.1 200 OK\r\nDate: Thu, 26 Nov 2026 07:00:00 GMT\r\nContent-Length: 2\r\n\r\n{}"
Work = Callable[[Express, str, "Server"], Awaitable[None]]


class Server:
    """Answers each request with the next of `answers`; None: not at all. A request ends with `}`."""

    def __init__(self, answers: list[bytes | None]) -> None:
        self.answers = answers
        self.requests: list[bytes] = []
        self.connections = 0
        self.gone = asyncio.Event()  # a connection of which the other end is closed

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        try:
            while True:
                self.requests.append(await reader.readuntil(b"}"))
                answer = self.answers.pop(0) if self.answers else None
                if answer is not None:
                    writer.write(answer)
                    if b"hang up" in answer:
                        break
        except (asyncio.IncompleteReadError, ConnectionError):
            self.gone.set()
        writer.close()


def spoken(work: Work, *answers: bytes | None) -> None:
    async def run() -> None:
        it = Server([*answers])
        server = await asyncio.start_server(it.serve, "127.0.0.1", 0)
        async with server:
            line = Express()
            url = f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}"
            await asyncio.wait_for(work(line, url, it), 20)
            assert not line.busy
            line.close()

    asyncio.run(run())


async def ask(line: Express, url: str, body: bytes = b"{}") -> tuple[bytes, str]:
    return await line.post(url, "/v3/kv/txn", {"Authorization": "token"}, body, None)


def test_requests_go_one_after_the_other_over_one_connection() -> None:
    async def work(line: Express, url: str, it: Server) -> None:
        for _ in range(3):
            assert await ask(line, url) == (b"{}", "Thu, 26 Nov 2026 07:00:00 GMT")
        assert it.connections == 1
        host = url.removeprefix("http://")
        assert it.requests[0].split(b"\r\n") == [
            b"POST /v3/kv/txn HTTP/1.1",
            f"Host: {host}".encode(),
            b"Content-Length: 2",
            b"Authorization: token",
            b"",
            b"{}",
        ]

    spoken(work, GOOD, GOOD, GOOD)


def test_an_answer_may_come_in_chunks_with_trailers_and_without_a_date() -> None:
    chunked = (
        b"HTTP/1.1 200 OK\r\ntransfer-encoding: Chunked\r\n\r\n"
        b'4;ext=1\r\n{"a"\r\n1A\r\n:"ABCDEFGHIJKLMNOPQRSTUVW"\r\n1\r\n}\r\n0\r\nTrailer: x\r\n\r\n'
    )

    async def work(line: Express, url: str, it: Server) -> None:
        assert await ask(line, url) == (b'{"a":"ABCDEFGHIJKLMNOPQRSTUVW"}', "")
        assert (await ask(line, url))[0] == b"{}"  # all of the first was read
        assert it.connections == 1

    spoken(work, chunked, GOOD)


def test_an_error_of_the_store_is_an_answer_like_others() -> None:
    text = b'HTTP/1.1 400 Bad Request\r\nContent-Length: 13\r\n\r\n{"error":"x"}'

    async def work(line: Express, url: str, _: Server) -> None:
        assert (await ask(line, url))[0] == b'{"error":"x"}'

    spoken(work, text)


@pytest.mark.parametrize(
    "answer",
    [
        b"hang up",
        b"HTTP/1.0 200 OK\r\nContent-Length: 2\r\n\r\n{}",
        b"SSH-2.0-OpenSSH_9.2\r\n\r\n",
        b"HTTP/1.1 200 OK\r\n\r\n{}",
        b"HTTP/1.1 200 OK\r\nContent-Length: two\r\n\r\n{}",
        b"HTTP/1.1 200 OK\r\nContent-Length: -2\r\n\r\n{}",
        b"HTTP/1.1 200 OK\r\nContent-Length: %d\r\n\r\n{}" % (LARGEST + 1),
        b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\nX: hang up\r\n\r\n{}",
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n{}\r\n0\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n%x\r\n" % (LARGEST + 1),
        b"HTTP/1.1 200 OK\r\nX: " + b"x" * 70_000 + b"\r\n\r\n",
    ],
)
def test_what_is_no_answer_is_an_error_and_the_next_request_has_a_connection_of_its_own(
    answer: bytes,
) -> None:
    async def work(line: Express, url: str, it: Server) -> None:
        with pytest.raises(OSError, match="not an answer in HTTP"):
            await ask(line, url)
        assert (await ask(line, url))[0] == b"{}"
        assert it.connections == 2

    spoken(work, answer, GOOD)


def test_chunks_without_end_are_too_long(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("portress.fleet.express.LARGEST", 100)
    endless = b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n" + b"32\r\n" + b"x" * 50 + b"\r\n"

    async def work(line: Express, url: str, _: Server) -> None:
        with pytest.raises(OSError, match="too long"):
            await ask(line, url)

    spoken(work, endless + 2 * (b"32\r\n" + b"x" * 50 + b"\r\n"))


def test_a_connection_that_the_other_end_closed_or_is_to_be_closed_is_used_no_more() -> None:
    async def work(line: Express, url: str, it: Server) -> None:
        assert (await ask(line, url))[0] == b"{}"
        await asyncio.sleep(0.1)  # it has hung up meanwhile
        assert (await ask(line, url))[0] == b"{}"
        await it.gone.wait()  # closed here, as was said
        assert (await ask(line, url))[0] == b"{}"
        assert it.connections == 3

    hangs_up = GOOD.replace(b"\r\n\r\n", b"\r\nX: hang up\r\n\r\n")
    spoken(work, hangs_up, GOOD.replace(b"\r\n\r\n", b"\r\nConnection: Close\r\n\r\n"), GOOD)


def test_an_answer_that_came_too_late_is_not_taken_for_that_to_the_next_request() -> None:
    async def work(line: Express, url: str, it: Server) -> None:
        waiting = asyncio.create_task(ask(line, url))
        while not it.requests:
            await asyncio.sleep(0.01)
        assert line.busy
        waiting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await waiting
        await it.gone.wait()
        assert (await ask(line, url))[0] == b"{}"
        assert it.connections == 2

    spoken(work, None, GOOD)


def test_another_member_gets_another_connection() -> None:
    async def work(line: Express, url: str, it: Server) -> None:
        await ask(line, url)
        await ask(line, url.replace("127.0.0.1", "localhost"))
        assert it.connections == 2
        await it.gone.wait()  # the one before is closed

    spoken(work, GOOD, GOOD)
