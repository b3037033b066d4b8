"""The few netlink words that Portress reads and writes itself: headers, attributes, requests to netfilter.

Layouts: RFC 3549 and the kernel's include/uapi/linux/netlink.h and netfilter/nfnetlink.h.
"""

from __future__ import annotations

import os
import socket
import struct
from collections.abc import Iterator
from typing import Final

NETLINK_NETFILTER: Final = 12
REQUEST, ACK, EXCLUSIVE, CREATE, DUMP = 0x1, 0x4, 0x200, 0x400, 0x300  # NLM_F_…
NESTED: Final = 0x8000
_ERROR, _DONE = 2, 3
_TYPE: Final = 0x3FFF  # without the flags for nesting and byte order
_ATTRIBUTE: Final = struct.Struct("=HH")
_HEADER: Final = struct.Struct("=IHHII")
_RECEIVE: Final = 1 << 17  # bytes: more than the kernel puts into one datagram of a dump


def attribute(kind: int, payload: bytes) -> bytes:
    """One attribute, padded to four bytes."""
    return _ATTRIBUTE.pack(4 + len(payload), kind) + payload + bytes(-len(payload) % 4)


def attributes(buffer: memoryview) -> Iterator[tuple[int, memoryview]]:
    """The attributes in `buffer`: type without flags, payload. Ends at the first whose length cannot be."""
    offset = 0
    while offset + 4 <= len(buffer):
        length, kind = _ATTRIBUTE.unpack_from(buffer, offset)
        if length < 4 or offset + length > len(buffer):
            return
        yield kind & _TYPE, buffer[offset + 4 : offset + length]
        offset += (length + 3) & ~3


class Netfilter:
    """A socket to netfilter for requests with answers. Use as a context manager."""

    def __init__(self, timeout: float = 5.0) -> None:
        """`timeout` in seconds, for each answer."""
        self._socket = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, NETLINK_NETFILTER)
        self._socket.bind((0, 0))
        self._socket.settimeout(timeout)

    def __enter__(self) -> Netfilter:
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    def ask(
        self, subsystem: int, message: int, family: int, payload: bytes, flags: int
    ) -> Iterator[memoryview]:
        """Send one request; yield the attributes' bytes of each answer.

        Raises OSError with the kernel's error number if it refuses, TimeoutError if it does not answer.
        """
        body = struct.pack("=BBH", family, 0, 0) + payload
        self._socket.send(
            _HEADER.pack(16 + len(body), subsystem << 8 | message, REQUEST | flags, 1, 0) + body
        )
        while True:
            view = memoryview(self._socket.recv(_RECEIVE))
            while len(view) >= 16:
                length, kind, _, _, _ = _HEADER.unpack_from(view)
                if kind == _DONE:
                    return
                if kind == _ERROR:
                    (code,) = struct.unpack_from("=i", view, 16)
                    if code:
                        raise OSError(-code, os.strerror(-code))
                    return
                yield view[20:length]
                view = view[(length + 3) & ~3 :]
