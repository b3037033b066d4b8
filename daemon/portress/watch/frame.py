"""What one IP packet says: who knocks, and where; or why it is no knock.

In: a raw IPv4 or IPv6 packet (RFC 791, RFC 8200), possibly cut short by whoever captured it. Out: the
source address and the knock as a plain int, or an Oddity. Nothing in here raises for what a packet holds.

A knock is a first packet (rule 1 of the tracker): a TCP segment with SYN and without ACK, RST and FIN, as
the guard's ruleset tests it, or a UDP datagram. Fragments are no knocks: the kernel puts packets together
again before the guard sees them, so that a fragment that does arrive belongs to nobody honest. Behind an
authentication header nothing is a knock: nftables' `meta l4proto` stops there, and so does the guard.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum
from struct import Struct
from typing import Final

from portress.knock import TCP, UDP, WHOLE, Widths

Buffer = bytes | bytearray | memoryview


class Oddity(Enum):
    """Why a packet is no knock. The value is the word for counters and reports."""

    PROTOCOL = "protocol"  # neither TCP nor UDP
    LATER = "later"  # TCP, but not a connection's first packet
    FRAGMENT = "fragment"  # a part of a packet
    PORT = "port"  # port 0 is no knock
    SHORT = "short"  # the headers were not captured whole
    LENGTH = "length"  # lengths that contradict each other, or no IP packet at all


# First byte, total length, fragment field, protocol, source, destination port, UDP length.
_PLAIN: Final = Struct("!BxH2xHxB2x4s6xHH").unpack_from
_IPV4: Final = Struct("!BxH2xHxB2x4s4x").unpack_from
_IPV6: Final = Struct("!4xHBx16s16x").unpack_from
_PORT: Final = Struct("!2xHH").unpack_from  # destination port, UDP length

_FRAGMENT: Final = 0x3FFF  # "more fragments" and the offset (RFC 791, 3.1)
_FLAGS: Final = 0x17  # ACK, RST, SYN, FIN (RFC 9293, 3.1)
_SYN: Final = 0x02
_TCP: Final = TCP << 16
_UDP: Final = UDP << 16

_HOP_BY_HOP, _ROUTING, _FRAGMENT_HEADER, _DESTINATION = 0, 43, 44, 60
_EXTENSIONS: Final = frozenset({_HOP_BY_HOP, _ROUTING, _FRAGMENT_HEADER, _DESTINATION})
# The offset and "more fragments" (RFC 8200, 4.5). Without either it is an atomic fragment, a packet that is
# whole (RFC 6946): the kernel takes the header away.
_PART: Final = 0xFFF9
# RFC 8200, 4.1 names five before the upper layer, destination options twice; more is somebody playing.
_MOST_EXTENSIONS: Final = 8


def first_packet(packet: Buffer, offset: int, end: int) -> tuple[bytes, int] | Oddity:
    """Read the IP packet at `packet[offset:end]`: (source address, 4 or 16 bytes; knock), or an Oddity.

    `end` is where the captured bytes end: a payload cut short is fine, headers cut short are SHORT. Bytes
    after the packet's own length (Ethernet padding) are ignored. Needs 0 <= offset <= end <= len(packet).
    """
    # The common case, IPv4 without options, in one unpacking: this runs once for every packet reported.
    if end - offset >= 28:
        first, total, fragment, protocol, source, port, length = _PLAIN(packet, offset)
        if first == 0x45 and not fragment & _FRAGMENT:
            if protocol == TCP:
                if end - offset >= 34 and total >= 20 + (packet[offset + 32] >> 4 << 2) >= 40 and port:
                    return (source, _TCP | port) if packet[offset + 33] & _FLAGS == _SYN else Oddity.LATER
            elif protocol == UDP and 8 <= length <= total - 20 and port:
                return source, _UDP | port
    elif end <= offset:
        return Oddity.SHORT
    version = packet[offset] >> 4
    if version == 4:
        return _ipv4(packet, offset, end)
    if version == 6:
        return _ipv6(packet, offset, end)
    return Oddity.LENGTH


def source_port(packet: Buffer, offset: int) -> int:
    """The source port of a packet that `first_packet` has found whole."""
    if packet[offset] >> 4 == 4:
        start = offset + ((packet[offset] & 0x0F) << 2)
    else:
        header, start = packet[offset + 6], offset + 40
        while header in _EXTENSIONS:
            size = 8 if header == _FRAGMENT_HEADER else (packet[start + 1] + 1) << 3
            header, start = packet[start], start + size
    return packet[start] << 8 | packet[start + 1]


def destination(packet: Buffer, offset: int) -> bytes:
    """The destination address, 4 or 16 bytes, of a packet that `first_packet` has found whole."""
    if packet[offset] >> 4 == 4:
        return bytes(packet[offset + 16 : offset + 20])
    return bytes(packet[offset + 24 : offset + 40])


def _ipv4(packet: Buffer, offset: int, end: int) -> tuple[bytes, int] | Oddity:
    if end - offset < 20:
        return Oddity.SHORT
    first, total, fragment, protocol, source = _IPV4(packet, offset)
    header = (first & 0x0F) << 2
    if header < 20 or total < header:
        return Oddity.LENGTH
    if fragment & _FRAGMENT:
        return Oddity.FRAGMENT
    return _transport(packet, protocol, source, offset + header, end, total - header)


def _ipv6(packet: Buffer, offset: int, end: int) -> tuple[bytes, int] | Oddity:
    if end - offset < 40:
        return Oddity.SHORT
    length, header, source = _IPV6(packet, offset)
    start = offset + 40
    for _ in range(_MOST_EXTENSIONS + 1):
        if header not in _EXTENSIONS:
            return _transport(packet, header, source, start, end, length)
        if length < 8:
            return Oddity.LENGTH
        if end - start < 4:
            return Oddity.SHORT
        if header == _FRAGMENT_HEADER:
            if (packet[start + 2] << 8 | packet[start + 3]) & _PART:
                return Oddity.FRAGMENT
            size = 8
        else:  # in units of 8 bytes, not counting the first 8 (RFC 8200, 4.3 to 4.6)
            size = (packet[start + 1] + 1) << 3
        if size > length:
            return Oddity.LENGTH
        header = packet[start]
        start += size
        length -= size
    return Oddity.LENGTH


def _transport(
    packet: Buffer, protocol: int, source: bytes, start: int, end: int, length: int
) -> tuple[bytes, int] | Oddity:
    """The TCP or UDP header at `start`; `length` is what the IP header leaves for it and its payload."""
    if protocol == TCP:
        if length < 20:
            return Oddity.LENGTH
        if end - start < 14:
            return Oddity.SHORT
        if not 20 <= packet[start + 12] >> 4 << 2 <= length:
            return Oddity.LENGTH
        if packet[start + 13] & _FLAGS != _SYN:
            return Oddity.LATER
    elif protocol != UDP:
        return Oddity.PROTOCOL
    elif length < 8:
        return Oddity.LENGTH
    elif end - start < 8:
        return Oddity.SHORT
    port, datagram = _PORT(packet, start)
    if protocol == UDP and not 8 <= datagram <= length:
        return Oddity.LENGTH
    return (source, protocol << 16 | port) if port else Oddity.PORT


def masking(widths: Widths = WHOLE) -> Callable[[bytes], bytes] | None:
    """A function from an address (4 or 16 bytes) to the source it counts as, bits beyond the prefix zero.

    `widths` are 1 to 32 and 1 to 128 bits. None when every address is a source of its own.
    """
    if widths == WHOLE:
        return None
    mask_4 = (1 << 32) - (1 << 32 - widths.ipv4)
    mask_6 = (1 << 128) - (1 << 128 - widths.ipv6)

    def mask(address: bytes) -> bytes:
        if len(address) == 4:
            return (int.from_bytes(address, "big") & mask_4).to_bytes(4, "big")
        return (int.from_bytes(address, "big") & mask_6).to_bytes(16, "big")

    return mask
