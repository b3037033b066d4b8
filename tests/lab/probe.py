"""What one meets at a port, and something to meet there."""

from __future__ import annotations

import contextlib
import errno
import os
import selectors
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from typing import Final

from lab.packets import checksum
from lab.space import LabError, Namespace

_ICMP6: Final = 58
_UNREACHABLE: Final = {errno.EHOSTUNREACH, errno.ENETUNREACH, errno.EACCES, errno.EPERM}


def until(true: Callable[[], object], seconds: float = 50) -> None:
    """Wait until it is so, half of the time at least. AssertionError if it is not after so long."""
    begun = asked = time.monotonic()
    while not true():
        now = time.monotonic()
        assert now < begun + seconds, "it did not come about"
        time.sleep(max(0.02, now - asked))
        asked = time.monotonic()


def _socket(
    ns: Namespace, address: str, kind: socket.SocketKind, source: str | None, timeout: float
) -> socket.socket:
    with ns.enter():
        made = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, kind)
    made.settimeout(timeout)
    if source:
        made.bind((source, 0))
    return made


def tcp_state(
    ns: Namespace, address: str, port: int, *, source: str | None = None, timeout: float = 0.7
) -> str:
    """`open` (connected), `closed` (refused by a reset) or `filtered` (no answer, or an ICMP error).

    Under 1 s the timeout is below the first repetition of a SYN (RFC 6298): exactly one is sent.
    """
    with _socket(ns, address, socket.SOCK_STREAM, source, timeout) as dial:
        try:
            dial.connect((address, port))
        except ConnectionRefusedError:
            return "closed"
        except TimeoutError:
            return "filtered"
        except OSError as error:
            if error.errno in _UNREACHABLE:
                return "filtered"
            raise
        return "open"


def udp_state(
    ns: Namespace,
    address: str,
    port: int,
    *,
    source: str | None = None,
    timeout: float = 0.5,
    payload: bytes = b"?",
) -> str:
    """`open` (it answered), `closed` (ICMP port unreachable) or `filtered` (silence)."""
    with _socket(ns, address, socket.SOCK_DGRAM, source, timeout) as dial:
        dial.connect((address, port))
        try:
            dial.send(payload)
            dial.recv(65536)
        except ConnectionRefusedError:
            return "closed"
        except TimeoutError:
            return "filtered"
        except OSError as error:
            if error.errno in _UNREACHABLE:
                return "filtered"
            raise
        return "open"


def echoes(ns: Namespace, address: str, *, timeout: float = 2.0) -> bool:
    """Whether the address answers an ICMP echo request (RFC 792, RFC 4443)."""
    six = ":" in address
    with ns.enter():
        family, protocol = (socket.AF_INET6, _ICMP6) if six else (socket.AF_INET, socket.IPPROTO_ICMP)
        asking = socket.socket(family, socket.SOCK_RAW, protocol)
    with asking:
        asking.settimeout(timeout)
        asking.connect((address, 0))
        body = struct.pack(">HH", os.getpid() & 0xFFFF, 1)
        request = bytes([128 if six else 8, 0])
        # The kernel fills in the sum for IPv6 alone: it covers the addresses there.
        asking.send(request + struct.pack(">H", 0 if six else checksum(request + b"\0\0" + body)) + body)
        until = time.monotonic() + timeout
        while time.monotonic() < until:
            try:
                answer = asking.recv(65536)
            except TimeoutError:
                return False
            reply = answer if six else answer[(answer[0] & 15) * 4 :]
            if reply[0] == (129 if six else 0) and reply[4:8] == body:
                return True
    return False


class Answering:
    """TCP: `greeting`, then an echo. UDP: an echo. `.met`: the addresses that came, all after the `with`."""

    greeting = b"portress lab\n"

    def __init__(self, ns: Namespace, protocol: str, port: int) -> None:
        self.met: list[str] = []
        self._tcp = protocol == "tcp"
        self._stop = threading.Event()
        with ns.enter():
            kind = socket.SOCK_STREAM if self._tcp else socket.SOCK_DGRAM
            self._listener = socket.socket(socket.AF_INET6, kind)
        self._listener.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._listener.bind(("::", port))
        if self._tcp:
            self._listener.listen(1024)
        self._listener.setblocking(False)
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _met(self, peer: tuple[str, int]) -> None:
        self.met.append(peer[0].removeprefix("::ffff:"))

    def _serve(self) -> None:
        with selectors.DefaultSelector() as ready:
            ready.register(self._listener, selectors.EVENT_READ)
            while (events := ready.select(0 if self._stop.is_set() else 0.05)) or not self._stop.is_set():
                for key, _ in events:
                    with contextlib.suppress(OSError):
                        self._turn(ready, key.fileobj)  # type: ignore[arg-type]  # only sockets are registered
            for key in list(ready.get_map().values()):
                key.fileobj.close()  # type: ignore[union-attr]  # only sockets are registered

    def _turn(self, ready: selectors.BaseSelector, one: socket.socket) -> None:
        if one is not self._listener:
            data = b""
            with contextlib.suppress(ConnectionError):
                data = one.recv(65536)
            if data:
                one.sendall(data)
            else:
                ready.unregister(one)
                one.close()
        elif self._tcp:
            made, peer = one.accept()
            self._met(peer)
            ready.register(made, selectors.EVENT_READ)
            made.sendall(self.greeting)
        else:
            data, peer = one.recvfrom(65536)
            self._met(peer)
            one.sendto(data, peer)

    def close(self) -> None:
        self._stop.set()
        self._thread.join(10)
        if self._thread.is_alive():
            raise LabError("the answering service did not end")


@contextlib.contextmanager
def service(ns: Namespace, text: str) -> Iterator[Answering]:
    """Something that answers at `tcp/8080` or `udp/51820`, on all of the namespace's addresses."""
    protocol, _, port = text.partition("/")
    answering = Answering(ns, protocol, int(port))
    try:
        yield answering
    finally:
        answering.close()
