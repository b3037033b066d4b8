"""Clients that are slow on purpose: a hundred of them keep nobody from the metrics or the control socket."""

from __future__ import annotations

import contextlib
import json
import os
import select
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

from lab import daemon, until, world
from lab.portress import Daemon
from portress import control
from portress.run import control_server
from portress.run.http import PATIENCE

CONFIG = """
doors:
  ssh:
    services: [tcp/22]
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}
metrics: {listen: "127.0.0.1:9753"}
"""
MEMBER, OTHER = 65533, 65532  # users that may talk to the daemon

# Connects so many times, sends a byte of a request on each now and then, and makes up for those hung up on.
SLOW = """
import socket, sys, time
family, where, count, request = int(sys.argv[1]), eval(sys.argv[2]), int(sys.argv[3]), sys.argv[4].encode()
held = []
while True:
    while len(held) < count:
        one = socket.socket(family)
        one.settimeout(1)
        try:
            one.connect(where)
        except OSError:
            break
        held.append([one, 0])
    for pair in list(held):
        try:
            pair[0].send(request[pair[1] % len(request):][:1])
            pair[1] += 1
        except OSError:
            held.remove(pair)
    print(len(held), flush=True)
    time.sleep(0.3)
"""


@contextlib.contextmanager
def slow(d: Daemon, family: int, where: object, request: str, user: int = 0) -> Iterator[None]:
    """A hundred connections to `where` of a user, kept up."""
    words = ["/usr/bin/python3", "-c", SLOW, str(int(family)), repr(where), "100", request]
    process = d.ns.popen([*(as_user(user) if user else []), *words], stdout=subprocess.PIPE)
    assert process.stdout is not None
    try:
        assert int(process.stdout.readline()) > 0
        time.sleep(1)
        yield
        assert process.poll() is None
    finally:
        process.kill()


def scrape(d: Daemon, timeout: float = 2.0) -> str:
    words = ["curl", "--silent", "--fail", "--max-time", str(timeout), "http://127.0.0.1:9753/metrics"]
    return d.ns.run(words).stdout


def for_all(d: Daemon) -> None:
    """Have the control socket reachable for the users of group 65533."""
    for folder in (d.folder, d.socket.parent):
        folder.chmod(0o755)
    os.chown(d.socket, 0, 65533)


def as_user(user: int) -> list[str]:
    return ["setpriv", f"--reuid={user}", "--regid=65533", "--clear-groups", "--"]


def ask_as(d: Daemon, user: int) -> str:
    """What a plain request of that user is answered."""
    text = f"""
import socket
with socket.socket(socket.AF_UNIX) as one:
    one.settimeout(3)
    one.connect({str(d.socket)!r})
    try:
        one.sendall(b'{{"do": "status"}}\\n')
    except BrokenPipeError:
        pass  # one too many: the answer is there before the question
    print(one.makefile("rb").readline().decode())
"""
    return d.ns.run([*as_user(user), "/usr/bin/python3", "-c", text]).stdout


def descriptors(d: Daemon) -> int:
    return len(list(Path(f"/proc/{d.pid}/fd").iterdir()))


def test_a_scrape_succeeds_beside_a_hundred_slow_clients() -> None:
    with world() as w, daemon(w.host, CONFIG) as d:
        with slow(d, socket.AF_INET, ("127.0.0.1", 9753), "GET /metrics HTTP/1.1\r\nX-Slow: " + "x" * 1000):
            for _ in range(10):
                assert "portress_shuns_total 0.0" in scrape(d)
                time.sleep(0.5)
        until(lambda: descriptors(d) < 60)
        assert "Traceback" not in d.log


