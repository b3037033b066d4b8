"""The packet log's messages: requests as pyroute2 encodes them, answers as the kernel writes them."""

from __future__ import annotations

import random
import struct
from collections.abc import Sequence

import pytest
from pyroute2.netlink import nla
from pyroute2.netlink.nfnetlink import nfgen_msg

from portress.watch.packetlog import Heard, PacketReader, binding, question

# 192.0.2.7 > 198.51.100.1, a SYN to port 4617
SYN = bytes.fromhex("450000280000000040060000c0000207c63364019c40120900000001000000005002000000000000")
KNOCK = 6 << 16 | 4617
SOURCE = bytes((192, 0, 2, 7))


# pyroute2 has no types, and reads these names as its own.
class packet_log_config(nfgen_msg):  # type: ignore[misc]
    """NFULNL_MSG_CONFIG as linux/netfilter/nfnetlink_log.h has it."""

    prefix = "NFULA_CFG_"
    nla_map = (
        ("NFULA_CFG_UNSPEC", "none"),
        ("NFULA_CFG_CMD", "uint8"),
        ("NFULA_CFG_MODE", "mode"),
        ("NFULA_CFG_NLBUFSIZ", "be32"),
        ("NFULA_CFG_TIMEOUT", "be32"),
        ("NFULA_CFG_QTHRESH", "be32"),
        ("NFULA_CFG_FLAGS", "be16"),
    )

    class mode(nla):  # type: ignore[misc]
        fields = (("copy_range", "!I"), ("copy_mode", "B"), ("padding", "B"))


def attribute(kind: int, data: bytes) -> bytes:
    return struct.pack("=HH", 4 + len(data), kind) + data + bytes(-len(data) % 4)


