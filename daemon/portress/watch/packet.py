"""The packet watcher: hears knocks from the kernel's packet log (nfnetlink_log, `log group N` in nftables).

In: netlink messages, one a packet that the guard reports. Out: (source, knock, time, interface index).

Messages come from the kernel alone. The socket is connected to netlink port 0, and a connected netlink socket
refuses what any other port sends to it (the kernel's netlink_getsockbyportid(): ECONNREFUSED for the sender,
who needs CAP_NET_ADMIN to try at all); it joins no multicast group. So nothing is checked for each message.
"""

from __future__ import annotations

import contextlib
import errno
import os
import socket
from collections import Counter
from collections.abc import Callable
from functools import lru_cache
from types import TracebackType
from typing import Final, Self

from portress.errors import Mistake
from portress.knock import WHOLE, Widths
from portress.watch.packetlog import Heard, PacketReader, binding, gathering, question

_NETLINK_NETFILTER: Final = 12  # linux/netlink.h
_SO_RCVBUFFORCE: Final = 33  # asm-generic/socket.h; not in Python's socket module
_ANSWER: Final = 5  # seconds; the kernel answers within the call that asks
# A reported packet takes 832 bytes of it, and the kernel grants twice what is asked for: 20,000 packets, the
# fifth part of a second at 100,000 a second. Once it is full the kernel sends nothing until all is read.
_BUFFER: Final = 8 << 20


# Above so many packets a second the kernel is to report them together, which is less work for each; below so
# many one by one again, so that a knock is heard at once.
_BUSY, _CALM = 30_000, 15_000
_TOGETHER: Final = 64
_WINDOW: Final = 50_000_000  # ns over which packets are counted


