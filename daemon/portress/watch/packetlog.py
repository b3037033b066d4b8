"""The packet log's messages (nfnetlink_log): the requests that bind a group, and the packets that come back.

In: the datagrams of a netlink socket. Out: (source, knock, time, interface index), and counts of what was
lost and of what was odd. Nothing raises for what a message holds, however its lengths lie. No socket in here.
"""

from __future__ import annotations

import socket
from collections import Counter
from struct import Struct, pack
from typing import Final

from portress.knock import WHOLE, Widths
from portress.watch.frame import first_packet, masking, source_port

Origins = dict[tuple[bytes, int, int], tuple[bytes, int]]
Heard = tuple[bytes, int, int, int]  # source, knock, time (ns), interface index

# linux/netlink.h, linux/netfilter/nfnetlink.h, linux/netfilter/nfnetlink_log.h
_REQUEST, _REQUEST_WITH_ACK = 0x1, 0x5  # NLM_F_REQUEST, NLM_F_ACK
_ERROR: Final = 2  # NLMSG_ERROR
_CONTROL: Final = 16  # below it, messages of netlink itself: NOOP, ERROR, DONE, OVERRUN
_PACKET: Final = 4 << 8  # NFNL_SUBSYS_ULOG, NFULNL_MSG_PACKET
_CONFIG: Final = 4 << 8 | 1  # NFULNL_MSG_CONFIG
_COMMAND, _MODE, _ROOM, _TIMER, _THRESHOLD, _FLAGS = 1, 2, 3, 4, 5, 6  # NFULA_CFG_*
# NFULA_TIMESTAMP (two numbers: seconds, microseconds), NFULA_IFINDEX_INDEV, NFULA_PAYLOAD, NFULA_SEQ
_STAMP, _INTERFACE, _PAYLOAD, _SEQUENCE = 3, 4, 9, 12
_STAMP_SIZE: Final = 16

# Enough for the headers of a knock: 20 to 60 bytes of IPv4, or 40 and some extensions of IPv6, and TCP's 20.
SNAPLEN: Final = 96
_LARGEST: Final = 1 << 17  # no message of the log is longer (NFULNL_NLBUFSIZ_MAX)

_LEAST_ROOM: Final = 4096  # bytes of a datagram; the kernel begins with a page
_EACH: Final = 256  # bytes of a message with SNAPLEN bytes of packet, at the most

_HEADER: Final = Struct("=IHHII")
_FIRST_ATTRIBUTE: Final = 20  # after the netlink header and nfgenmsg
_MOST_LAYOUTS: Final = 16
_read_header: Final = Struct("=IH").unpack_from
_read_attribute: Final = Struct("=HH").unpack_from
_read_error: Final = Struct("=4xH2xI4xi").unpack_from
_read_big: Final = Struct("!I").unpack_from
_read_stamp: Final = Struct("!QQ").unpack_from


def _request(
    kind: int, group: int, sequence: int, attributes: bytes = b"", flags: int = _REQUEST_WITH_ACK
) -> bytes:
    """Netlink header, nfgenmsg (its res_id is the group), attributes."""
    header = _HEADER.pack(_FIRST_ATTRIBUTE + len(attributes), kind, flags, sequence, 0)
    return header + pack("!BBH", socket.AF_UNSPEC, 0, group) + attributes


def _attribute(kind: int, data: bytes) -> bytes:
    return pack("=HH", 4 + len(data), kind) + data + bytes(-len(data) % 4)


def question(sequence: int) -> bytes:
    """A request that changes nothing, whose error tells whether the packet log may be used at all.

    EPERM: not without CAP_NET_ADMIN. EINVAL: this kernel has none. ENOTSUPP (524): yes.
    """
    return _request(_PACKET, 0, sequence)


def binding(group: int, sequence: int) -> bytes:
    """The request that binds a group (0 to 65535) to the socket, with all that is to be said about it."""
    return _request(
        _CONFIG,
        group,
        sequence,
        _attribute(_COMMAND, b"\x01")  # NFULNL_CFG_CMD_BIND
        + _attribute(_MODE, pack("!IBx", SNAPLEN, 2))  # NFULNL_COPY_PACKET
        + _attribute(_THRESHOLD, pack("!I", 1))  # every packet at once: the rule's is the most, this what is
        + _attribute(_FLAGS, pack("!H", 1)),  # NFULNL_CFG_F_SEQ
    )


