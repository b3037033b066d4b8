"""Captures written by dpkt, and by hand where dpkt cannot: byte orders, resolutions, link types, damage."""

from __future__ import annotations

import io
import random
import struct
from collections.abc import Callable
from ipaddress import ip_address
from pathlib import Path

import dpkt
import pytest

from portress.errors import Mistake
from portress.knock import Widths
from portress.trace.capture import Capture, opened

SOURCE, OTHER, HOST = (ip_address(text).packed for text in ("192.0.2.7", "203.0.113.9", "198.51.100.1"))
SIX, HOST_6 = (ip_address(text).packed for text in ("2001:db8::7", "2001:db8:1::1"))
KNOCK = 6 << 16 | 4617
MOMENT = 1_767_225_600_123_456_000  # ns; a whole number of microseconds
ETHERNET, RAW = 1, 101
Heard = tuple[bytes, int, int, int]


def syn(source: bytes = SOURCE, target: bytes = HOST, port: int = 4617, flags: int = 2) -> bytes:
    segment = bytes(dpkt.tcp.TCP(sport=40000, dport=port, flags=flags))
    if len(source) == 16:
        return bytes(dpkt.ip6.IP6(src=source, dst=target, nxt=6, hlim=64, plen=20))[:40] + segment
    return bytes(dpkt.ip.IP(src=source, dst=target, p=6, ttl=64, data=segment))


def ethernet(packet: bytes, *tags: int) -> bytes:
    kind = b"\x08\0" if packet[0] >> 4 == 4 else b"\x86\xdd"
    return bytes(12) + b"".join(struct.pack("!HH", tag, 7) for tag in tags) + kind + packet


