"""Ears on the loopback: sockets that note which knocks arrive, and in which order.

Each process that runs tests has its own address there, `HERE`: it hears no knocks of the others.
"""

from __future__ import annotations

import os
import selectors
import socket
import threading
from ipaddress import IPv4Address
from types import TracebackType
from typing import Final

HERE: Final = str(IPv4Address("127.0.0.0") + (1 << 23 | os.getpid()))  # a pid has 22 bits (linux/threads.h)
KINDS = {"tcp": socket.SOCK_STREAM, "udp": socket.SOCK_DGRAM}


class Ears:
    """Listens at HERE at `knocks`, as `tcp/4617`, or any free port, as `tcp/0`, while its `with` block runs.

    `names` are the knocks listened at; `heard` those that came so far; `said` what UDP knocks held;
    `callers` the source ports; `open` the TCP connections that were not closed by the other side.
    Raises OSError when a port is taken.
    """

    def __init__(self, *knocks: str) -> None:
        self.names: list[str] = []
        self.heard: list[str] = []
        self.said: list[bytes] = []
        self.callers: list[int] = []
        self.open = 0
        self._sockets = selectors.DefaultSelector()
        self._quiet = threading.Event()
        self._thread = threading.Thread(target=self._listen)
        try:
            for knock in knocks:
                self._at(knock)
        except OSError:
            self._close()
            raise

    def _at(self, knock: str) -> None:
        protocol, _, port = knock.partition("/")
        ear = socket.socket(socket.AF_INET, KINDS[protocol])
        self._sockets.register(ear, selectors.EVENT_READ, None)
        ear.bind((HERE, int(port)))
        name = f"{protocol}/{ear.getsockname()[1]}"
        self._sockets.modify(ear, selectors.EVENT_READ, name)
        self.names.append(name)
        if protocol == "tcp":
            ear.listen()

    def _listen(self) -> None:
        while not self._quiet.is_set():
            for key, _ in self._sockets.select(0.02):
                ear = key.fileobj
                assert isinstance(ear, socket.socket)
                if key.data == "a connection":
                    self._end(ear)
                elif key.data.startswith("tcp"):
                    connection, caller = ear.accept()
                    self._note(key.data, caller[1])
                    self._sockets.register(connection, selectors.EVENT_READ, "a connection")
                    self.open += 1
                else:
                    content, caller = ear.recvfrom(2048)
                    self.said.append(content)
                    self._note(key.data, caller[1])

    def _end(self, connection: socket.socket) -> None:
        assert connection.recv(1) == b""
        self._sockets.unregister(connection)
        connection.close()
        self.open -= 1

    def _note(self, name: str, caller: int) -> None:
        self.heard.append(name)
        self.callers.append(caller)

    def __enter__(self) -> Ears:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.finish()
        self._close()

    def finish(self) -> list[str]:
        """Hear what is still under way, then stop. What was heard."""
        if self._thread.is_alive():
            self._quiet.wait(0.2)
            self._quiet.set()
            self._thread.join()
        return self.heard

    def _close(self) -> None:
        for key in list(self._sockets.get_map().values()):
            assert isinstance(key.fileobj, socket.socket)
            key.fileobj.close()
        self._sockets.close()
