"""Packets as fast as this machine can send them: a packet socket's ring, filled once and sent again and
again.

In: whole IP packets. Out: the same on a namespace's link. The kernel sends all that the ring holds in one
call (packet(7), PACKET_TX_RING), so that Python's own pace does not matter.
"""

from __future__ import annotations

import fcntl
import mmap
import socket
import struct
from collections.abc import Iterable
from typing import Final

from lab.space import Namespace

# linux/if_packet.h
_SIOCGIFHWADDR: Final = 0x8927  # linux/sockios.h
_SOL_PACKET: Final = 263
_VERSION, _TX_RING, _LOSS, _BYPASS = 10, 13, 14, 20
_V2: Final = 1
_AVAILABLE, _SEND = 0, 1  # TP_STATUS_AVAILABLE, TP_STATUS_SEND_REQUEST
_DATA: Final = 32  # where the frame begins in a slot: tpacket2_hdr, aligned
_SLOT: Final = 256
_BLOCK: Final = 1 << 16
_KINDS: Final = {4: 0x0800, 6: 0x86DD}


def hardware(ns: Namespace, device: str) -> bytes:
    """The device's hardware address (netdevice(7))."""
    with ns.enter(), socket.socket() as any_socket:
        answer = fcntl.ioctl(any_socket, _SIOCGIFHWADDR, struct.pack("40s", device.encode()))
    return answer[18:24]


def frame(to: bytes, sender: bytes, packet: bytes) -> bytes:
    """An Ethernet frame around an IP packet."""
    return to + sender + struct.pack("!H", _KINDS[packet[0] >> 4]) + packet


def packet_socket(ns: Namespace, device: str) -> socket.socket:
    """A socket that sends whole frames on the device at once, past its queue."""
    with ns.enter():
        made = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
        made.setsockopt(_SOL_PACKET, _BYPASS, 1)
        made.bind((device, 0))
    return made


class Volley:
    """A ring of packets on a namespace's device. `fire` sends them in order, and returns when they left."""

    def __init__(self, ns: Namespace, device: str, to: bytes, packets: Iterable[bytes]) -> None:
        """`to` is the hardware address of the other end; a packet has at most 210 bytes."""
        sender = hardware(ns, device)
        frames = [frame(to, sender, packet) for packet in packets]
        self.count = len(frames)
        blocks = -(-self.count * _SLOT // _BLOCK)
        slots = blocks * _BLOCK // _SLOT
        with ns.enter():
            self._socket = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
            self._socket.setsockopt(_SOL_PACKET, _VERSION, _V2)
            self._socket.setsockopt(_SOL_PACKET, _LOSS, 1)
            self._socket.setsockopt(_SOL_PACKET, _BYPASS, 1)
            self._socket.setsockopt(_SOL_PACKET, _TX_RING, struct.pack("IIII", _BLOCK, blocks, _SLOT, slots))
            self._socket.bind((device, 0))
        self._ring = mmap.mmap(self._socket.fileno(), blocks * _BLOCK)
        self._slots = slots
        for number in range(slots):
            one = frames[number % self.count]
            start = number * _SLOT
            self._ring[start + _DATA : start + _DATA + len(one)] = one
            struct.pack_into("=II", self._ring, start + 4, len(one), len(one))
        self._status = memoryview(self._ring).cast("I")[:: _SLOT // 4]
        self._next = 0

    def words(self, at: int) -> memoryview:
        """The 16-bit word at that (even) offset of every slot's frame, to be written to."""
        return memoryview(self._ring).cast("B").cast("H")[(_DATA + at) // 2 :: _SLOT // 2]

    def fire(self, count: int | None = None) -> int:
        """Send the next `count` slots (default: the whole ring); how many."""
        left = self._slots if count is None else count
        done = left
        while left:
            part = min(left, self._slots - self._next)
            self._mark(self._next, self._next + part)
            self._socket.send(b"")
            self._next = (self._next + part) % self._slots
            left -= part
        return done

    def _mark(self, first: int, last: int) -> None:
        self._status[first:last] = memoryview(struct.pack("I", _SEND) * (last - first)).cast("I")

    def close(self) -> None:
        self._status.release()
        self._ring.close()
        self._socket.close()