def pcap(
    *frames: bytes, order: str = "<", magic: int = 0xA1B2C3D4, link: int = RAW, moment: int = MOMENT
) -> bytes:
    unit = 1000 if magic == 0xA1B2C3D4 else 1
    seconds, rest = divmod(moment, 10**9)
    head = struct.pack(f"{order}IHHiIII", magic, 2, 4, 0, 0, 262144, link)
    each = (struct.pack(f"{order}IIII", seconds, rest // unit, len(f), len(f)) + f for f in frames)
    return head + b"".join(each)


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    body += bytes(-len(body) % 4)
    size = struct.pack(f"{order}I", 12 + len(body))
    return struct.pack(f"{order}I", kind) + size + body + size


def option(code: int, value: bytes, order: str = "<") -> bytes:
    return struct.pack(f"{order}HH", code, len(value)) + value + bytes(-len(value) % 4)


def section(order: str = "<") -> bytes:
    return block(0x0A0D0D0A, struct.pack(f"{order}IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def interface(link: int = RAW, options: bytes = b"", order: str = "<") -> bytes:
    return block(1, struct.pack(f"{order}HHI", link, 0, 262144) + options, order)


def enhanced(
    frame: bytes, ticks: int = MOMENT // 1000, number: int = 0, options: bytes = b"", order: str = "<"
) -> bytes:
    head = struct.pack(f"{order}IIIII", number, ticks >> 32, ticks & 0xFFFFFFFF, len(frame), len(frame))
    return block(6, head + frame + bytes(-len(frame) % 4) + options, order)


def read(data: bytes, **options: frozenset[bytes] | int) -> tuple[list[Heard], Capture]:
    capture = Capture(io.BytesIO(data), "trace.pcap", **options)  # type: ignore[arg-type]  # mixed on purpose
    return list(capture), capture


def knocks(data: bytes) -> list[Heard]:
    heard, capture = read(data)
    assert capture.notes == []
    return heard


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("magic", [0xA1B2C3D4, 0xA1B23C4D])
def test_pcap_is_read_in_both_byte_orders_and_resolutions(order: str, magic: int) -> None:
    moment = MOMENT if magic == 0xA1B2C3D4 else MOMENT + 789
    data = pcap(syn(), syn(SIX, HOST_6), order=order, magic=magic, moment=moment)
    assert knocks(data) == [(SOURCE, KNOCK, moment, 0), (SIX, KNOCK, moment, 0)]


@pytest.mark.parametrize("order", ["<", ">"])
def test_pcapng_is_read_in_both_byte_orders(order: str) -> None:
    data = section(order) + interface(order=order) + enhanced(syn(), order=order)
    assert knocks(data) == [(SOURCE, KNOCK, MOMENT, 0)]


def test_what_dpkt_writes_is_read() -> None:
    for writer, times in ((dpkt.pcap.Writer, 1), (dpkt.pcapng.Writer, 1)):
        file = io.BytesIO()
        made = writer(file)
        made.writepkt(ethernet(syn()), MOMENT / 1e9)
        made.writepkt(ethernet(syn(SIX, HOST_6)), MOMENT / 1e9 + times)
        heard = knocks(file.getvalue())
        assert [(source, knock) for source, knock, _, _ in heard] == [(SOURCE, KNOCK), (SIX, KNOCK)]
        # dpkt keeps times in floating-point seconds
        assert [round(moment / 1e4) for _, _, moment, _ in heard] == [
            round(MOMENT / 1e4),
            round(MOMENT / 1e4) + times * 10**5,
        ]


@pytest.mark.parametrize(
    ("resolution", "ticks", "moment"),
    [
        (6, 1_767_225_600_123_456, 1_767_225_600_123_456_000),
        (9, 1_767_225_600_123_456_789, 1_767_225_600_123_456_789),
        (3, 1_767_225_600_123, 1_767_225_600_123_000_000),
        (0, 1_767_225_600, 1_767_225_600_000_000_000),
        (10, 17_672_256_001_234_567_891, 1_767_225_600_123_456_789),
        (0x80 | 10, 1_767_225_600 << 10 | 512, 1_767_225_600_500_000_000),
        (127, 5, 0),
    ],
)
def test_pcapng_resolutions_are_followed(resolution: int, ticks: int, moment: int) -> None:
    data = section() + interface(options=option(9, bytes((resolution,)))) + enhanced(syn(), ticks)
    assert [heard[2] for heard in knocks(data)] == [moment]


def test_a_pcapng_time_offset_is_added() -> None:
    data = section() + interface(options=option(14, struct.pack("<q", -3600))) + enhanced(syn())
    assert [heard[2] for heard in knocks(data)] == [MOMENT - 3600 * 10**9]


def test_pcapng_interfaces_and_sections_have_their_own_settings() -> None:
    first = section() + interface(ETHERNET) + interface(RAW, option(9, b"\x09"))
    first += enhanced(ethernet(syn())) + enhanced(syn(OTHER), MOMENT, number=1)
    second = section(">") + interface(RAW, order=">") + enhanced(syn(SIX, HOST_6), order=">")
    assert [heard[0] for heard in knocks(first + second)] == [SOURCE, OTHER, SIX]


def test_other_pcapng_blocks_and_options_are_passed_over() -> None:
    other = block(4, bytes(40)) + block(5, bytes(20)) + block(0xBAD, b"x" * 100) + block(0x80000001, b"")
    comment = option(1, b"seen at the gate") + option(0, b"")
    data = (
        section() + other + interface(options=option(2, b"eth0")) + other + enhanced(syn(), options=comment)
    )
    assert len(knocks(data + other)) == 1


def test_the_obsolete_packet_block_is_read() -> None:
    frame, ticks = syn(), MOMENT // 1000
    head = struct.pack("<HHIIII", 0, 0, ticks >> 32, ticks & 0xFFFFFFFF, len(frame), len(frame))
    assert knocks(section() + interface() + block(2, head + frame)) == [(SOURCE, KNOCK, MOMENT, 0)]


def test_packets_without_a_time_are_left_out_and_told_once() -> None:
    simple = block(3, struct.pack("<I", len(syn())) + syn())
    heard, capture = read(section() + interface() + simple + simple + enhanced(syn()))
    assert len(heard) == 1
    assert capture.notes == ["packets without a time (simple packet blocks) are left out"]


def test_packets_marked_as_sent_are_no_knocks() -> None:
    marks = [option(2, struct.pack("<I", direction)) for direction in (0, 1, 2)]
    heard, capture = read(section() + interface() + b"".join(enhanced(syn(), options=each) for each in marks))
    assert (len(heard), dict(capture.odd)) == (2, {"elsewhere": 1})


def cooked(packet: bytes, direction: int = 0) -> bytes:
    return struct.pack("!HHH8xH", direction, 1, 6, 0x0800 if packet[0] >> 4 == 4 else 0x86DD) + packet


def cooked_2(packet: bytes, direction: int = 0, index: int = 3) -> bytes:
    kind = 0x0800 if packet[0] >> 4 == 4 else 0x86DD
    return struct.pack("!HHIHBB8x", kind, 0, index, 1, direction, 6) + packet


LINKS: list[tuple[int, Callable[[bytes], bytes], int]] = [
    (0, lambda packet: struct.pack("<I", 2 if packet[0] >> 4 == 4 else 30) + packet, 0),
    (0, lambda packet: struct.pack(">I", 2 if packet[0] >> 4 == 4 else 10) + packet, 0),
    (1, ethernet, 0),
    (1, lambda packet: ethernet(packet, 0x8100), 0),
    (1, lambda packet: ethernet(packet, 0x88A8, 0x8100), 0),
    (12, bytes, 0),
    (101, bytes, 0),
    (108, lambda packet: struct.pack(">I", 2 if packet[0] >> 4 == 4 else 24) + packet, 0),
    (113, cooked, 0),
    (276, cooked_2, 3),
]


@pytest.mark.parametrize(("link", "wrap", "index"), LINKS)
def test_link_types_are_read(link: int, wrap: Callable[[bytes], bytes], index: int) -> None:
    frames = [wrap(syn()), wrap(syn(SIX, HOST_6))]
    expected = [(SOURCE, KNOCK, MOMENT, index), (SIX, KNOCK, MOMENT, index)]
    assert knocks(pcap(*frames, link=link)) == expected
    assert knocks(pcap(*frames, link=0x14000000 | link)) == expected
    assert knocks(section() + interface(link) + b"".join(map(enhanced, frames))) == expected


@pytest.mark.parametrize(("link", "wrap", "index"), LINKS)
def test_frames_cut_off_anywhere_raise_nothing(link: int, wrap: Callable[[bytes], bytes], index: int) -> None:
    frame = wrap(syn())
    heard, capture = read(pcap(*(frame[:size] for size in range(len(frame))), link=link))
    assert len(heard) == 6  # a TCP header is enough up to its flags
    assert capture.packets == len(frame) == len(heard) + capture.odd.total()


@pytest.mark.parametrize(("link", "wrap"), [(113, cooked), (276, cooked_2)])
def test_cooked_frames_tell_the_direction(link: int, wrap: Callable[[bytes, int], bytes]) -> None:
    heard, capture = read(pcap(*(wrap(syn(), direction) for direction in range(5)), link=link))
    assert (len(heard), dict(capture.odd)) == (3, {"elsewhere": 2})


def test_frames_without_ip_are_counted() -> None:
    arp = bytes(12) + b"\x08\x06" + bytes(28)
    tags = bytes(12) + struct.pack("!HH", 0x8100, 1) * 9
    heard, capture = read(pcap(arp, tags, b"", bytes(13), link=ETHERNET))
    assert (heard, dict(capture.odd), capture.packets) == ([], {"link": 4}, 4)


def test_only_what_goes_to_the_host_is_a_knock_if_its_addresses_are_given() -> None:
    data = pcap(syn(), syn(HOST, SOURCE), syn(SIX, HOST_6), syn(SIX, SIX), syn(OTHER, OTHER))
    heard, capture = read(data, local=frozenset({HOST, HOST_6}))
    assert [each[0] for each in heard] == [SOURCE, SIX]
    assert dict(capture.odd) == {"elsewhere": 3}
    assert len(read(data)[0]) == 5


def test_what_is_no_knock_is_counted_by_kind() -> None:
    _, capture = read(pcap(syn(flags=18), syn(port=0), syn()[:25], b"\x99" * 40))
    assert dict(capture.odd) == {"later": 1, "port": 1, "short": 1, "length": 1}


def test_sources_are_masked_to_the_prefixes() -> None:
    heard, _ = read(pcap(syn(), syn(SIX, HOST_6)), widths=Widths(24, 32))
    assert [each[0] for each in heard] == [ip_address(t).packed for t in ("192.0.2.0", "2001:db8::")]


def test_a_capture_cut_off_anywhere_is_read_up_to_there() -> None:
    for whole, record in (
        (pcap(syn(), syn()), 16 + 40),
        (section() + interface() + enhanced(syn()) * 2, 32 + 40),
    ):
        start = len(whole) - 2 * record
        for size in range(start, len(whole) + 1):
            heard, capture = read(whole[:size])
            complete, rest = divmod(size - start, record)
            assert len(heard) == complete
            wanted = f"byte {size - rest}: the file ends in the middle of a record"
            assert capture.notes == ([wanted] if rest else [])


def test_garbage_ends_the_reading_and_is_told_with_its_place() -> None:
    whole = pcap(syn())
    heard, capture = read(whole + b"\xff" * 100)
    assert len(heard) == 1
    assert capture.notes == [
        f"byte {len(whole)}: a record cannot have 4294967295 bytes: the rest is left out"
    ]


@pytest.mark.parametrize(
    ("garbage", "note"),
    [
        (struct.pack("<III", 6, 11, 11), "a block cannot have 11 bytes"),
        (struct.pack("<III", 6, 0xFFFFFFFC, 0), "a block cannot have 4294967292 bytes"),
        (struct.pack("<III", 6, 12, 16), "a block whose two lengths differ"),
        (b"\x0a\x0d\x0d\x0a" + bytes(24), "a section without a byte order"),
    ],
)
def test_garbage_in_pcapng_ends_the_reading_and_is_told(garbage: bytes, note: str) -> None:
    whole = section() + interface() + enhanced(syn())
    heard, capture = read(whole + garbage + bytes(64))
    assert len(heard) == 1
    assert capture.notes == [f"byte {len(whole)}: {note}: the rest is left out"]


def test_packet_blocks_that_contradict_themselves_are_counted_and_passed_over() -> None:
    lying = bytearray(enhanced(syn()))
    struct.pack_into("<I", lying, 20, 5000)
    bad = bytes(lying) + enhanced(syn(), number=7) + block(6, bytes(8)) + block(1, bytes(4)) + block(2, b"")
    heard, capture = read(section() + interface() + bad + enhanced(syn()))
    assert (len(heard), dict(capture.odd), capture.notes) == (1, {"block": 5}, [])


def test_a_link_type_that_is_not_read_is_a_mistake_in_pcap_and_a_note_in_pcapng() -> None:
    with pytest.raises(Mistake, match=r"^trace.pcap: link type 147 is not read"):
        read(pcap(syn(), link=147))
    heard, capture = read(
        section() + interface(147) + interface() + enhanced(syn()) + enhanced(syn(), number=1)
    )
    assert (len(heard), dict(capture.odd)) == (1, {"link": 1})
    assert capture.notes == ["link type 147 is not read: packets of such interfaces are left out"]


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "it is empty"),
        (b"\x7fELF" + bytes(100), "it starts with 7f 45 4c 46"),
        (b"\x1f\x8b\x08\0" + bytes(100), "packed with gzip"),
        (pcap()[:20], "it ends within its first 24 bytes"),
        (b"\n", "it starts with 0a"),
    ],
)
def test_what_is_no_capture_is_a_mistake(data: bytes, what: str) -> None:
    with pytest.raises(Mistake, match=what):
        read(data)


def test_a_file_that_cannot_be_read_is_a_mistake(tmp_path: Path) -> None:
    for path, what in ((tmp_path / "none.pcap", "No such file"), (tmp_path, "Is a directory")):
        with pytest.raises(Mistake, match=what), opened(path) as capture:
            list(capture)


def test_a_file_larger_than_the_window_is_read_whole(tmp_path: Path) -> None:
    """Records lie across every possible boundary of what is in memory at once."""
    rng = random.Random(4)
    frames = [syn(port=rng.randrange(1, 65536)) + bytes(rng.randrange(1500)) for _ in range(4000)]
    expected = [struct.unpack_from("!H", frame, 22)[0] for frame in frames]
    for name, data in (
        ("a.pcap", pcap(*frames)),
        ("a.pcapng", section() + interface() + b"".join(map(enhanced, frames))),
    ):
        (tmp_path / name).write_bytes(data)
        with opened(tmp_path / name) as capture:
            assert [knock & 0xFFFF for _, knock, _, _ in capture] == expected
            assert capture.position == len(data)


def test_a_stream_that_gives_a_byte_at_a_time_is_read_the_same() -> None:
    class Slow(io.BytesIO):
        def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]  # narrower on purpose
            return super().readinto(buffer[:1])

    data = pcap(syn(), syn(OTHER))
    assert list(Capture(Slow(data), "-")) == knocks(data)


