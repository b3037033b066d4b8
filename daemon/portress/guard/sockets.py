"""This host's own TCP connections with a source: ended at the socket.

To forget a flow in connection tracking is not enough for those: the host's next packet to the source would
make the flow known anew, as one that the host began. The kernel ends a socket on request (sock_diag(7),
SOCK_DESTROY; include/uapi/linux/inet_diag.h, tcp_states.h), and tells the other side with a reset.
"""

from __future__ import annotations

import contextlib
import socket
import struct
from collections.abc import Callable, Container, Iterable, Iterator
from typing import Final

from portress.knock import TCP, Among, Service
from portress.session import Ends

_SOCK_DIAG: Final = 4  # NETLINK_SOCK_DIAG
_BY_FAMILY, _DESTROY = 20, 21  # SOCK_DIAG_BY_FAMILY, SOCK_DESTROY
_REQUEST, _ACK, _DUMP = 0x1, 0x4, 0x300  # NLM_F_…
_ERROR, _DONE = 2, 3
_ESTABLISHED: Final = 1 << 1  # TCP_ESTABLISHED
_HEADER: Final = struct.Struct("=IHHII")
_ASK: Final = struct.Struct("=BBBBI")  # inet_diag_req_v2 up to the socket's identity
_IDENTITY: Final = struct.Struct("!HH16s16s12s")  # inet_diag_sockid: ports, addresses, interface and cookie
_MAPPED: Final = bytes(10) + b"\xff\xff"  # RFC 4291, 2.5.5.2
_RECEIVE: Final = 1 << 16  # bytes


def end(sources: Among, services: Iterable[Service]) -> int:
    """End the connections of `sources` to `services` of this host itself; how many. Raises OSError."""
    wanted = list(services)
    return _end(lambda identity, family: _matches(identity, family, sources, wanted))


def end_these(ends: Container[Ends]) -> int:
    """End the connections with these ends (peer, its port, the port here); how many. Raises OSError."""
    return _end(lambda identity, family: _ends(identity, family) in ends)


def _ends(identity: bytes, family: int) -> Ends:
    port, peer_port, _, peer, _ = _IDENTITY.unpack(identity)
    return _plain(peer, family), peer_port, port


def _end(chosen: Callable[[bytes, int], bool]) -> int:
    ended = 0
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_CLOEXEC, _SOCK_DIAG) as diag:
        diag.bind((0, 0))
        diag.settimeout(5.0)
        # A socket for IPv6 may have a connection over IPv4, under a mapped address.
        for family in (socket.AF_INET6, socket.AF_INET):
            for identity in list(_established(diag, family)):
                if chosen(identity, family):
                    # By its cookie, or a connection that ended meanwhile would be taken for its listener.
                    with contextlib.suppress(FileNotFoundError):
                        list(_ask(diag, _DESTROY, _REQUEST | _ACK, family, identity))
                        ended += 1
    return ended


def _established(diag: socket.socket, family: int) -> Iterator[bytes]:
    for answer in _ask(diag, _BY_FAMILY, _REQUEST | _DUMP, family, bytes(_IDENTITY.size)):
        yield answer[4 : 4 + _IDENTITY.size]


def _matches(identity: bytes, family: int, sources: Among, services: list[Service]) -> bool:
    port, came, local, peer, _ = _IDENTITY.unpack(identity)
    here = _plain(local, family)
    if not any((TCP << 16 | port) in service and service.covers(here) for service in services):
        return False
    return sources.find(_plain(peer, family), came) is not None


def _plain(field: bytes, family: int) -> bytes:
    """An address of a socket's identity, 4 or 16 bytes; a mapped one is IPv4."""
    if family == socket.AF_INET:
        return field[:4]
    return field[12:] if field.startswith(_MAPPED) else field


def _ask(diag: socket.socket, kind: int, flags: int, family: int, identity: bytes) -> Iterator[bytes]:
    body = _ASK.pack(family, TCP, 0, 0, _ESTABLISHED) + identity
    diag.send(_HEADER.pack(_HEADER.size + len(body), kind, flags, 1, 0) + body)
    while True:
        data = diag.recv(_RECEIVE)
        while len(data) >= _HEADER.size:
            length, answer, _, _, _ = _HEADER.unpack_from(data)
            if answer == _DONE:
                return
            if answer == _ERROR:
                (code,) = struct.unpack_from("=i", data, _HEADER.size)
                if code:
                    raise OSError(-code, "the kernel does not end connections")
                return
            yield data[_HEADER.size : length]
            data = data[(length + 3) & ~3 :]
