"""The kernel's TCP and UDP sockets, by sock_diag(7): connections told and ended, listeners told.

In: nothing, or a connection's identity as the kernel told it. Out: identities with the sockets' inodes.
Constants and layouts: include/uapi/linux/inet_diag.h, sock_diag.h and netlink.h; include/net/tcp_states.h.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator
from typing import Final, NamedTuple

from portress.knock import TCP, UDP
from portress.netlink import ACK, DUMP, Netlink, attributes

_SOCK_DIAG: Final = 4  # NETLINK_SOCK_DIAG
_BY_FAMILY, _DESTROY = 20, 21  # SOCK_DIAG_BY_FAMILY, SOCK_DESTROY
_ESTABLISHED: Final = 1 << 1  # TCP_ESTABLISHED
_LISTEN: Final = 1 << 10  # TCP_LISTEN
_UNCONNECTED: Final = 1 << 7  # TCP_CLOSE: what a UDP socket without a peer is in
_ONLY_SIX: Final = 11  # INET_DIAG_SKV6ONLY
_ASK: Final = struct.Struct("=BBBBI")  # inet_diag_req_v2 up to the socket's identity
_IDENTITY: Final = struct.Struct("!HH16s16s12s")  # inet_diag_sockid: ports, addresses, interface and cookie
_INODE: Final = struct.Struct("=16xI")  # inet_diag_msg behind the identity
_MESSAGE: Final = 72  # bytes of inet_diag_msg; attributes follow
_MAPPED: Final = bytes(10) + b"\xff\xff"  # RFC 4291, 2.5.5.2


class Established(NamedTuple):
    """A connection: addresses in network byte order (4 or 16 bytes; a mapped one is IPv4), ports."""

    local: bytes
    local_port: int
    peer: bytes
    peer_port: int
    inode: int
    family: int  # of its socket: one for IPv6 may have a connection over IPv4
    identity: bytes  # as the kernel told it


class ListeningSocket(NamedTuple):
    """A socket that takes first packets. `local` in network byte order: 4 bytes, or 16 of an IPv6 socket."""

    protocol: int
    local: bytes
    port: int
    inode: int
    only_six: bool  # of an IPv6 socket: it takes no IPv4 (IPV6_V6ONLY)


class SockDiag(Netlink):
    """Asks the kernel. A context manager that owns its socket; raises OSError where it is refused."""

    def __init__(self) -> None:
        super().__init__(_SOCK_DIAG)

    def established(self) -> list[Established]:
        """All established connections in this network namespace. Raises OSError."""
        return [
            _read(answer, family)
            for family in (socket.AF_INET6, socket.AF_INET)
            for answer in self._ask(_BY_FAMILY, DUMP, family, bytes(_IDENTITY.size))
        ]

    def listeners(self) -> list[ListeningSocket]:
        """All TCP sockets that listen and UDP sockets without a peer in this namespace. Raises OSError."""
        return [
            _listener(answer, protocol, family)
            for protocol, states in ((TCP, _LISTEN), (UDP, _UNCONNECTED))
            for family in (socket.AF_INET, socket.AF_INET6)
            for answer in self._ask(_BY_FAMILY, DUMP, family, bytes(_IDENTITY.size), protocol, states)
        ]

    def end(self, one: Established) -> None:
        """End a connection; the other side is told with a reset. Raises OSError, FileNotFoundError if it has
        ended meanwhile: it is known by its cookie, or it would be taken for its listener."""
        for _ in self._ask(_DESTROY, ACK, one.family, one.identity):
            pass

    def _ask(
        self,
        kind: int,
        flags: int,
        family: int,
        identity: bytes,
        protocol: int = TCP,
        states: int = _ESTABLISHED,
    ) -> Iterator[bytes]:
        body = _ASK.pack(family, protocol, 0, 0, states) + identity
        return map(bytes, self.exchange(kind, flags, body))


def _read(answer: bytes, family: int) -> Established:
    identity = answer[4 : 4 + _IDENTITY.size]
    port, peer_port, local, peer, _ = _IDENTITY.unpack(identity)
    (inode,) = _INODE.unpack_from(answer, 4 + _IDENTITY.size)
    return Established(_plain(local, family), port, _plain(peer, family), peer_port, inode, family, identity)


def _listener(answer: bytes, protocol: int, family: int) -> ListeningSocket:
    port, _, local, _, _ = _IDENTITY.unpack_from(answer, 4)
    (inode,) = _INODE.unpack_from(answer, 4 + _IDENTITY.size)
    told = dict(attributes(memoryview(answer)[_MESSAGE:]))
    size = 4 if family == socket.AF_INET else 16
    return ListeningSocket(protocol, local[:size], port, inode, any(told.get(_ONLY_SIX, b"")))


def _plain(field: bytes, family: int) -> bytes:
    if family == socket.AF_INET:
        return field[:4]
    return field[12:] if field.startswith(_MAPPED) else field
