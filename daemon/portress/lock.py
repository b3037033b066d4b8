"""One daemon a network namespace: a socket in the abstract namespace, which belongs to the network namespace.

The kernel frees it when the process ends, however it ends.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import struct
import time
from typing import Final

from portress.errors import Mistake

_NAME: Final = "\0portress"


def take() -> socket.socket | None:
    """Hold the lock for as long as the socket is open. Raises Mistake naming the daemon that holds it.

    A name taken by a user who could not run a daemon is no reason not to start: then None.
    """
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    try:
        sock.bind(_NAME)
        sock.listen(8)
    except OSError:
        sock.close()
        holder = _holder()
        if holder is None:
            return None
        pid = f" (process {holder})" if holder else ""
        raise Mistake(
            f"another portress daemon{pid} keeps the doors of this host already: stop it first,"
            " or ask it with: portress status"
        ) from None
    return sock


def held() -> bool:
    """Whether a daemon runs in this network namespace, whatever its control socket."""
    return _holder() is not None


def kill() -> None:
    """End the daemon of this network namespace at once, whatever it is doing; returns when it is gone."""
    pid = _holder()
    if pid:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
        while _holder() == pid:
            time.sleep(0.05)


def _holder() -> int | None:
    """The process that holds the lock (0: of another process namespace), None if no daemon does."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(1)
        try:
            probe.connect(_NAME)
        except OSError:
            return None
        pid, uid, _ = struct.unpack("=iii", probe.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
    # Only root, this user and the user of /run/portress run daemons here.
    try:
        users = {0, os.geteuid(), os.stat("/run/portress").st_uid}
    except OSError:
        users = {0, os.geteuid()}
    return int(pid) if uid in users else None
