"""The stand-alone client as OpenSSH's ProxyCommand: it knocks, connects, and carries the stream both ways."""

from __future__ import annotations

import hashlib
import json
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

import client
import make_vectors
from ears import HERE, Ears

PYTHONS = client.interpreters()
MUCH = bytes(range(256)) * 40_000  # 10 MB: far more than socket buffers and pipes hold


@contextmanager
def served(serve: Callable[[socket.socket], None]) -> Iterator[str]:
    """A service on the loopback that serves one connection; its port."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(30)

        def work() -> None:
            connection, _ = listener.accept()
            with connection:
                connection.settimeout(30)
                serve(connection)

        thread = threading.Thread(target=work)
        thread.start()
        yield str(listener.getsockname()[1])
        thread.join()


def whole(connection: socket.socket) -> bytes:
    parts = []
    while part := connection.recv(65536):
        parts.append(part)
    return b"".join(parts)


def relay(
    port: str, *words: str, typed: bytes = b"", python: str = sys.executable, knock: str = "udp/2953"
) -> subprocess.CompletedProcess[bytes]:
    command = [python, "-I", str(client.CLIENT), "--to", HERE, knock, "--relay", "127.0.0.1", port]
    return subprocess.run([*command, *words], input=typed, capture_output=True, timeout=60)


@pytest.mark.parametrize("python", PYTHONS)
def test_the_answer_to_the_whole_input_comes_back(python: str) -> None:
    """The input ends first: the service sees its end and can still answer."""

    def serve(connection: socket.socket) -> None:
        connection.sendall(hashlib.sha256(whole(connection)).digest() + MUCH)

    with served(serve) as port:
        ran = relay(port, typed=MUCH, python=python)
    assert (ran.returncode, ran.stderr) == (0, b"")
    assert ran.stdout[:32] == hashlib.sha256(MUCH).digest()
    assert ran.stdout[32:] == MUCH


def test_the_rest_of_the_input_is_carried_after_the_service_said_its_last() -> None:
    got: list[bytes] = []

    def serve(connection: socket.socket) -> None:
        connection.sendall(b"bye")
        connection.shutdown(socket.SHUT_WR)
        got.append(whole(connection))

    with served(serve) as port:
        command = [sys.executable, str(client.CLIENT), "--to", HERE, "udp/2953"]
        command += ["--relay", "127.0.0.1", port]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
            assert process.stdin is not None and process.stdout is not None
            assert process.stdout.read() == b"bye"  # the end is passed on at once
            process.stdin.write(MUCH)
            process.stdin.close()
            assert process.wait(30) == 0
    assert got == [MUCH]


def test_single_bytes_go_back_and_forth_without_waiting_for_more() -> None:
    def serve(connection: socket.socket) -> None:
        while byte := connection.recv(1):
            connection.sendall(byte.upper())

    with served(serve) as port:
        command = [sys.executable, str(client.CLIENT), "--to", HERE, "udp/2953"]
        command += ["--relay", "127.0.0.1", port]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0) as process:
            assert process.stdin is not None and process.stdout is not None
            for byte in (b"a", b"b", b"c"):
                process.stdin.write(byte)
                assert process.stdout.read(1) == byte.upper()
            process.stdin.close()
            assert process.wait(30) == 0


def test_the_knock_comes_before_the_connection() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind((HERE, 0))

        def serve(connection: socket.socket) -> None:
            ear.recv(2048, socket.MSG_DONTWAIT)  # it is there already, or else this raises
            connection.sendall(b"knocked")

        with served(serve) as port:
            ran = relay(port, knock=f"udp/{ear.getsockname()[1]}")
    assert ran.stdout == b"knocked"


def test_a_service_that_opens_late_is_reached() -> None:
    """Refused for a while, as behind a door with `closed: reject`."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.settimeout(30)

        def open_late() -> None:
            time.sleep(0.7)
            listener.listen()
            with listener.accept()[0] as connection:
                connection.sendall(b"in")

        thread = threading.Thread(target=open_late)
        thread.start()
        ran = relay(str(listener.getsockname()[1]))
        thread.join()
    assert (ran.returncode, ran.stdout) == (0, b"in")


@pytest.fixture
def shut() -> Iterator[str]:
    """A port that refuses."""
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        yield str(bound.getsockname()[1])


