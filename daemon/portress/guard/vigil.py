"""Standing watch over the guard: nftables' own notifications, and which of them are about our table.

The kernel announces every change to its rules (NFNLGRP_NFTABLES). What this process's own handle did is
told from what others did by the netlink port it came from. Constants: include/uapi/linux/netfilter/
nf_tables.h and nfnetlink.h.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import select
import socket
import struct
from collections.abc import Iterable
from types import TracebackType
from typing import Final, Self

from portress.guard.language import TABLE
from portress.netlink import NETLINK_NETFILTER, attributes, sockets

_GROUP: Final = 7  # NFNLGRP_NFTABLES
_NFTABLES: Final = 10
_NFPROTO_INET: Final = 1
_NEWGEN: Final = 15
_ELEMENTS: Final = (
    12,
    14,
    15,
)  # NFT_MSG_NEWSETELEM, NFT_MSG_DELSETELEM; NFT_MSG_NEWGEN comes with every change
_TABLE_NAME: Final = 1  # NFTA_TABLE_NAME, and NFTA_CHAIN_TABLE, NFTA_RULE_TABLE, NFTA_SET_TABLE, …
_PROC_PID, _PROC_NAME = 2, 3
_HEADER: Final = struct.Struct("=IHHII")
_SO_RCVBUFFORCE: Final = 33
_SO_ATTACH_FILTER: Final = 26
_LOAD, _IF_EQUAL, _RETURN = 0x20, 0x15, 0x06  # BPF_LD | BPF_W | BPF_ABS, BPF_JMP | BPF_JEQ, BPF_RET
_BUFFER: Final = 4 << 20
_REST: Final = 20  # ms without a further part of a transaction: then it is taken to be over
_OURS: Final = TABLE.encode() + b"\0"


def _leave_out(channel: socket.socket, ports: Iterable[int]) -> None:
    """Have the kernel not announce what came from these netlink ports: our own changes wake nobody.

    A classic BPF program (include/uapi/linux/filter.h), which loads words as big-endian. Messages announced
    together come from one port. Where it is refused, they are passed over when they are read.
    """
    others = [socket.htonl(port) for port in ports]
    program = [(_LOAD, 0, 0, 12)]  # nlmsg_pid
    program += [(_IF_EQUAL, len(others) - number, 0, port) for number, port in enumerate(others)]
    program += [(_RETURN, 0, 0, 0xFFFFFFFF), (_RETURN, 0, 0, 0)]
    code = ctypes.create_string_buffer(b"".join(struct.pack("HBBI", *step) for step in program))
    with contextlib.suppress(OSError):
        channel.setsockopt(
            socket.SOL_SOCKET, _SO_ATTACH_FILTER, struct.pack("HP", len(program), ctypes.addressof(code))
        )


class Vigil:
    """Hears of changes to the guard that were made by others. A context manager that owns its socket."""

    def __init__(self) -> None:
        self._socket: socket.socket | None = None
        self._own: set[int] = set()
        self.stirred = False  # others changed rules, sets or chains of any table, as of the last `read`

    def __enter__(self) -> Self:
        self._socket = socket.socket(
            socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC, NETLINK_NETFILTER
        )
        try:
            self._socket.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, _BUFFER)
        except PermissionError:
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER)
        self._socket.bind((0, 1 << (_GROUP - 1)))
        self._own = set(sockets())
        _leave_out(self._socket, self._own)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._socket is not None:
            self._socket.close()

    def fileno(self) -> int:
        assert self._socket is not None
        return self._socket.fileno()

    def _more(self) -> bool:
        """Whether something more comes, soon."""
        waiting = select.poll()
        waiting.register(self.fileno(), select.POLLIN)
        return bool(waiting.poll(_REST))

    def read(self) -> str | None:
        """The program that touched the guard since, "" if it is not known which; None if nobody did.

        The kernel announces a transaction in parts, and its generation last: what has begun to come is waited
        for, or its rest would look like another change. Whoever changes the guard then waits as long anyway.
        """
        assert self._socket is not None
        touched, culprit, self.stirred, whole = False, "", False, True
        while True:
            try:
                view = memoryview(self._socket.recv(1 << 17))
            except BlockingIOError:
                if not whole and self._more():
                    continue
                return culprit if touched else None
            except OSError as error:
                if error.errno != errno.ENOBUFS:
                    raise
                touched = self.stirred = whole = True  # something was missed: better look
                continue
            while len(view) >= 20:
                length, kind, _, _, port = _HEADER.unpack_from(view)
                if length < 20:
                    break
                if kind >> 8 == _NFTABLES and port not in self._own:
                    self.stirred |= kind & 0xFF not in _ELEMENTS
                    whole = kind & 0xFF == _NEWGEN
                    if kind & 0xFF == _NEWGEN:
                        culprit = _culprit(view[20:length]) if touched else culprit
                    elif view[16] == _NFPROTO_INET and _about_us(view[20:length]):
                        touched = True
                view = view[(length + 3) & ~3 :]


def _about_us(payload: memoryview) -> bool:
    return any(kind == _TABLE_NAME and value == _OURS for kind, value in attributes(payload))


def _culprit(payload: memoryview) -> str:
    pid, name = 0, ""
    for kind, value in attributes(payload):
        if kind == _PROC_PID:
            pid = int.from_bytes(value, "big")
        elif kind == _PROC_NAME:
            name = bytes(value).rstrip(b"\0").decode(errors="replace")
    return f"{name} (process {pid})" if name else ""
