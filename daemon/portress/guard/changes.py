"""Hears that the host's interfaces, addresses or routes changed: strangers may come in by another way then.

In: the kernel's announcements (RTMGRP_… of include/uapi/linux/rtnetlink.h). Out: whether there were any.
"""

from __future__ import annotations

import errno
import socket
from types import TracebackType
from typing import Final, Self

_LINK, _IPV4_IFADDR, _IPV4_ROUTE, _IPV6_IFADDR, _IPV6_ROUTE = 0x1, 0x10, 0x40, 0x100, 0x400
_GROUPS: Final = _LINK | _IPV4_IFADDR | _IPV4_ROUTE | _IPV6_IFADDR | _IPV6_ROUTE


class Changes:
    """A context manager that owns its socket."""

    def __enter__(self) -> Self:
        kind = socket.SOCK_RAW | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC
        self._socket = socket.socket(socket.AF_NETLINK, kind, socket.NETLINK_ROUTE)
        self._socket.bind((0, _GROUPS))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._socket.close()

    def fileno(self) -> int:
        return self._socket.fileno()

    def read(self) -> bool:
        """Take what was announced; False if there was nothing."""
        changed = False
        while True:
            try:
                self._socket.recv(1 << 16)
            except BlockingIOError:
                return changed
            except OSError as error:
                if error.errno != errno.ENOBUFS:
                    raise
            changed = True  # also where some were missed
