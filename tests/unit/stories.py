"""Knocks told as a story, for what reads captures: (seconds, source, knock), and a pcap of the same."""

from __future__ import annotations

import struct
from collections import Counter
from collections.abc import Iterable, Iterator
from ipaddress import ip_address
from typing import Final

from portress.config import load as configuration
from portress.config.model import Config
from portress.keyholders.keyholder import Keyholder
from portress.knock import SECOND, TCP, Knock
from portress.watch import Heard

HOST: Final = "198.51.100.1"
BEGIN: Final = 1_767_270_600  # 2026-01-01 12:30:00 UTC, where a time step begins

ONE_DOOR: Final = """\
doors:
  ssh:
    services: [tcp/22]
    stay: 8h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 60s}
"""
ROTATING: Final = """\
doors:
  vpn:
    services: [udp/51820]
    stay: 24h
    rotating: {pool: 20000-31999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
"""
ANA: Final = Keyholder("ana", ("vpn",), b"a secret of twenty b", "derived")

PORT: Final = 40000  # where packets come from, if nothing else is said

Told = tuple[float, str, str]  # seconds after BEGIN, source, knock


def config(text: str = ONE_DOOR) -> Config:
    return configuration.parse(text, "portress.yaml")


class Story:
    """A Reading of knocks that are told: each (seconds after BEGIN, source, knock), to HOST or `to`.

    A source written `192.0.2.7 port 40111` knocks from that port.
    """

    def __init__(self, *told: Told, to: str = HOST) -> None:
        self.to = ip_address(to).packed
        self.port = PORT
        self.packets = 0
        self.notes: list[str] = []
        self.odd: Counter[str] = Counter()
        self._told = told

    def __iter__(self) -> Iterator[Heard]:
        for seconds, source, knock in self._told:
            self.packets += 1
            moment = BEGIN * SECOND + round(seconds * SECOND)
            source, _, port = source.partition(" port ")
            self.port = int(port or PORT)
            yield ip_address(source).packed, int(Knock.parse(knock)), moment, 0


def run(source: str, *knocks: str, at: float = 0.0, pause: float = 0.1) -> list[Told]:
    """One source's knocks, `pause` seconds between two of them."""
    return [(at + number * pause, source, knock) for number, knock in enumerate(knocks)]


def packet(source: str, knock: str, to: str = HOST) -> bytes:
    """A knock as an IP packet (RFC 791, RFC 8200, RFC 9293, RFC 768); checksums are left out."""
    number = Knock.parse(knock)
    source, _, port = source.partition(" port ")
    sport = int(port or PORT)
    if number.protocol == TCP:
        segment = struct.pack(">HHIIBBHHH", sport, number.port, 1, 0, 0x50, 2, 64240, 0, 0)
    else:
        segment = struct.pack(">HHHH", sport, number.port, 8, 0)
    src, dst = ip_address(source).packed, ip_address(to).packed
    if len(src) == 16:
        return struct.pack(">IHBB16s16s", 6 << 28, len(segment), number.protocol, 64, src, dst) + segment
    total = 20 + len(segment)
    return struct.pack(">BBHHHBBH4s4s", 0x45, 0, total, 0, 0, 64, number.protocol, 0, src, dst) + segment


def pcap(told: Iterable[Told], to: str = HOST) -> bytes:
    """The story as a capture of raw IP packets."""
    made = [struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 262144, 101)]
    for seconds, source, knock in told:
        data = packet(source, knock, to)
        whole, part = divmod(BEGIN * SECOND + round(seconds * SECOND), SECOND)
        made.append(struct.pack("<IIII", whole, part, len(data), len(data)) + data)
    return b"".join(made)
