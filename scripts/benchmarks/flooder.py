"""A process that floods a host with forged SYNs and datagrams as fast as it can: `python -m
benchmarks.flooder`.

In: namespace, device, the other end's hardware address, the host's address, a port (0: random ports),
seconds. Out: on standard output, how many packets were sent. Half are SYNs, half UDP datagrams; SYNs alone
where the flood is aimed at one port. Every packet has another source, out of a million random ones or two.
"""

from __future__ import annotations

import random
import sys
import time
from array import array
from collections.abc import Callable

from benchmarks.wire import Volley
from lab.packets import datagram, syn
from lab.space import Namespace

POOL = 1 << 20
RING = 4096
# Offsets in an Ethernet frame that are written anew for each round.
_ID, _SOURCE, _PORT, _FREE = (
    18,
    26,
    36,
    40,
)  # IP id, IP source, destination port; TCP's sequence, UDP's checksum


def _fold(total: int) -> int:
    return (total & 0xFFFF) + (total >> 16)


class Pool:
    """Random sources and ports, with what keeps the checksums right (RFC 1624): `id` that of the IP header,
    `free` that of TCP and UDP, in a field of theirs that may hold anything."""

    def __init__(self, packet: bytes, port: int, dice: random.Random) -> None:
        """`packet` is an IP packet to begin with, whose checksums are right."""

        def word(at: int) -> int:
            return int.from_bytes(packet[at : at + 2], "big")

        head = word(4) + word(12) + word(14)
        body = word(12) + word(14) + word(22) + word(26)
        self.fields = [array("H") for _ in range(5)]
        names = self.fields
        for _ in range(POOL):
            high, low = 0x0100 + dice.getrandbits(15), dice.getrandbits(16)
            target = port or dice.randrange(1, 1 << 16)
            identity = (head - high - low) % 0xFFFF
            free = (body - high - low - target) % 0xFFFF
            for field, value in zip(names, (identity, high, low, target, free), strict=True):
                field.append(value)
        if sys.byteorder == "little":
            for field in names:
                field.byteswap()

    def writer(self, volley: Volley, first: int, step: int) -> Callable[[int], None]:
        """A function that fills the ring's slots `first`, `first + step`, … from an offset in the pool on."""
        places = [volley.words(at)[first::step] for at in (_ID, _SOURCE, _SOURCE + 2, _PORT, _FREE)]
        sources = [memoryview(field) for field in self.fields]
        count = len(places[0])

        def write(offset: int) -> None:
            for place, source in zip(places, sources, strict=True):
                place[:] = source[offset : offset + count]

        return write


def main(name: str, device: str, to: str, address: str, port: str, seconds: str) -> None:
    aimed, dice = int(port), random.Random(7)  # noqa: S311 — noise, not secrets
    makers = [syn] if aimed else [syn, datagram]
    packets = [maker("192.0.2.1", address, aimed or 9, 40000) for maker in makers]
    volley = Volley(Namespace(name), device, bytes.fromhex(to), packets * (RING // len(packets)))
    writers = [
        Pool(packet, aimed, dice).writer(volley, number, len(packets))
        for number, packet in enumerate(packets)
    ]
    print("ready", flush=True)
    sys.stdin.readline()
    sent, until = 0, time.monotonic() + float(seconds)
    while time.monotonic() < until:
        for write in writers:
            write(dice.randrange(POOL - RING))
        sent += volley.fire()
    print(sent, flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
