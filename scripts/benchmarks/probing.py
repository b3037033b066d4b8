"""The moment a door opens, seen from outside: SYNs sent as fast as can be, and the first that was answered.

In: a namespace to send from, a host. Out: seconds from the sending of the last knock to the sending of the
first SYN that got through. A packet sent on a virtual link has arrived, and been through the host's rules,
when the call that sends it returns: no clock but the sender's is needed.
"""

from __future__ import annotations

import socket
import struct
import time
from collections.abc import Iterator, Sequence
from typing import Final

from benchmarks.wire import frame, hardware, packet_socket
from lab.packets import knock, syn
from lab.space import Namespace

_FIRST: Final = 20000  # source port of the first SYN
_MOST: Final = 20000  # SYNs tried


class Prober:
    """Knocks and tries the door, from forged sources whose answers come back to `ns` and end there."""

    def __init__(
        self, ns: Namespace, device: str, host: Namespace, host_device: str, address: str, port: int = 22
    ) -> None:
        self._to, self._from = hardware(host, host_device), hardware(ns, device)
        self._address = address
        self._port = port
        self._seen: int | None = None
        self._source = b""
        self._out = packet_socket(ns, device)
        with ns.enter():
            self._in = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM, socket.htons(0x0800))
            self._in.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 22)
            self._in.bind((device, 0x0800))
        self._in.setblocking(False)

    def close(self) -> None:
        self._out.close()
        self._in.close()

    def frame(self, packet: bytes) -> bytes:
        return frame(self._to, self._from, packet)

    def send(self, frame: bytes) -> None:
        """Send one that `frame` made."""
        self._out.send(frame)

    def tries(self, source: str, count: int = _MOST) -> Iterator[bytes]:
        """SYNs to the door, each from a port of its own; in the order of those ports."""
        first = self.frame(syn(source, self._address, self._port, _FIRST))
        # The TCP checksum goes down by what the source port goes up (RFC 1624).
        (total,) = struct.unpack_from("!H", first, 50)
        for number in range(count):
            changed = total - number
            changed += 0xFFFF if changed <= 0 else 0
            yield (
                first[:34]
                + struct.pack("!H", _FIRST + number)
                + first[36:50]
                + struct.pack("!H", changed)
                + first[52:]
            )

    def open(
        self,
        source: str,
        knocks: Sequence[str],
        pause: float = 0.001,
        patience: float = 0.2,
        every: float = 0.0,
        elsewhere: Prober | None = None,
    ) -> float | None:
        """Knock from `source`, `pause` seconds between two knocks, and then try the door until it opens.
        The knocks go to the host of `elsewhere`, if it is given.

        Seconds from the last knock to the first SYN that got through, None if none did within `patience`.
        `every`: seconds between two SYNs, 0 for no pause.
        """
        self._source = socket.inet_aton(source)
        to = elsewhere or self
        frames = [to.frame(knock(source, to._address, text)) for text in knocks]
        # For a door elsewhere one by one: made beforehand, they would push all else out of the CPU's caches.
        tries = [*self.tries(source)] if elsewhere is None else self.tries(source)
        self._drain()
        send, clock = self._out.send, time.perf_counter
        for one in frames[:-1]:
            send(one)
            time.sleep(pause)
        moments: list[float] = []
        begun = clock()
        send(frames[-1])
        for one in tries:
            now = clock()
            moments.append(now)
            send(one)
            if now - begun > patience or (len(moments) & 7 == 0 and self._answered() is not None):
                break
            if every:
                time.sleep(every)
        first = self._first_answer()
        return None if first is None else moments[first] - begun

    def _drain(self) -> None:
        self._seen = None
        while self._answer() is not None:
            pass

    def _answer(self) -> int | None:
        """The number of the SYN that the next waiting packet answers, -1 if none, None if none waits."""
        try:
            packet = self._in.recv(128)
        except BlockingIOError:
            return None
        if len(packet) < 40 or packet[9] != socket.IPPROTO_TCP or packet[16:20] != self._source:
            return -1
        source, target = struct.unpack_from("!HH", packet, (packet[0] & 15) * 4)
        return target - _FIRST if source == self._port and target >= _FIRST else -1

    def _answered(self) -> int | None:
        while self._seen is None and (number := self._answer()) is not None:
            if number >= 0:
                self._seen = number
        return self._seen

    def _first_answer(self) -> int | None:
        until = time.perf_counter() + 0.02
        while self._answered() is None and time.perf_counter() < until:
            time.sleep(0.001)
        return self._seen
