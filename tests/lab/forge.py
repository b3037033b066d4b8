"""Whole sequences from ever new forged IPv6 sources, as fast as one process can send, or with a pause (s)
after each 64 of them. Run in a namespace:

    python -P forge.py SECONDS[/PAUSE] DESTINATION PREFIX KNOCK…       prints how many packets it sent

SIGTERM ends it before. -P: this folder has a portress.py that is not the package.

PREFIX is three words, as 2001:db8:c. Two words of a source are each other's complement, so that the checksum
of RFC 1071 is the same for all of them.
"""

from __future__ import annotations

import signal
import socket
import struct
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from lab.packets import knock

_SOURCE = slice(8, 24)  # of an IPv6 packet


def main(seconds: float, pause: float, target: str, prefix: str, texts: list[str]) -> int:
    """Send for so long; how many packets it was."""
    first = f"{prefix}:0:0:ffff:ffff:1"
    packets = [bytearray(knock(first, target, text)) for text in texts]
    head = socket.inet_pton(socket.AF_INET6, f"{prefix}::")[:6]
    sent, number, until = 0, 0, time.monotonic() + seconds
    enough: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _: enough.append(number))
    with socket.socket(socket.AF_INET6, socket.SOCK_RAW, socket.IPPROTO_RAW) as out:
        while not enough and time.monotonic() < until:
            for _ in range(64):
                number += 1
                words = (number >> 16 & 0xFFFF, number & 0xFFFF)
                source = head + struct.pack(">5H", *words, *(0xFFFF - word for word in words), 1)
                for packet in packets:
                    packet[_SOURCE] = source
                    out.sendto(packet, (target, 0))
                sent += len(packets)
            if pause:
                time.sleep(pause)
    return sent


if __name__ == "__main__":
    seconds, _, pause = sys.argv[1].partition("/")
    print(main(float(seconds), float(pause or 0), sys.argv[2], sys.argv[3], sys.argv[4:]))
