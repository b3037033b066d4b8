"""A flow from somewhere to the host, kept up from one port: whether it still goes on."""

from __future__ import annotations

import contextlib
import socket
import struct

from lab import Namespace, World


class Peer:
    """A flow from `ns` to the host's `port`, over IPv4 unless `host` says otherwise; `sport` is its own."""

    def __init__(
        self, ns: Namespace, kind: socket.SocketKind, port: int, *, host: str = World.host4, sport: int = 0
    ) -> None:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        with ns.enter():
            self.socket = socket.socket(family, kind)
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.socket.settimeout(2.0)
        if sport:
            self.socket.bind(("", sport))
        try:
            self.socket.connect((host, port))
            if kind == socket.SOCK_STREAM:
                self.socket.recv(100)  # the greeting
        except OSError:
            self.socket.close()
            raise

    def close(self) -> None:
        self.socket.close()

    @property
    def sport(self) -> int:
        return int(self.socket.getsockname()[1])

    def answers(self) -> bool:
        """Whether what is sent comes back."""
        try:
            self.socket.send(b"still here")
            return self.socket.recv(100) == b"still here"
        except OSError:
            return False

    def reset(self) -> None:
        """End it at once, so that its port is free again."""
        with contextlib.suppress(OSError):
            self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.socket.close()
