"""Packets with any source address: SYNs and datagrams, built here, sent through a raw socket.

Built from RFC 791, RFC 8200, RFC 9293 and RFC 768 alone: nothing of the package is tested against itself.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import socket
import struct
import time
from collections.abc import Iterable, Iterator
from functools import lru_cache
from typing import Final

from lab.space import Namespace

_ports = itertools.cycle(range(32768, 61000))
TCP, UDP = 6, 17
_SO_SNDBUFFORCE: Final = 32  # asm-generic/socket.h; the socket module does not name it


@lru_cache(maxsize=65536)
def _packed(address: str) -> bytes:
    return socket.inet_pton(socket.AF_INET6 if ":" in address else socket.AF_INET, address)


def checksum(data: bytes) -> int:
    """The Internet checksum of RFC 1071."""
    if len(data) % 2:
        data += b"\0"
    # 2^16 = 1 modulo 65535, so the ones' complement sum is the whole number's remainder.
    total = int.from_bytes(data, "big") % 0xFFFF
    return 0xFFFF - total


def _ip(src: str, dst: str, protocol: int, segment: bytes) -> bytes:
    source, target = _packed(src), _packed(dst)
    if len(source) == 4:
        header = struct.pack(
            ">BBHHHBBH4s4s", 0x45, 0, 20 + len(segment), 0, 0, 64, protocol, 0, source, target
        )
        return header[:10] + struct.pack(">H", checksum(header)) + header[12:] + segment
    return struct.pack(">IHBB16s16s", 0x60000000, len(segment), protocol, 64, source, target) + segment


def summed(src: str, dst: str, protocol: int, segment: bytes, at: int) -> bytes:
    """The segment with its checksum, over the pseudo-header of either family, written at offset `at`."""
    pseudo = _packed(src) + _packed(dst) + struct.pack(">II", len(segment), protocol)
    total = checksum(pseudo + segment) or 0xFFFF
    return segment[:at] + struct.pack(">H", total) + segment[at + 2 :]


def tcp(
    src: str,
    dst: str,
    port: int,
    sport: int | None = None,
    *,
    flags: int = 0x02,
    seq: int = 1,
    ack: int = 0,
    payload: bytes = b"",
) -> bytes:
    """A TCP segment as a whole IP packet; `flags` as in its header: SYN 2, RST 4, PSH 8, ACK 16."""
    options = b"\x02\x04\x05\xb4" if flags & 2 else b""
    start = next(_ports) if sport is None else sport
    offset = (20 + len(options)) // 4 << 4
    segment = struct.pack(">HHIIBBHHH", start, port, seq, ack, offset, flags, 64240, 0, 0)
    segment += options + payload
    return _ip(src, dst, TCP, summed(src, dst, TCP, segment, 16))


def syn(src: str, dst: str, port: int, sport: int | None = None) -> bytes:
    """A first TCP packet as a whole IP packet; without `sport` each one comes from another port."""
    return tcp(src, dst, port, sport)


def datagram(src: str, dst: str, port: int, sport: int | None = None, payload: bytes = b"") -> bytes:
    """A UDP datagram as a whole IP packet; without `sport` each one comes from another port."""
    start = next(_ports) if sport is None else sport
    segment = struct.pack(">HHHH", start, port, 8 + len(payload), 0) + payload
    return _ip(src, dst, UDP, summed(src, dst, UDP, segment, 6))


def knock(src: str, dst: str, text: str) -> bytes:
    """The packet of one knock, `tcp/4617` or `udp/2953`."""
    protocol, _, port = text.partition("/")
    build = syn if protocol == "tcp" else datagram
    return build(src, dst, int(port))


class Sender:
    """Raw sockets in a namespace. Packets go where the namespace routes them; any source will do."""

    def __init__(self, ns: Namespace) -> None:
        with ns.enter():
            # Of protocol IPPROTO_RAW, both take packets with their IP header.
            self._four = socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_RAW)
            self._six = socket.socket(socket.AF_INET6, socket.SOCK_RAW, socket.IPPROTO_RAW)
        for each in (self._four, self._six):
            each.setsockopt(socket.SOL_SOCKET, _SO_SNDBUFFORCE, 1 << 22)
            each.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)

    def close(self) -> None:
        self._four.close()
        self._six.close()

    def send(self, dst: str, packet: bytes) -> None:
        """Send a whole IP packet, header included."""
        (self._six if ":" in dst else self._four).sendto(packet, (dst, 0))

    def syn(self, src: str, dst: str, port: int, sport: int | None = None) -> None:
        self.send(dst, syn(src, dst, port, sport))

    def udp(self, src: str, dst: str, port: int, sport: int | None = None, payload: bytes = b"") -> None:
        self.send(dst, datagram(src, dst, port, sport, payload))

    def knock(self, src: str, dst: str, text: str) -> None:
        """One knock, `tcp/4617` or `udp/2953`."""
        self.send(dst, knock(src, dst, text))

    def knocks(self, src: str, dst: str, texts: Iterable[str], pause: float = 0.0) -> None:
        """Knocks in this order, `pause` seconds between two of them."""
        with one_processor():
            for number, text in enumerate(texts):
                if number and pause:
                    time.sleep(pause)
                self.knock(src, dst, text)


@contextlib.contextmanager
def one_processor() -> Iterator[None]:
    """What this thread sends meanwhile arrives in the order in which it was sent."""
    allowed = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {sorted(allowed)[os.getpid() % len(allowed)]})
    try:
        yield
    finally:
        os.sched_setaffinity(0, allowed)


@contextlib.contextmanager
def punctual() -> Iterator[None]:
    """As one_processor; and this thread goes before other programs, so that it sends when it means to."""
    with one_processor(), contextlib.ExitStack() as stack:
        with contextlib.suppress(PermissionError):  # as in a container that may not
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))
            stack.callback(os.sched_setscheduler, 0, os.SCHED_OTHER, os.sched_param(0))
        yield


@contextlib.contextmanager
def sender(ns: Namespace) -> Iterator[Sender]:
    """A Sender in the namespace."""
    send = Sender(ns)
    try:
        yield send
    finally:
        send.close()