def gathering(group: int, count: int) -> bytes:
    """The request that has the bound group report packets `count` at a time, or what came within 10 ms.

    It asks for no acknowledgement, which would have to be looked for among packets.
    """
    return _request(
        _CONFIG,
        group,
        0,
        _attribute(_THRESHOLD, pack("!I", count))
        + _attribute(_TIMER, pack("!I", 1))  # in 10 ms
        + _attribute(_ROOM, pack("!I", max(_LEAST_ROOM, count * _EACH))),
        _REQUEST,
    )


class _Layout:
    """Where the attributes of a message lie, learned from one that was walked through.

    The kernel writes the same attributes in the same order for all packets of an interface. One unpacking
    then reads all attribute headers; if they are the learned ones, a walk would have found just these.
    """

    __slots__ = ("headers", "payload", "read", "read_values", "stamped")

    def __init__(self, headers: tuple[int, ...], found: dict[int, tuple[int, int]]) -> None:
        """`headers` are size and kind of the attributes before the payload, `found` where values lie."""
        shape = "".join(f"HH{(size + 3 & ~3) - 4}x" for size in headers[::2])
        self.read = Struct(f"=IH{_FIRST_ATTRIBUTE - 6}x{shape}HH").unpack_from
        self.headers = (_PACKET, *headers)
        self.payload = found[_PAYLOAD][0]
        interface, sequence = found[_INTERFACE][0], found[_SEQUENCE][0]
        self.stamped = _STAMP in found
        if self.stamped:
            stamp = found[_STAMP][0]
            places = f"!{interface}xI{stamp - interface - 4}xQQ{sequence - stamp - _STAMP_SIZE}xI"
        else:
            places = f"!{interface}xI{sequence - interface - 4}xI"
        self.read_values = Struct(places).unpack_from


