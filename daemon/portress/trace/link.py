"""Where the IP packet begins in a captured frame, and which interface it came in by.

In: a frame of one of the link types below (the registry of the pcap formats: tcpdump.org/linktypes.html).
Out: (offset of the IP packet, interface index or 0), or (NOT_IP, 0) and (NOT_INCOMING, 0).
"""

from __future__ import annotations

from collections.abc import Callable
from struct import Struct
from typing import Final

NOT_IP: Final = -1  # another protocol, or a frame cut off before the packet
NOT_INCOMING: Final = -2  # sent by the capturing host, or addressed to another one

Locate = Callable[[bytearray, int, int], tuple[int, int]]

_IP: Final = frozenset({0x0800, 0x86DD})  # IEEE 802 EtherTypes of IPv4 and IPv6
_TAGS: Final = frozenset({0x8100, 0x88A8, 0x9100})  # 802.1Q, 802.1ad, and what was used before it
_MOST_TAGS: Final = 4
# Address families of IPv4 and IPv6 in the BSDs, macOS and Linux, as the loopback header has them.
_FAMILIES: Final = frozenset({2, 10, 24, 28, 30})
_FOR_ANOTHER, _OUTGOING = 3, 4  # linux/if_packet.h: PACKET_OTHERHOST, PACKET_OUTGOING

_read_short: Final = Struct("!H").unpack_from
_read_ethernet: Final = Struct("!12xH").unpack_from
_read_cooked: Final = Struct("!H12xH").unpack_from
_read_cooked_2: Final = Struct("!H2xI2xB").unpack_from


def _behind_tags(buffer: bytearray, kind: int, start: int, end: int) -> int:
    """The IP packet's offset, where the payload of an EtherType begins at `start`."""
    for _ in range(_MOST_TAGS):
        if kind in _IP:
            return start
        if kind not in _TAGS or end - start < 4:
            return NOT_IP
        kind = _read_short(buffer, start + 2)[0]
        start += 4
    return start if kind in _IP else NOT_IP


def _ethernet(buffer: bytearray, start: int, end: int) -> tuple[int, int]:
    if end - start < 14:
        return NOT_IP, 0
    (kind,) = _read_ethernet(buffer, start)
    if kind in _IP:
        return start + 14, 0
    return _behind_tags(buffer, kind, start + 14, end), 0


def _cooked(buffer: bytearray, start: int, end: int) -> tuple[int, int]:
    if end - start < 16:
        return NOT_IP, 0
    direction, kind = _read_cooked(buffer, start)
    if direction in (_FOR_ANOTHER, _OUTGOING):
        return NOT_INCOMING, 0
    return _behind_tags(buffer, kind, start + 16, end), 0


def _cooked_2(buffer: bytearray, start: int, end: int) -> tuple[int, int]:
    if end - start < 20:
        return NOT_IP, 0
    kind, interface, direction = _read_cooked_2(buffer, start)
    if direction in (_FOR_ANOTHER, _OUTGOING):
        return NOT_INCOMING, 0
    return _behind_tags(buffer, kind, start + 20, end), interface


def _loopback(buffer: bytearray, start: int, end: int) -> tuple[int, int]:
    """Four bytes with the family, in the byte order of whatever host captured it."""
    if end - start < 4:
        return NOT_IP, 0
    family = buffer[start : start + 4]
    if not {int.from_bytes(family, "big"), int.from_bytes(family, "little")} & _FAMILIES:
        return NOT_IP, 0
    return start + 4, 0


def _raw(buffer: bytearray, start: int, end: int) -> tuple[int, int]:
    return start, 0


LINKS: Final[dict[int, Locate]] = {
    0: _loopback,  # NULL
    1: _ethernet,
    12: _raw,  # RAW where it was written with the number of its DLT
    14: _raw,  # the same on OpenBSD
    101: _raw,
    108: _loopback,  # LOOP
    113: _cooked,  # LINUX_SLL
    228: _raw,  # IPV4
    229: _raw,  # IPV6
    276: _cooked_2,  # LINUX_SLL2
}
