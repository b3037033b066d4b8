"""The few netlink words that Portress reads and writes itself: headers, attributes, requests to netfilter.

Layouts: RFC 3549 and the kernel's include/uapi/linux/netlink.h and netfilter/nfnetlink.h.
"""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import stat
import struct
from collections.abc import Iterator
from typing import Final, Self

NETLINK_NETFILTER: Final = 12
REQUEST, ACK, EXCLUSIVE, CREATE, DUMP = 0x1, 0x4, 0x200, 0x400, 0x300  # NLM_F_…
NESTED: Final = 0x8000
_ERROR, _DONE = 2, 3
_INTERRUPTED: Final = 0x10  # NLM_F_DUMP_INTR
_TYPE: Final = 0x3FFF  # without the flags for nesting and byte order
_ATTRIBUTE: Final = struct.Struct("=HH")
_HEADER: Final = struct.Struct("=IHHII")
_CODE: Final = struct.Struct("=i")
_RECEIVE: Final = 1 << 17  # bytes: more than the kernel puts into one datagram of a dump
_SEND: Final = 1 << 25  # bytes: a transaction is one datagram, and this much are 400,000 admissions
_SO_SNDBUFFORCE: Final = 32  # asm-generic/socket.h; not in Python's socket module
_SOL_NETLINK, _CAP_ACK = 270, 10  # linux/socket.h, linux/netlink.h


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


def request(
    kind: int, flags: int, family: int, payload: bytes, *, resource: int = 0, number: int = 1
) -> bytes:
    """One request to netfilter: `kind` is subsystem << 8 | message, `payload` its attributes."""
    header = _HEADER.pack(20 + len(payload), kind, REQUEST | flags, number, 0)
    return header + struct.pack("!BBH", family, 0, resource) + payload


def sockets() -> dict[int, int]:
    """This process's sockets to netfilter: netlink port -> descriptor."""
    found: dict[int, int] = {}
    for name in os.listdir("/proc/self/fd"):
        if _is_socket(name):
            with socket.socket(fileno=os.dup(int(name))) as sock:
                if sock.family == socket.AF_NETLINK and sock.proto == NETLINK_NETFILTER:
                    found[sock.getsockname()[0]] = int(name)
    return found


def _is_socket(descriptor: str) -> bool:
    try:
        return stat.S_ISSOCK(os.fstat(int(descriptor)).st_mode)
    except OSError:  # the one that listed the directory is closed by now
        return False


class Transactions:
    """A socket that sends whole transactions to netfilter."""

    def __init__(self, descriptor: int | None = None) -> None:
        """`descriptor`: of a socket to netfilter to share, which stays as it is; default: one of its own."""
        if descriptor is None:
            self._socket = socket.socket(
                socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_CLOEXEC, NETLINK_NETFILTER
            )
            self._socket.bind((0, 0))
            self._socket.setsockopt(_SOL_NETLINK, _CAP_ACK, 1)  # no answer repeats what was asked
        else:
            self._socket = socket.socket(fileno=os.dup(descriptor))
        with contextlib.suppress(PermissionError):
            self._socket.setsockopt(socket.SOL_SOCKET, _SO_SNDBUFFORCE, _SEND)
        self._answer = bytearray(_RECEIVE)

    def close(self) -> None:
        self._socket.close()

    def run(self, datagram: bytes, last: int) -> None:
        """Have a transaction done, whose request number `last` is the last and asks to be acknowledged.

        The kernel has done it, or refused it, when the sending returns; so nothing waits here. Raises OSError
        with the first error.
        """
        self._socket.send(datagram)
        error = self._error(last)
        if error:
            raise OSError(error, os.strerror(error))

    def _error(self, last: int) -> int:
        """The first error that the kernel answers with, up to the answer to the request `last`.

        A transaction that is refused has an answer for each of its requests, and of very many the last find
        no room: the first are heard all the same.
        """
        error = 0
        while True:
            try:
                size = self._socket.recv_into(self._answer, 0, socket.MSG_DONTWAIT)
            except BlockingIOError:
                return error or errno.EIO
            except OSError as refused:
                if refused.errno != errno.ENOBUFS:
                    raise
                continue
            if size < 20:
                continue
            _, kind, _, number, _ = _HEADER.unpack_from(self._answer)
            if kind == _ERROR:
                error = error or -_CODE.unpack_from(self._answer, 16)[0]
                if number == last:
                    return error


class Netlink:
    """A socket to a part of the kernel, for requests with answers. Use as a context manager."""

    def __init__(self, part: int, timeout: float = 5.0) -> None:
        """`part`: NETLINK_… of linux/netlink.h. `timeout` in seconds, for each answer."""
        self._socket = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_CLOEXEC, part)
        self._socket.bind((0, 0))
        self._socket.settimeout(timeout)
        self.torn = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._socket.close()

    def exchange(self, kind: int, flags: int, body: bytes) -> Iterator[memoryview]:
        """Send one request; yield what is behind the header of each answer.

        `torn` is set where what is told changed meanwhile (NLM_F_DUMP_INTR). Raises OSError with the kernel's
        error number if it refuses, TimeoutError if it does not answer.
        """
        self._socket.send(_HEADER.pack(16 + len(body), kind, REQUEST | flags, 1, 0) + body)
        self.torn = False
        while True:
            view = memoryview(self._socket.recv(_RECEIVE))
            while len(view) >= 16:
                length, answer, told, _, _ = _HEADER.unpack_from(view)
                self.torn = self.torn or bool(told & _INTERRUPTED)
                if answer == _DONE:
                    return
                if answer == _ERROR:
                    (code,) = _CODE.unpack_from(view, 16)
                    if code:
                        raise OSError(-code, os.strerror(-code))
                    return
                yield view[16:length]
                view = view[(length + 3) & ~3 :]


class Netfilter(Netlink):
    """A socket to netfilter for requests with answers. Use as a context manager."""

    def __init__(self, timeout: float = 5.0) -> None:
        """`timeout` in seconds, for each answer."""
        super().__init__(NETLINK_NETFILTER, timeout)

    def ask(
        self, subsystem: int, message: int, family: int, payload: bytes, flags: int
    ) -> Iterator[memoryview]:
        """Send one request; yield the attributes' bytes of each answer. Raises as `exchange` does."""
        body = struct.pack("=BBH", family, 0, 0) + payload
        for answer in self.exchange(subsystem << 8 | message, flags, body):
            yield answer[4:]