def test_a_huge_block_is_passed_over() -> None:
    heard, capture = read(section() + interface() + block(0xBAD, bytes(3 << 20)) + enhanced(syn()))
    assert (len(heard), capture.notes) == (1, [])


def test_mutated_captures_raise_nothing_but_mistakes() -> None:
    bases = [
        pcap(ethernet(syn()), ethernet(syn(SIX, HOST_6), 0x8100), link=ETHERNET),
        pcap(cooked_2(syn()), order=">", magic=0xA1B23C4D, link=276),
        section() + interface(113, option(9, b"\x09")) + enhanced(cooked(syn()), options=option(2, bytes(4))),
        section(">") + interface(0, order=">") + enhanced(b"\2\0\0\0" + syn(), order=">") + section(),
    ]
    outcomes = dict.fromkeys(("mistake", "note", "whole"), 0)
    for case in range(10_000):
        rng = random.Random(case)
        data = bytearray(rng.choice(bases))
        for _ in range(rng.choice((1, 2, 8))):
            at = rng.randrange(len(data))
            data[at : at + rng.randrange(5)] = rng.choice((b"", b"\0", b"\xff\xff\xff\xff", rng.randbytes(4)))
        try:
            heard, capture = read(bytes(data))
        except Mistake:
            outcomes["mistake"] += 1
        else:
            assert len(heard) <= capture.packets <= 3, f"case {case}"
            outcomes["note" if capture.notes else "whole"] += 1
    assert min(outcomes.values()) > 100
