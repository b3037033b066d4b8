"""Mutated packets and mutated netlink messages: whatever comes, nothing is raised and nothing is made up.

Seeded and bounded. A failure names the seed's number, and the case can be made again from it.
"""

from __future__ import annotations

import random
import struct

import dpkt

from portress.knock import TCP, UDP, Widths
from portress.watch.frame import Oddity, first_packet
from portress.watch.packetlog import Heard, PacketReader

CASES = 10_000
FIRST, REST = 0x02, 0x17
SOURCES = {4: bytes((192, 0, 2, 7)), 6: bytes.fromhex("20010db8000000000000000000000007")}


def packet(rng: random.Random) -> bytes:
    """A well-formed packet: IPv4 with options or IPv6 with extensions, TCP, UDP or neither."""
    body: bytes
    protocol = rng.choice((TCP, TCP, UDP, UDP, 1))
    data = rng.randbytes(rng.choice((0, 1, 8, 200)))
    if protocol == TCP:
        segment = dpkt.tcp.TCP(sport=40000, dport=rng.randrange(65536), flags=rng.choice((2, 2, 16, 18)))
        segment.opts = b"\x01" * 4 * rng.randrange(11)
        segment.off = 5 + len(segment.opts) // 4
        body = bytes(segment) + data
    elif protocol == UDP:
        body = bytes(dpkt.udp.UDP(sport=40000, dport=rng.randrange(65536), ulen=8 + len(data), data=data))
    else:
        body = data
    if rng.random() < 0.5:
        outer = dpkt.ip.IP(src=SOURCES[4], dst=bytes(4), p=protocol, ttl=64, data=body)
        outer.opts = b"\x01" * 4 * rng.randrange(11)
        outer.hl = 5 + len(outer.opts) // 4
        return bytes(outer)
    for kind in rng.choices((0, 43, 44, 51, 60), k=rng.randrange(4)):
        size = 8 * rng.randrange(1, 4)
        units = size // 4 - 2 if kind == 51 else size // 8 - 1
        body, protocol = bytes((protocol, units)) + bytes(size - 2) + body, kind
    outer = dpkt.ip6.IP6(src=SOURCES[6], dst=bytes(16), nxt=protocol, hlim=64, plen=len(body))
    return bytes(outer)[:40] + body


def mutated(rng: random.Random, data: bytes) -> bytes:
    """Some bytes changed, cut off, doubled, taken out, or numbers set to their extremes."""
    changed = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4, 16))):
        at = rng.randrange(len(changed)) if changed else 0
        match rng.randrange(6):
            case 0 if changed:
                changed[at] ^= 1 << rng.randrange(8)
            case 1 if changed:
                changed[at] = rng.choice((0, 1, 0x7F, 0x80, 0xFF))
            case 2:
                del changed[at:]
            case 3:
                del changed[at : at + rng.randrange(1, 9)]
            case 4:
                changed[at:at] = changed[at : at + rng.randrange(1, 65)]
            case 5:
                changed[at : at + 2] = rng.choice((b"\0\0", b"\xff\xff", b"\0\x04", rng.randbytes(2)))
    return bytes(changed)


def plausible(data: bytes, source: bytes, knock: int) -> bool:
    """What any reading of these bytes as a knock has to agree with, however the headers lie."""
    version = data[0] >> 4
    at = (12, 16) if version == 4 else (8, 24)
    later = range((data[0] & 15) * 4, len(data)) if version == 4 else range(40, len(data), 4)
    wanted = struct.pack("!H", knock & 0xFFFF)
    found = (data[start + 2 : start + 4] == wanted for start in later)
    return source == data[slice(*at)] and knock >> 16 in (TCP, UDP) and knock & 0xFFFF > 0 and any(found)


def test_mutated_packets_raise_nothing_and_only_knocks_come_out() -> None:
    outcomes = set()
    for case in range(CASES):
        rng = random.Random(case)
        data = mutated(rng, packet(rng))
        verdict = first_packet(data, 0, len(data))
        if isinstance(verdict, tuple):
            assert plausible(data, *verdict), f"case {case}"
        outcomes.add(verdict if isinstance(verdict, Oddity) else "knock")
    assert outcomes == {"knock", *Oddity}


def test_the_same_packet_in_a_dirty_buffer_is_read_the_same() -> None:
    for case in range(CASES // 4):
        rng = random.Random(case)
        data = mutated(rng, packet(rng))
        dirty = rng.randbytes(13) + data + rng.randbytes(100)
        assert first_packet(dirty, 13, 13 + len(data)) == first_packet(data, 0, len(data)), f"case {case}"


def attribute(kind: int, data: bytes) -> bytes:
    return struct.pack("=HH", 4 + len(data), kind) + data + bytes(-len(data) % 4)


def datagram(rng: random.Random, sequence: int) -> bytes:
    """One to three messages as the kernel writes them."""
    messages = []
    for number in range(rng.choice((1, 1, 1, 3))):
        body = bytes(4) + attribute(1, bytes(4)) + attribute(10, b"\0") + attribute(4, bytes((0, 0, 0, 2)))
        if rng.random() < 0.7:
            body += attribute(8, bytes(12)) + attribute(15, bytes(2)) + attribute(16, bytes(14))
        if rng.random() < 0.7:
            body += attribute(3, struct.pack("!QQ", rng.choice((5, 6, 1 << 63)), rng.randrange(1_000_000)))
        body += attribute(12, struct.pack("!I", sequence + number)) + attribute(9, packet(rng)[:96])
        messages.append(struct.pack("=IHHII", 16 + len(body), 4 << 8, 0, 0, 0) + body)
    return b"".join(messages)


def test_mutated_netlink_messages_raise_nothing() -> None:
    reader, heard = PacketReader(Widths(24, 64)), list[Heard]()
    reader.ahead = 5_000_000_000
    for case in range(CASES):
        rng = random.Random(case)
        data = datagram(rng, case)
        if case % 3:
            data = mutated(rng, data)
        reader.buffer[: len(data)] = data
        reader.take(len(data), case, heard)
        reader.acknowledgement(len(data), 0)
    assert len(heard) > CASES // 10
    assert {"message", "empty", "sequence"} < reader.odd.keys()
    assert [moment for *_, moment, _ in heard] == sorted(moment for *_, moment, _ in heard)
    for source, knock, moment, _ in heard:
        assert len(source) in (4, 16) and knock >> 16 in (TCP, UDP) and knock & 0xFFFF and moment < CASES


def test_a_learned_layout_never_changes_what_a_message_says() -> None:
    learned = PacketReader()
    for case in range(CASES // 4):
        rng = random.Random(case)
        data = datagram(rng, case)
        if case % 2:
            data = mutated(rng, data)
        fresh = PacketReader()
        fresh.ahead, fresh.since, learned.ahead = 5_000_000_000, learned.since, 5_000_000_000
        outcomes = []
        for reader in (fresh, learned):
            heard: list[Heard] = []
            reader.odd.clear()
            reader.buffer[: len(data)] = data
            reader.take(len(data), case * 1_000_000, heard)
            odd = {kind: count for kind, count in reader.odd.items() if kind != "sequence"}
            outcomes.append((heard, odd))
        assert outcomes[0] == outcomes[1], f"case {case}"
