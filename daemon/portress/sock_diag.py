"""The kernel's established TCP connections, by sock_diag(7): told and ended.

In: nothing, or a connection's identity as the kernel told it. Out: identities with the sockets' inodes.
Constants and layouts: include/uapi/linux/inet_diag.h, sock_diag.h and netlink.h; include/net/tcp_states.h.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator
from types import TracebackType
from typing import Final, NamedTuple, Self

from portress.knock import TCP

_SOCK_DIAG: Final = 4  # NETLINK_SOCK_DIAG
_BY_FAMILY, _DESTROY = 20, 21  # SOCK_DIAG_BY_FAMILY, SOCK_DESTROY
_REQUEST, _ACK, _DUMP = 0x1, 0x4, 0x300  # NLM_F_…
_ERROR, _DONE = 2, 3
_ESTABLISHED: Final = 1 << 1  # TCP_ESTABLISHED
_HEADER: Final = struct.Struct("=IHHII")
_ASK: Final = struct.Struct("=BBBBI")  # inet_diag_req_v2 up to the socket's identity
_IDENTITY: Final = struct.Struct("!HH16s16s12s")  # inet_diag_sockid: ports, addresses, interface and cookie
_INODE: Final = struct.Struct("=16xI")  # inet_diag_msg behind the identity
_MAPPED: Final = bytes(10) + b"\xff\xff"  # RFC 4291, 2.5.5.2
_RECEIVE: Final = 1 << 16  # bytes
_PATIENCE: Final = 5.0  # seconds for an answer


class Established(NamedTuple):
    """A connection: addresses in network byte order (4 or 16 bytes; a mapped one is IPv4), ports."""

    local: bytes
    local_port: int
    peer: bytes
    peer_port: int
    inode: int
    family: int  # of its socket: one for IPv6 may have a connection over IPv4
    identity: bytes  # as the kernel told it


class SockDiag:
    """Asks the kernel. A context manager that owns its socket; raises OSError where it is refused."""

    def __enter__(self) -> Self:
        self._socket = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_CLOEXEC, _SOCK_DIAG)
        self._socket.bind((0, 0))
        self._socket.settimeout(_PATIENCE)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._socket.close()

    def established(self) -> list[Established]:
        """All established connections in this network namespace. Raises OSError."""
        return [
            _read(answer, family)
            for family in (socket.AF_INET6, socket.AF_INET)
            for answer in self._ask(_BY_FAMILY, _REQUEST | _DUMP, family, bytes(_IDENTITY.size))
        ]

    def end(self, one: Established) -> None:
        """End a connection; the other side is told with a reset. Raises OSError, FileNotFoundError if it has
        ended meanwhile: it is known by its cookie, or it would be taken for its listener."""
        for _ in self._ask(_DESTROY, _REQUEST | _ACK, one.family, one.identity):
            pass

    def _ask(self, kind: int, flags: int, family: int, identity: bytes) -> Iterator[bytes]:
        body = _ASK.pack(family, TCP, 0, 0, _ESTABLISHED) + identity
        self._socket.send(_HEADER.pack(_HEADER.size + len(body), kind, flags, 1, 0) + body)
        while True:
            data = self._socket.recv(_RECEIVE)
            while len(data) >= _HEADER.size:
                length, answer, _, _, _ = _HEADER.unpack_from(data)
                if answer == _DONE:
                    return
                if answer == _ERROR:
                    (code,) = struct.unpack_from("=i", data, _HEADER.size)
                    if code:
                        raise OSError(-code, "the kernel does not tell of connections, or end them")
                    return
                yield data[_HEADER.size : length]
                data = data[(length + 3) & ~3 :]


def _read(answer: bytes, family: int) -> Established:
    identity = answer[4 : 4 + _IDENTITY.size]
    port, peer_port, local, peer, _ = _IDENTITY.unpack(identity)
    (inode,) = _INODE.unpack_from(answer, 4 + _IDENTITY.size)
    return Established(_plain(local, family), port, _plain(peer, family), peer_port, inode, family, identity)


def _plain(field: bytes, family: int) -> bytes:
    if family == socket.AF_INET:
        return field[:4]
    return field[12:] if field.startswith(_MAPPED) else field
