"""The two file formats of captures: where their records lie, and what frame each one holds.

In: bytes of the file, laid out from a record's beginning. Out: a record's size, then its frame: (start, end,
unix time in ns, what finds the IP packet in it). Garbage is raised where the file makes no more sense.

pcap is draft-ietf-opsawg-pcap, pcapng is draft-ietf-opsawg-pcapng.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from struct import Struct
from typing import Final

from portress.knock import SECOND
from portress.trace.link import LINKS, NOT_INCOMING, Locate

Frame = tuple[int, int, int, Locate]

_LARGEST_FRAME: Final = 1 << 18  # bytes; libpcap's own limit for the link types that are read here
_LARGEST_BLOCK: Final = 1 << 24  # bytes; blocks hold other things than frames, too

# The first four bytes of a pcap: its byte order, and the nanoseconds in a unit of its fractions.
PCAP: Final = {
    b"\xa1\xb2\xc3\xd4": (">", 1000),
    b"\xd4\xc3\xb2\xa1": ("<", 1000),
    b"\xa1\xb2\x3c\x4d": (">", 1),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
}
PCAP_HEADER: Final = 24
PCAPNG: Final = b"\x0a\x0d\x0d\x0a"

_ORDERS: Final = {b"\x1a\x2b\x3c\x4d": ">", b"\x4d\x3c\x2b\x1a": "<"}
_SECTION, _INTERFACE, _OLD_PACKET, _SIMPLE_PACKET, _PACKET = 0x0A0D0D0A, 1, 2, 3, 6
_RESOLUTION, _OFFSET, _FLAGS = 9, 14, 2  # if_tsresol, if_tsoffset, epb_flags
_OUTBOUND: Final = 2  # the value of the two lowest bits of epb_flags


class Garbage(Exception):
    """What stands here is no record, and nothing tells where the next one begins. The text is for a note."""


class UnknownLink(Exception):
    """A pcap of frames that are not read; the argument is the number of the link type."""


def _outgoing(buffer: bytearray, start: int, end: int) -> tuple[int, int]:
    """For frames that the record says the host has sent."""
    return NOT_INCOMING, 0


class Pcap:
    """A pcap, by its header. Raises UnknownLink."""

    head: Final = 16  # bytes that tell a record's size

    def __init__(self, header: bytes) -> None:
        order, self._unit = PCAP[header[:4]]
        # The upper half of the number is about a checksum at the end of each frame.
        network = Struct(f"{order}20xI").unpack(header)[0] & 0xFFFF
        if network not in LINKS:
            raise UnknownLink(network)
        self._locate = LINKS[network]
        self._read_size = Struct(f"{order}8xI").unpack_from
        self._read_time = Struct(f"{order}II").unpack_from

    def size(self, buffer: bytearray, at: int) -> int:
        """Bytes of the record at `at`, of which `head` bytes are there. Raises Garbage."""
        size: int = self._read_size(buffer, at)[0]
        if size > _LARGEST_FRAME:
            raise Garbage(f"a record cannot have {size} bytes")
        return 16 + size

    def frame(self, buffer: bytearray, at: int, size: int) -> Frame:
        """The frame in the record, which is all there."""
        seconds, fraction = self._read_time(buffer, at)
        return at + 16, at + size, seconds * SECOND + fraction * self._unit, self._locate


class _Interface:
    """What an interface description block says: how frames begin, and what a unit of time is."""

    __slots__ = ("divide", "locate", "multiply", "offset", "snaplen")

    def __init__(self, locate: Locate | None, resolution: int, offset: int) -> None:
        """`resolution` is if_tsresol's byte, `offset` is in seconds."""
        self.locate = locate
        self.offset = offset * SECOND
        power = resolution & 0x7F
        if resolution & 0x80:
            self.multiply, self.divide = SECOND, 1 << power
        else:
            self.multiply, self.divide = 10 ** max(9 - power, 0), 10 ** max(power - 9, 0)