class PacketWatcher:
    """Hears the knocks reported to one packet log group; a context manager that owns the socket.

    `clock` gives ns (time.monotonic_ns); it is asked once for each `read`. `wall` gives those of the wall
    clock: the kernel stamps packets with them, and what is heard carries the moment it came, by `clock`,
    however late it is read. Without `wall` it carries the moment of reading. `widths` say
    how many bits of an address count as the source. `buffer` is the socket's, in bytes. `overruns` counts
    how often it was full.
    """

    interval: float | None = None  # the descriptor tells when to read

    def __init__(
        self,
        group: int,
        clock: Callable[[], int],
        *,
        wall: Callable[[], int] | None = None,
        widths: Widths = WHOLE,
        buffer: int = _BUFFER,
    ) -> None:
        self.group = group
        self.overruns = 0
        self._clock = clock
        self._wall = wall
        self._drained = True
        self._room = buffer
        self._reader = PacketReader(widths)
        self._early: list[Heard] = []
        self._socket: socket.socket | None = None
        self._together = False
        self._counted = self._since = 0

    @property
    def lag(self) -> int:
        """How long ago (ns) the last knock came that was read, while more of them wait; 0 if none does."""
        return 0 if self._drained else max(0, self._clock() - self._reader.since)

    @property
    def lost(self) -> int:
        """Packets the kernel reported and this watcher never got."""
        return self._reader.lost

    @property
    def odd(self) -> Counter[str]:
        """What was heard and is no knock, by kind: see packetlog.PacketReader."""
        return self._reader.odd

    def __enter__(self) -> Self:
        """Open the socket and bind the group. Raises Mistake when it cannot be had."""
        try:
            channel = socket.socket(
                socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_CLOEXEC, _NETLINK_NETFILTER
            )
        except OSError as error:
            raise Mistake(f"this kernel has no netfilter netlink: {os.strerror(error.errno or 0)}") from None
        try:
            self._bind(channel)
        except BaseException:
            channel.close()
            raise
        self._socket = channel
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the group up. Closing twice does no harm."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def fileno(self) -> int:
        """The socket's descriptor, readable when there is something to read."""
        return self._open().fileno()

    def read(self, budget: int = 256) -> list[Heard]:
        """What was heard since, oldest first, no more once it is `budget` knocks; never waits.

        Raises OSError only if the socket itself is broken.
        """
        now = self._clock()
        if self._wall is not None:
            self._reader.ahead = self._wall() - now
        self._drained = False
        if self._reader.origins and not self._early:
            self._reader.origins.clear()
        heard, self._early = self._early, []
        receive, buffer, take = self._open().recv_into, self._reader.buffer, self._reader.take
        for _ in range(budget):
            try:
                size = receive(buffer)
            except BlockingIOError:
                self._drained = True
                self._reader.since = max(self._reader.since, now)  # what comes from now on comes later
                break
            except OSError as error:
                self._survive(error)
            else:
                take(size, now, heard)
                if len(heard) >= budget:
                    break
        self._counted += len(heard)
        if now - self._since >= _WINDOW:
            self._adapt(now)
        return heard

    def came_from(self, source: bytes, knock: int, when: int) -> tuple[bytes, int] | None:
        """The whole address and the port that a knock of the last `read` came from; None if unknown."""
        return (self._reader.origins or {}).get((source, knock, when))

    def keep_origins(self) -> None:
        """Note where knocks come from, for `came_from`."""
        self._reader.origins = {}

    def _adapt(self, now: int) -> None:
        """Have the kernel report packets one by one, or together while there are very many."""
        rate = self._counted * 1_000_000_000 // (now - self._since)
        self._counted, self._since = 0, now
        together = rate > (_CALM if self._together else _BUSY)
        if together != self._together:
            self._together = together
            with contextlib.suppress(OSError):  # then it stays as it is, which is right, too
                self._open().send(gathering(self.group, _TOGETHER if together else 1))

    def _open(self) -> socket.socket:
        if self._socket is None:
            raise ValueError("the packet watcher is closed")
        return self._socket

    def _survive(self, error: OSError) -> None:
        """A full buffer is told once, by ENOBUFS; what was lost shows in the sequence numbers."""
        if error.errno != errno.ENOBUFS:
            raise error
        self.overruns += 1

    def _bind(self, channel: socket.socket) -> None:
        try:
            channel.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, self._room)
        except PermissionError:  # no CAP_NET_ADMIN in the first user namespace: net.core.rmem_max limits it
            channel.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, self._room)
        channel.connect((0, 0))
        channel.settimeout(_ANSWER)
        # EPERM for a group may mean that it is taken or that nothing is allowed to us: ask for that first.
        allowed = self._ask(channel, question(1), 1)
        if allowed == errno.EPERM:
            raise Mistake("listening to the packet log needs CAP_NET_ADMIN: run it as root or grant that")
        if allowed == errno.EINVAL:
            raise Mistake("this kernel has no packet log (nfnetlink_log): `watch: counter` does without")
        refused = self._ask(channel, binding(self.group, 2), 2)
        if refused in (errno.EPERM, errno.EBUSY):
            raise Mistake(
                f"another portress (or another program) is listening to packet log group {self.group} here:"
                " stop it, or set `group` to another number"
            )
        if refused:
            raise Mistake(f"cannot bind packet log group {self.group}: {os.strerror(refused)}")
        channel.setblocking(False)

    def _ask(self, channel: socket.socket, request: bytes, sequence: int) -> int:
        """Send a request; its acknowledgement's errno, 0 if done. Packets heard meanwhile are kept."""
        channel.send(request)
        while True:
            try:
                size = channel.recv_into(self._reader.buffer)
            except TimeoutError:
                raise Mistake("the kernel does not answer on the packet log") from None
            except OSError as error:
                self._survive(error)
                continue
            answer = self._reader.acknowledgement(size, sequence)
            if answer is not None:
                return answer
            self._reader.take(size, self._clock(), self._early)


@lru_cache(maxsize=256)
def _name(index: int) -> str:
    return socket.if_indextoname(index)


def interface_name(index: int) -> str:
    """The interface's name in this network namespace, or `#7` for one that is gone. Names are remembered."""
    try:
        return _name(index)
    except (OSError, OverflowError):
        return f"#{index}"


def forget_interface_names() -> None:
    """After an interface came, went or was renamed: ask the kernel anew."""
    _name.cache_clear()
