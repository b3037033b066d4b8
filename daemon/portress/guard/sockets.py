"""This host's own TCP connections with a source: ended at the socket.

To forget a flow in connection tracking is not enough for those: the host's next packet to the source would
make the flow known anew, as one that the host began. The kernel ends a socket on request (sock_diag).
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Container, Iterable

from portress.knock import TCP, Among, Service
from portress.session import Ends
from portress.sock_diag import Established, SockDiag


def end(sources: Among, services: Iterable[Service]) -> int:
    """End the connections of `sources` to `services` of this host itself; how many. Raises OSError."""
    wanted = list(services)

    def chosen(one: Established) -> bool:
        dialled = TCP << 16 | one.local_port
        if not any(dialled in service and service.covers(one.local) for service in wanted):
            return False
        return sources.find(one.peer, one.peer_port) is not None

    return _end(chosen)


def end_these(ends: Container[Ends]) -> int:
    """End the connections with these ends (peer, its port, the port here); how many. Raises OSError."""
    return _end(lambda one: (one.peer, one.peer_port, one.local_port) in ends)


def _end(chosen: Callable[[Established], bool]) -> int:
    ended = 0
    with SockDiag() as diag:
        for one in diag.established():
            if chosen(one):
                with contextlib.suppress(FileNotFoundError):  # it ended by itself meanwhile
                    diag.end(one)
                    ended += 1
    return ended