class Pcapng:
    """A pcapng. `odd` counts what is wrong inside a block, `tell` is given sentences for the user."""

    head: Final = 12

    def __init__(self, odd: Counter[str], tell: Callable[[str], None]) -> None:
        self._odd = odd
        self._tell = tell
        self._interfaces: list[_Interface] = []
        self._order("<")

    def _order(self, order: str) -> None:
        self._read_size = Struct(f"{order}4xI").unpack_from
        self._read_kind = Struct(f"{order}I").unpack_from
        self._read_packet = Struct(f"{order}8xIIII").unpack_from
        self._read_old_packet = Struct(f"{order}8xHxxIII").unpack_from
        self._read_link = Struct(f"{order}8xH").unpack_from
        self._read_option = Struct(f"{order}HH").unpack_from
        self._read_offset = Struct(f"{order}q").unpack_from

    def size(self, buffer: bytearray, at: int) -> int:
        """Bytes of the block at `at`, of which `head` bytes are there. Raises Garbage."""
        if buffer[at : at + 4] == PCAPNG:
            order = _ORDERS.get(bytes(buffer[at + 8 : at + 12]))
            if order is None:
                raise Garbage("a section without a byte order")
            self._order(order)
        size: int = self._read_size(buffer, at)[0]
        if not 12 <= size <= _LARGEST_BLOCK or size % 4:
            raise Garbage(f"a block cannot have {size} bytes")
        return size

    def frame(self, buffer: bytearray, at: int, size: int) -> Frame | None:
        """The frame in the block, which is all there; None if it is of another kind. Raises Garbage."""
        if self._read_kind(buffer, at + size - 4)[0] != size:
            raise Garbage("a block whose two lengths differ")
        (kind,) = self._read_kind(buffer, at)
        if kind == _PACKET and size >= 32:
            number, high, low, captured = self._read_packet(buffer, at)
            return self._packet(buffer, at, at + size - 4, number, high << 32 | low, captured)
        if kind == _OLD_PACKET and size >= 32:
            number, high, low, captured = self._read_old_packet(buffer, at)
            return self._packet(buffer, at, at + size - 4, number, high << 32 | low, captured)
        if kind == _SECTION:
            self._interfaces = []
        elif kind == _INTERFACE and size >= 20:
            self._describe(buffer, at, at + size - 4)
        elif kind == _SIMPLE_PACKET:
            self._tell("packets without a time (simple packet blocks) are left out")
        elif kind in (_PACKET, _OLD_PACKET, _INTERFACE):
            self._odd["block"] += 1
        return None

    def _packet(
        self, buffer: bytearray, at: int, end: int, number: int, ticks: int, captured: int
    ) -> Frame | None:
        start = at + 28
        if number >= len(self._interfaces) or captured > end - start:
            self._odd["block"] += 1
            return None
        interface = self._interfaces[number]
        locate = interface.locate
        if end - start - captured >= 8 and locate is not None:
            for option, place, length in self._options(buffer, start + (captured + 3 & ~3), end):
                if option == _FLAGS and length == 4 and self._read_kind(buffer, place)[0] & 3 == _OUTBOUND:
                    locate = _outgoing
        if locate is None:
            self._odd["link"] += 1
            return None
        moment = ticks * interface.multiply // interface.divide + interface.offset
        return start, start + captured, moment, locate

    def _describe(self, buffer: bytearray, at: int, end: int) -> None:
        (network,) = self._read_link(buffer, at)
        resolution, offset = 6, 0
        for option, place, length in self._options(buffer, at + 16, end):
            if option == _RESOLUTION and length == 1:
                resolution = buffer[place]
            elif option == _OFFSET and length == 8:
                (offset,) = self._read_offset(buffer, place)
        if network not in LINKS:
            self._tell(f"link type {network} is not read: packets of such interfaces are left out")
        self._interfaces.append(_Interface(LINKS.get(network), resolution, offset))

    def _options(self, buffer: bytearray, at: int, end: int) -> Iterator[tuple[int, int, int]]:
        """(code, where its value begins, length) of each option that lies within the block."""
        while end - at >= 4:
            option, length = self._read_option(buffer, at)
            if option == 0 or length > end - at - 4:
                return
            yield option, at + 4, length
            at += 4 + (length + 3 & ~3)