def test_a_connection_to_the_metrics_has_its_time_and_no_more() -> None:
    with world() as w, daemon(w.host, CONFIG), w.host.enter():
        begun = time.monotonic()
        with socket.create_connection(("127.0.0.1", 9753)) as one:
            one.settimeout(0.5)
            with contextlib.suppress(ConnectionError):
                while time.monotonic() - begun < 3 * PATIENCE:
                    one.send(b"x")
                    with contextlib.suppress(TimeoutError):
                        assert one.recv(100) == b""
                        break
            assert time.monotonic() - begun < 2 * PATIENCE


def test_odd_requests_to_the_metrics_are_answered_or_hung_up_on() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, w.host.enter():
        for asked, told in (
            (b"GET /metrics HTTP/1.0\r\n\r\n", b"HTTP/1.1 200 "),
            (b"HEAD / HTTP/1.1\r\nHost: a\r\n\r\n", b"HTTP/1.1 200 "),
            (b"POST /metrics HTTP/1.1\r\nContent-Length: 3\r\n\r\n", b"HTTP/1.1 405 "),
            (b"\0\xff\r\n\r\n", b"HTTP/1.1 400 "),
            (b"GET\r\n\r\n", b"HTTP/1.1 400 "),
            (b"GET /" + b"x" * 100_000 + b" HTTP/1.1\r\n\r\n", b""),
        ):
            with socket.create_connection(("127.0.0.1", 9753), timeout=5) as one:
                answer = b""
                with contextlib.suppress(ConnectionError):
                    one.sendall(asked)
                    answer = one.makefile("rb").read()
                assert answer.startswith(told), (asked, answer[:100])
                if asked.startswith(b"HEAD"):
                    assert answer.endswith(b"\r\n\r\n")
        zipped = d.ns.run(
            ["curl", "--silent", "--fail", "--compressed", "http://127.0.0.1:9753/metrics"]
        ).stdout
        assert "portress_shuns_total 0.0" in zipped
        assert "Traceback" not in d.log


def test_root_gets_an_answer_beside_a_hundred_slow_clients_and_so_does_another_user() -> None:
    with world() as w, daemon(w.host, CONFIG) as d:
        for_all(d)
        with slow(d, socket.AF_UNIX, str(d.socket), '{"do": "' + "x" * 1000, MEMBER):
            for _ in range(20):
                begun = time.monotonic()
                assert control.ask(d.socket, "status")["doors"]
                assert time.monotonic() - begun < control_server.PATIENCE  # a slow client has so long
                time.sleep(0.2)
            assert json.loads(ask_as(d, OTHER))["ok"] is True
            until(lambda: "too many connections from you at the same time" in ask_as(d, MEMBER))


def test_an_answer_that_nobody_takes_is_thrown_away() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, contextlib.ExitStack() as held:
        deaf = [held.enter_context(socket.socket(socket.AF_UNIX)) for _ in range(20)]
        for one in deaf:
            one.connect(str(d.socket))
            # What is no request is repeated in the answer: more than a socket holds (net.core.wmem_default).
            one.sendall(json.dumps({"do": "x" * 900_000}).encode() + b"\n")
        time.sleep(1)
        assert not hung_up(deaf[-1])  # it waits for room, or this test would show nothing
        until(lambda: all(hung_up(one) for one in deaf), 3 * control_server.PATIENCE)


def hung_up(one: socket.socket) -> bool:
    """Whether the other end is closed, however much there is left to read."""
    poll = select.poll()
    poll.register(one, 0)
    return any(what & select.POLLHUP for _, what in poll.poll(0))


def test_only_root_may_ask_at_length() -> None:
    with world() as w, daemon(w.host, CONFIG) as d:
        for_all(d)
        text = f"""
import socket
with socket.socket(socket.AF_UNIX) as one:
    one.settimeout(3)
    one.connect({str(d.socket)!r})
    try:
        one.sendall(b'{{"do": "' + b"x" * 500_000)
    except OSError:
        pass
    print(one.recv(1000))
"""
        words = [*as_user(MEMBER), "/usr/bin/python3", "-c", text]
        assert "a request is at most 65536 bytes" in d.ns.run(words).stdout
