"""The packet watcher where the kernel decides: each packet comes with what the guard did with it.

In: netlink messages of the packet log whose prefix is a letter and four digits (`guard/decide.py`). Out:
source, knock, time, interface index, report, number of what opened; the report is "" where there is none.
"""

from __future__ import annotations

from collections.abc import Callable
from struct import Struct
from typing import Any, Final

from portress.knock import WHOLE, Widths
from portress.watch.packet import PacketWatcher
from portress.watch.packetlog import Heard, PacketReader

Reported = tuple[bytes, int, int, int, str, int]

_PREFIX: Final = 10  # NFULA_PREFIX: the kernel writes it right after NFULA_PACKET_HDR
_AT: Final = 20 + 8  # where its attribute begins in a message: after netlink's headers and NFULA_PACKET_HDR
_SIZE: Final = 4 + 5 + 1  # its header, a letter and four digits, NUL
_read: Final = Struct("=HHc4s").unpack_from


class ReportReader(PacketReader):
    """Reads datagrams as PacketReader does, and the prefix of each packet with it."""

    __slots__ = ()

    def _hear(
        self, start: int, end: int, interface: int, sequence: int, when: int, heard: list[Heard]
    ) -> None:
        before = len(heard)
        super()._hear(start, end, interface, sequence, when, heard)
        if len(heard) > before:
            told: list[Any] = heard
            told[-1] = (*heard[-1], *self._prefix())

    def _prefix(self) -> tuple[str, int]:
        if self.message + _AT + _SIZE > len(self.buffer):
            return "", 0
        size, kind, letter, digits = _read(self.buffer, self.message + _AT)
        if size != _SIZE or kind != _PREFIX or not digits.isdigit():
            return "", 0
        return letter.decode("latin-1"), int(digits)


class ReportWatcher(PacketWatcher):
    """Hears what the guard reports; `read` gives `Reported`."""

    def __init__(
        self,
        group: int,
        clock: Callable[[], int],
        *,
        wall: Callable[[], int] | None = None,
        widths: Widths = WHOLE,
    ) -> None:
        super().__init__(group, clock, wall=wall, widths=widths)
        self._reader = ReportReader(widths)
