"""What a client makes of a daemon that goes away while it is asked, and of one that only hangs up."""

from __future__ import annotations

import select
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from portress import control
from portress.control import NoDaemon
from portress.errors import Mistake


def _killed(listening: socket.socket) -> None:
    """Before it takes the connection, which is reset."""
    select.select([listening], [], [], 20)
    listening.close()


def _hangs_up(listening: socket.socket) -> None:
    connection, _ = listening.accept()
    connection.recv(1000)
    connection.close()


def _stops(listening: socket.socket) -> None:
    _hangs_up(listening)
    time.sleep(0.1)
    listening.close()


def _cuts_short(listening: socket.socket) -> None:
    """In the middle of its answer."""
    connection, _ = listening.accept()
    connection.recv(1000)
    connection.sendall(b'{"ok": tr')
    listening.close()
    connection.close()


@pytest.mark.parametrize("daemon", [_killed, _stops, _cuts_short, _hangs_up])
@pytest.mark.parametrize("way", ["ask", "follow", "parts"])
def test_who_is_not_answered_knows_whether_a_daemon_still_runs(
    daemon: Callable[[socket.socket], None], way: str, tmp_path: Path
) -> None:
    path, told = tmp_path / "socket", list[Mistake]()

    def ask() -> None:
        try:
            if way == "ask":
                control.ask(path, "status")
            elif way == "follow":
                next(control.follow(path, "follow"))
            else:
                with control.parts(path, "status"):
                    pass
        except Mistake as mistake:
            told.append(mistake)

    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(path))
        listening.listen()
        client = threading.Thread(target=ask)
        client.start()
        daemon(listening)
        client.join(20)
    (mistake,) = told
    if daemon is _hangs_up:
        assert not isinstance(mistake, NoDaemon)
        assert str(mistake) == f"{path}: the daemon closed the connection without an answer; try again"
    else:
        assert isinstance(mistake, NoDaemon)
        assert str(mistake) == f"{path}: the daemon stopped before it answered"