def message(
    sequence: int | None,
    packet: bytes | None = SYN,
    *,
    interface: int = 2,
    mac: bool = True,
    stamp: int | None = 5_000_000_000,
    extra: bytes = b"",
) -> bytes:
    """One packet's message with the attributes of kernel 6.18, in its order."""
    parts = [
        extra,
        attribute(1, bytes.fromhex("08000000")),
        attribute(10, b"\0"),
        attribute(4, struct.pack("!I", interface)),
    ]
    if mac:
        parts += attribute(8, bytes(12)), attribute(15, b"\0\1"), attribute(17, b"\0\x0e")
        parts += (attribute(16, bytes(14)),)
    if stamp is not None:
        parts += (attribute(3, struct.pack("!QQ", *divmod(stamp // 1000, 1_000_000))),)
    if sequence is not None:
        parts += (attribute(12, struct.pack("!I", sequence)),)
    if packet is not None:
        parts += (attribute(9, packet),)
    body = b"".join(parts)
    return struct.pack("=IHHII", 20 + len(body), 4 << 8, 0, 0, 0) + bytes(4) + body


def control(kind: int, body: bytes = bytes(4)) -> bytes:
    return struct.pack("=IHHII", 16 + len(body), kind, 0, 0, 0) + body


def take(reader: PacketReader, datagrams: Sequence[bytes], now: int = 1) -> list[Heard]:
    heard: list[Heard] = []
    for datagram in datagrams:
        reader.buffer[: len(datagram)] = datagram
        reader.take(len(datagram), now, heard)
    return heard


def test_the_binding_is_what_pyroute2_encodes() -> None:
    theirs = packet_log_config()
    theirs["res_id"] = 7507
    theirs["attrs"] = [
        ("NFULA_CFG_CMD", 1),
        ("NFULA_CFG_MODE", {"copy_range": 96, "copy_mode": 2, "padding": 0}),
        ("NFULA_CFG_QTHRESH", 1),
        ("NFULA_CFG_FLAGS", 1),
    ]
    theirs["header"]["type"] = 4 << 8 | 1
    theirs["header"]["flags"] = 5
    theirs["header"]["sequence_number"] = 2
    theirs.encode()
    assert binding(7507, 2) == bytes(theirs.data)


def test_the_question_is_what_pyroute2_encodes() -> None:
    theirs = packet_log_config()
    theirs["header"]["type"] = 4 << 8
    theirs["header"]["flags"] = 5
    theirs["header"]["sequence_number"] = 1
    theirs.encode()
    assert question(1) == bytes(theirs.data)


def test_an_acknowledgement_is_told_from_packets_and_from_others() -> None:
    reader = PacketReader()
    for datagram, expected in (
        (struct.pack("=IHHIIi", 36, 2, 0, 7, 99, -1) + bytes(16), 1),
        (struct.pack("=IHHIIi", 36, 2, 0, 7, 99, 0) + bytes(16), 0),
        (struct.pack("=IHHIIi", 36, 2, 0, 8, 99, -1) + bytes(16), None),
        (struct.pack("=IHHII", 16, 2, 0, 7, 99), None),
        (message(0), None),
    ):
        reader.buffer[: len(datagram)] = datagram
        assert reader.acknowledgement(len(datagram), 7) == expected


def test_packets_are_read_with_time_and_interface() -> None:
    reader = PacketReader()
    assert take(reader, [message(0), message(1, interface=3)], now=42) == [
        (SOURCE, KNOCK, 42, 2),
        (SOURCE, KNOCK, 42, 3),
    ]
    assert (reader.lost, dict(reader.odd)) == (0, {})


def test_a_packet_carries_when_it_came_by_the_clock_that_is_asked_for() -> None:
    """The wall clock is 100 s ahead of that clock, which is at 60 s."""
    reader, second = PacketReader(), 1_000_000_000
    reader.ahead = 100 * second
    at = [150, 150, 155, 152, 161, 0, 9_999_999_999, None, 170]
    datagrams = [
        message(number, stamp=None if one is None else one * second) for number, one in enumerate(at)
    ]
    heard = take(reader, datagrams, now=60 * second)
    assert [when // second for _, _, when, _ in heard] == [50, 50, 55, 55, 60, 60, 60, 60, 60]
    reader.since = 64 * second
    heard = take(
        reader, [message(9, stamp=163 * second), message(10, stamp=165_000_001_000)], now=90 * second
    )
    assert [when for _, _, when, _ in heard] == [64 * second, 65 * second + 1000]
    assert (reader.lost, dict(reader.odd)) == (0, {})


def test_after_packets_whose_clock_was_ahead_the_next_ones_have_their_own_time_again() -> None:
    """Nothing is heard later than now, and nothing holds back what comes with a right stamp afterwards."""
    reader, second = PacketReader(), 1_000_000_000
    reader.ahead = 0
    for layout in range(2):  # as it is learned, and as it is known
        now = (60 + 10 * layout) * second
        stamps = [now + 30 * second, now + 5 * second, now - second]
        numbers = range(10 * layout, 10 * layout + 3)
        datagrams = [message(one, stamp=stamp) for one, stamp in zip(numbers, stamps, strict=True)]
        assert [when for _, _, when, _ in take(reader, datagrams, now=now)] == [now] * 3
        assert reader.since == now
        right = take(reader, [message(10 * layout + 3, stamp=now + second // 2)], now=now + second)
        assert [when for _, _, when, _ in right] == [now + second // 2]


def test_a_stamp_is_read_alike_with_a_layout_learned_and_without() -> None:
    for stamp in (None, 0, 7_000_001_000, (1 << 63) * 1000):
        learned = PacketReader()
        learned.ahead = 1_000_000_000
        take(learned, [message(0, stamp=stamp)], now=9_000_000_000)
        learned.since = 0
        fresh = PacketReader()
        fresh.ahead = 1_000_000_000
        one = message(1, stamp=stamp)
        assert take(fresh, [one], now=9_000_000_000) == take(learned, [one], now=9_000_000_000)


def test_messages_of_different_layouts_may_alternate() -> None:
    reader = PacketReader()
    datagrams = [message(number, mac=number % 2 == 0) for number in range(40)]
    assert take(reader, datagrams) == [(SOURCE, KNOCK, 1, 2)] * 40
    assert (reader.lost, dict(reader.odd)) == (0, {})


def test_several_messages_in_one_datagram_are_all_read() -> None:
    reader = PacketReader()
    batch = message(0) + message(1, mac=False) + message(2) + control(3)
    assert len(take(reader, [batch, message(3), batch])) == 7


def test_gaps_in_the_sequence_numbers_are_losses_from_the_first_packet_on() -> None:
    reader = PacketReader()
    take(reader, [message(2)])
    assert reader.lost == 2
    take(reader, [message(3), message(10), message(11)])
    assert reader.lost == 8


def reader_at(sequence: int) -> PacketReader:
    """One that expects this number next and has counted nothing."""
    reader = PacketReader()
    take(reader, [message((sequence - 1) // 2), message(sequence - 1)])
    reader.lost = 0
    return reader


def test_sequence_numbers_wrap_around_without_a_loss() -> None:
    reader = reader_at((1 << 32) - 2)
    take(reader, [message((1 << 32) - 2), message((1 << 32) - 1), message(0), message(1)])
    assert (reader.lost, dict(reader.odd)) == (0, {})


def test_a_gap_across_the_wrap_is_counted() -> None:
    reader = reader_at((1 << 32) - 2)
    take(reader, [message(4)])
    assert reader.lost == 6


def test_a_number_from_the_past_is_odd_and_no_loss() -> None:
    reader = reader_at(100)
    take(reader, [message(50), message(51)])
    assert (reader.lost, dict(reader.odd)) == (0, {"sequence": 1})


def test_netlinks_own_messages_are_passed_over() -> None:
    reader = PacketReader()
    datagrams = [control(1), control(2, struct.pack("=i", -105)), control(3), control(4), message(0)]
    assert len(take(reader, datagrams)) == 1
    assert dict(reader.odd) == {}


@pytest.mark.parametrize(
    ("datagram", "kind"),
    [
        pytest.param(message(0, None), "empty", id="no packet"),
        pytest.param(control(3000), "message", id="another family"),
        pytest.param(bytes(7), "message", id="not even a header"),
        pytest.param(bytes(16), "message", id="a message of 0 bytes"),
        pytest.param(struct.pack("=IHHII", 4096, 1024, 0, 0, 0), "message", id="longer than the datagram"),
        pytest.param(message(0)[:-8], "message", id="cut short"),
        pytest.param(message(0) + b"\1\2\3", "message", id="bytes left over"),
        pytest.param(message(0, b""), "short", id="an empty packet"),
        pytest.param(message(0, SYN[:30]), "short", id="a packet cut short"),
        pytest.param(message(0, bytes(60)), "length", id="a packet of zeros"),
    ],
)
def test_what_cannot_be_read_is_counted_by_kind(datagram: bytes, kind: str) -> None:
    for before in ([], [message(0)]):
        reader = PacketReader()
        take(reader, before)
        take(reader, [datagram])
        assert reader.odd[kind] == 1


def test_an_attribute_whose_length_lies_is_told_with_a_layout_learned_or_without() -> None:
    good = message(0)
    for offset in (20, 28, 36, 44, 60, 68, 76, 96, 116, 124):
        for size in (0, 3, 5, 13, 200, 65535):
            bad = bytearray(good)
            struct.pack_into("=H", bad, offset, size)
            fresh, learned = PacketReader(), PacketReader()
            take(learned, [good])
            learned.lost = 0
            assert take(fresh, [bytes(bad)]) == take(learned, [bytes(bad)])
            assert fresh.odd.keys() - {"sequence"} == learned.odd.keys() - {"sequence"}


def test_a_message_without_a_sequence_number_is_read_and_no_loss() -> None:
    reader = PacketReader()
    assert len(take(reader, [message(0), message(None), message(1)])) == 3
    assert reader.lost == 0


def test_more_layouts_than_are_remembered_do_no_harm() -> None:
    reader, rng = PacketReader(), random.Random(3)
    for number in range(0, 400, 2):
        extra = attribute(30 + rng.randrange(60), bytes(4 * rng.randrange(5)))
        assert len(take(reader, [message(number, extra=extra), message(number + 1)])) == 2
    assert (reader.lost, dict(reader.odd)) == (0, {})