def test_a_door_that_stays_shut_is_knocked_on_again(shut: str) -> None:
    with Ears("udp/0") as ears:
        ran = relay(shut, "--timeout", "4", knock=ears.names[0])
        assert len(ears.finish()) == 2
    assert ran.returncode == 1
    assert b"did not open" in ran.stderr
    assert b"clock" not in ran.stderr  # a fixed sequence does not depend on it


def test_a_rotating_door_that_stays_shut_sends_people_to_their_clock(shut: str, tmp_path: Path) -> None:
    card = {**make_vectors.KEYCARDS[0]["keycard"], "host": HERE}
    path = tmp_path / "card"
    path.write_text(json.dumps(card))
    path.chmod(0o600)
    command = [sys.executable, str(client.CLIENT), str(path), "--relay", "127.0.0.1", shut]
    ran = subprocess.run(
        [*command, "--timeout", "0.5", "--at", "1900000000"], capture_output=True, text=True, timeout=60
    )
    assert ran.returncode == 1
    assert "check the clock first: it says 2030-03-17 17:46:4" in ran.stderr
    assert card["secret"] not in ran.stderr
    assert not any(knock.partition("/")[2] in ran.stderr for knock in make_vectors.DERIVED[0]["knocks"])


def test_a_host_without_an_address_is_no_matter_of_the_clock(tmp_path: Path) -> None:
    path = tmp_path / "card"
    path.write_text(json.dumps({**make_vectors.KEYCARDS[0]["keycard"], "host": "nobody.invalid"}))
    path.chmod(0o600)
    command = [sys.executable, str(client.CLIENT), str(path), "--relay", "nobody.invalid", "22"]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=60)
    (line,) = ran.stderr.splitlines()
    assert ran.returncode == 1
    assert line.startswith("portress-knock: nobody.invalid: ")


def test_a_connection_that_breaks_is_not_done() -> None:
    def reset(connection: socket.socket) -> None:
        connection.recv(1)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

    with served(reset) as port:
        command = [sys.executable, str(client.CLIENT), "--to", HERE, "udp/2953"]
        command += ["--relay", "127.0.0.1", port]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE, stdout=-3) as process:
            assert process.stdin is not None and process.stderr is not None
            process.stdin.write(b"x")
            process.stdin.flush()
            assert process.wait(30) == 1  # though its input is still open
            assert process.stderr.read().startswith(b"portress-knock: the connection broke")


def test_a_connection_reset_while_sending_is_not_done() -> None:
    """The service said its last word and then took no more: what was sent is lost."""

    def close(connection: socket.socket) -> None:
        connection.sendall(b"bye")
        connection.shutdown(socket.SHUT_WR)
        connection.recv(1)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

    with served(close) as port:
        command = [sys.executable, str(client.CLIENT), "--to", HERE, "udp/2953"]
        command += ["--relay", "127.0.0.1", port]
        with subprocess.Popen(command, stdin=-1, stderr=-1, stdout=-1) as process:
            assert process.stdin is not None and process.stderr is not None and process.stdout is not None
            assert process.stdout.read() == b"bye"
            with suppress(BrokenPipeError):
                process.stdin.write(MUCH)
            assert process.wait(30) == 1
            (line,) = process.stderr.read().splitlines()
            assert line.startswith(b"portress-knock: the connection broke while sending: ")
            with suppress(BrokenPipeError):
                process.stdin.close()


def test_the_time_given_is_used_and_no_more(shut: str) -> None:
    began = time.monotonic()
    with Ears("udp/0") as ears:
        ran = relay(shut, "--timeout", "16", knock=ears.names[0])
        assert len(ears.finish()) >= 2  # it knocks again and again
    assert 15.5 < time.monotonic() - began < 30
    assert ran.returncode == 1 and b"did not open within 16 s" in ran.stderr


def test_a_reader_that_went_away_ends_it_quietly() -> None:
    def pour(connection: socket.socket) -> None:
        try:
            while True:
                connection.sendall(MUCH)
        except OSError:
            pass

    with served(pour) as port:
        command = [sys.executable, str(client.CLIENT), "--to", HERE, "udp/2953"]
        command += ["--relay", "127.0.0.1", port]
        with subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
        ) as process:
            assert process.stdout is not None and process.stderr is not None
            process.stdout.read(10)
            process.stdout.close()
            assert process.wait(30) == 0
            assert process.stderr.read() == b""