class PacketReader:
    """Reads the datagrams of one bound group, each laid into `buffer` from its beginning.

    `widths` say how many bits of an address count as the source.

    A packet's time is when it came, by the kernel's stamp, which is wall-clock time (since Linux 5.18 every
    packet has one), where `ahead` says how many ns the wall clock is ahead of the clock of `now`. It is
    never earlier than `since`, nor than another that was told before, nor later than `now`: so a step of the
    wall clock between a packet and its reading does not reach further than that. Without a stamp, or with
    `ahead` None, it is `now`.

    lost  packets the kernel reported and this reader never got, from gaps in the sequence numbers
    odd   what was read and is no knock, by kind: the values of Oddity, "message" for a netlink message that
          cannot be read, "empty" for one without a packet, "sequence" for a number from the past
    """

    __slots__ = (
        "_layout",
        "_layouts",
        "_mask",
        "_next",
        "ahead",
        "buffer",
        "lost",
        "message",
        "odd",
        "origins",
        "since",
    )

    def __init__(self, widths: Widths = WHOLE) -> None:
        self.buffer = bytearray(_LARGEST)
        self.ahead: int | None = None
        self.since = 0
        self.message = 0  # where in the buffer the message begins that is being read
        self.lost = 0
        # Where knocks came from, address and port, by (source, knock, time); None: it is not wanted.
        self.origins: Origins | None = None
        self.odd: Counter[str] = Counter()
        self._mask = masking(widths)
        self._next = 0  # the sequence number expected; an instance begins at 0
        self._layouts: dict[tuple[int, ...], _Layout] = {}
        self._layout: _Layout | None = None

    def acknowledgement(self, size: int, sequence: int) -> int | None:
        """The errno (0: done) if the datagram answers the request of that number, else None."""
        if size < _HEADER.size + 4:
            return None
        kind, answered, number = _read_error(self.buffer)
        return -number if kind == _ERROR and answered == sequence else None

    def take(self, size: int, now: int, heard: list[Heard]) -> None:
        """Add to `heard` what one datagram tells, the first `size` bytes of the buffer, got at `now`."""
        layout, position = self._layout, 0
        while layout is not None and size - position >= layout.payload:
            values = layout.read(self.buffer, position)
            start, after = position + layout.payload, position + values[0]
            end = start - 4 + values[-2]
            if (
                values[1:-2] != layout.headers
                or values[-1] != _PAYLOAD
                or not start <= end <= after < end + 4
                or after > size
            ):
                break
            if layout.stamped:
                interface, seconds, micros, sequence = layout.read_values(self.buffer, position)
                when = self._moment(seconds, micros, now)
            else:
                interface, sequence = layout.read_values(self.buffer, position)
                when = self.since = now
            self.message = position
            self._hear(start, end, interface, sequence, when, heard)
            position = after + 3 & ~3
        if position < size:
            self._walk(position, size, now, heard)

    def _moment(self, seconds: int, micros: int, now: int) -> int:
        """When a packet with this stamp came, by the clock of `now`."""
        if self.ahead is None:
            self.since = now
            return now
        when = seconds * 1_000_000_000 + micros * 1000 - self.ahead
        if when > now:
            when = now
        if when < self.since:
            return self.since
        self.since = when
        return when

    def _hear(
        self, start: int, end: int, interface: int, sequence: int, when: int, heard: list[Heard]
    ) -> None:
        """One packet, `buffer[start:end]`, that came at `when`."""
        if sequence != self._next:
            self._account(sequence)
        self._next = sequence + 1 & 0xFFFFFFFF
        verdict = first_packet(self.buffer, start, end)
        if not isinstance(verdict, tuple):
            self.odd[verdict.value] += 1
        else:
            source = verdict[0] if self._mask is None else self._mask(verdict[0])
            heard.append((source, verdict[1], when, interface))
            if self.origins is not None:
                self.origins[source, verdict[1], when] = (verdict[0], source_port(self.buffer, start))

    def _account(self, sequence: int) -> None:
        """A number that is not the next: what lies between was lost."""
        gap = sequence - self._next & 0xFFFFFFFF
        if gap < 1 << 31:
            self.lost += gap
        else:
            self.odd["sequence"] += 1

    def _walk(self, position: int, size: int, now: int, heard: list[Heard]) -> None:
        """A datagram of any number of messages of any kind, from `position` on."""
        while size - position >= _HEADER.size:
            length, kind = _read_header(self.buffer, position)
            if not _HEADER.size <= length <= size - position:
                break
            if kind == _PACKET:
                self._message(position, position + length, size, now, heard)
            elif kind >= _CONTROL:
                self.odd["message"] += 1
            position += length + 3 & ~3
        if position < size:
            self.odd["message"] += 1

    def _message(self, start: int, end: int, size: int, now: int, heard: list[Heard]) -> None:
        """One message with a packet, `buffer[start:end]` of a datagram of `size` bytes."""
        buffer, position = self.buffer, start + _FIRST_ATTRIBUTE
        headers: list[int] = []
        found: dict[int, tuple[int, int]] = {}
        while end - position >= 4:
            length, kind = _read_attribute(buffer, position)
            if not 4 <= length <= end - position:
                self.odd["message"] += 1
                return
            headers += length, kind
            found[kind] = position + 4, position + length
            position += length + 3 & ~3
        if _PAYLOAD not in found:
            self.odd["empty"] += 1
            return
        interface = self._number(found.get(_INTERFACE), 0)
        sequence = self._number(found.get(_SEQUENCE), self._next)
        stamp = found.get(_STAMP)
        if stamp is not None and stamp[1] - stamp[0] == _STAMP_SIZE:
            seconds, micros = _read_stamp(buffer, stamp[0])
            when = self._moment(seconds, micros, now)
        else:
            when = self.since = now
        self.message = start
        self._hear(*found[_PAYLOAD], interface, sequence, when, heard)
        if (start, end) == (0, size):
            self._learn(tuple(headers), found)

    def _number(self, place: tuple[int, int] | None, otherwise: int) -> int:
        """An attribute that is a 32-bit number; `otherwise` if there is none."""
        if place is None or place[1] - place[0] != 4:
            return otherwise
        number: int = _read_big(self.buffer, place[0])[0]
        return number

    def _learn(self, headers: tuple[int, ...], found: dict[int, tuple[int, int]]) -> None:
        """Remember the layout of a datagram's only message, if it is one the kernel writes."""
        before = headers[:-2]
        layout = self._layouts.get(before)
        if layout is None:
            places = found.get(_INTERFACE), found.get(_SEQUENCE), found[_PAYLOAD]
            interface, sequence, payload = places
            stamp = found.get(_STAMP)
            if (
                interface is None
                or sequence is None
                or not interface[0] + 4 == interface[1] < sequence[0]
                or not sequence[0] + 4 == sequence[1] < payload[0]
                or headers[-1] != _PAYLOAD
                or 2 * len(found) != len(headers)
                or not (stamp is None or interface[1] < stamp[0] == stamp[1] - _STAMP_SIZE < sequence[0])
            ):
                return
            if len(self._layouts) == _MOST_LAYOUTS:
                self._layouts.clear()
            layout = self._layouts[before] = _Layout(before, found)
        self._layout = layout
