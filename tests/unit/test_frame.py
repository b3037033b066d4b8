"""Packets built by dpkt, an implementation of its own, against what frame.py reads in them."""

from __future__ import annotations

import random
import struct
from ipaddress import ip_address

import dpkt
import pytest

from portress.knock import TCP, UDP, Knock, Source, Widths
from portress.watch.frame import Oddity, destination, first_packet, masking

SYN, ACK, FIN, RST, PSH, URG = 0x02, 0x10, 0x01, 0x04, 0x08, 0x20
V4, V6 = ip_address("192.0.2.7").packed, ip_address("2001:db8::7").packed
HOST_4, HOST_6 = ip_address("198.51.100.1").packed, ip_address("2001:db8:1::1").packed


def tcp(port: int = 4617, flags: int = SYN, options: bytes = b"", data: bytes = b"") -> dpkt.tcp.TCP:
    segment = dpkt.tcp.TCP(sport=40000, dport=port, flags=flags, seq=1, data=data)
    segment.opts = options
    segment.off = 5 + len(options) // 4
    return segment


def udp(port: int = 2953, data: bytes = b"") -> dpkt.udp.UDP:
    return dpkt.udp.UDP(sport=40000, dport=port, ulen=8 + len(data), data=data)


def ipv4(payload: bytes | dpkt.Packet, protocol: int, options: bytes = b"", fragment: int = 0) -> bytes:
    packet = dpkt.ip.IP(src=V4, dst=HOST_4, p=protocol, ttl=64, data=payload)
    packet.opts = options
    packet.hl = 5 + len(options) // 4
    packet.len = len(packet)
    built = bytearray(bytes(packet))
    struct.pack_into("!H", built, 6, fragment)  # dpkt 1.9.8 deprecates its own name for the whole field
    return bytes(built)


def ipv6(payload: bytes | dpkt.Packet, protocol: int, extensions: bytes = b"") -> bytes:
    """`extensions` are ready-made headers; `protocol` is then the first one's number."""
    body = extensions + bytes(payload)
    packet = dpkt.ip6.IP6(src=V6, dst=HOST_6, nxt=protocol, hlim=64, plen=len(body))
    return bytes(packet)[:40] + body


def extension(following: int, size: int = 8) -> bytes:
    """A hop-by-hop, routing or destination options header of `size` bytes."""
    return bytes([following, size // 8 - 1]) + bytes(size - 2)


def read(packet: bytes) -> tuple[bytes, int] | Oddity:
    return first_packet(packet, 0, len(packet))


def test_a_tcp_syn_is_a_knock() -> None:
    assert read(ipv4(tcp(4617), TCP)) == (V4, Knock.parse("tcp/4617"))
    assert read(ipv6(tcp(4617), TCP)) == (V6, Knock.parse("tcp/4617"))


def test_a_udp_datagram_is_a_knock_with_and_without_payload() -> None:
    for data in (b"", b"hello", bytes(1200)):
        assert read(ipv4(udp(2953, data), UDP)) == (V4, Knock.parse("udp/2953"))
        assert read(ipv6(udp(2953, data), UDP)) == (V6, Knock.parse("udp/2953"))


@pytest.mark.parametrize("flags", [SYN, SYN | PSH, SYN | URG, SYN | 0xC0])
def test_a_syn_with_flags_that_do_not_matter_is_a_knock(flags: int) -> None:
    assert read(ipv4(tcp(4617, flags), TCP)) == (V4, TCP << 16 | 4617)
    assert read(ipv6(tcp(4617, flags), TCP)) == (V6, TCP << 16 | 4617)


@pytest.mark.parametrize("flags", [0, ACK, SYN | ACK, SYN | RST, SYN | FIN, RST, FIN | ACK, 0x3F])
def test_any_other_segment_is_not_a_first_packet(flags: int) -> None:
    assert read(ipv4(tcp(4617, flags), TCP)) is Oddity.LATER
    assert read(ipv6(tcp(4617, flags), TCP)) is Oddity.LATER


def test_all_combinations_of_flags_follow_the_rulesets_test() -> None:
    for flags in range(256):
        wanted = flags & (SYN | ACK | RST | FIN) == SYN
        assert (read(ipv4(tcp(1, flags), TCP)) == (V4, TCP << 16 | 1)) is wanted
        assert (read(ipv6(tcp(1, flags), TCP)) == (V6, TCP << 16 | 1)) is wanted


def test_ipv4_options_are_stepped_over() -> None:
    for size in (4, 12, 40):
        assert read(ipv4(tcp(), TCP, options=b"\x01" * size)) == (V4, TCP << 16 | 4617)
        assert read(ipv4(udp(), UDP, options=b"\x01" * size)) == (V4, UDP << 16 | 2953)


def test_tcp_options_do_not_matter() -> None:
    options = b"\x02\x04\x05\xb4" + b"\x01" * 36
    assert read(ipv4(tcp(options=options), TCP)) == (V4, TCP << 16 | 4617)


def test_ipv6_extension_headers_are_stepped_over() -> None:
    chain = extension(43) + extension(60, 24) + extension(UDP, 16)
    assert read(ipv6(udp(), 0, chain)) == (V6, UDP << 16 | 2953)
    assert read(ipv6(tcp(), 60, extension(TCP))) == (V6, TCP << 16 | 4617)


def test_a_chain_of_extension_headers_without_end_is_given_up() -> None:
    assert read(ipv6(udp(), 60, extension(60) * 7 + extension(UDP))) == (V6, UDP << 16 | 2953)
    assert read(ipv6(udp(), 60, extension(60) * 8 + extension(UDP))) is Oddity.LENGTH


@pytest.mark.parametrize("protocol", [1, 2, 41, 47, 50, 59, 132, 136, 255])
def test_other_protocols_are_no_knocks(protocol: int) -> None:
    assert read(ipv4(bytes(40), protocol)) is Oddity.PROTOCOL
    assert read(ipv6(bytes(40), protocol)) is Oddity.PROTOCOL
    assert read(ipv6(bytes(40), 0, extension(protocol))) is Oddity.PROTOCOL


def test_fragments_are_no_knocks() -> None:
    for fragment in (0x2000, 0x2000 | 185, 185, 1):
        assert read(ipv4(udp(), UDP, fragment=fragment)) is Oddity.FRAGMENT
        assert read(ipv4(tcp(), TCP, fragment=fragment, options=b"\x01" * 4)) is Oddity.FRAGMENT
    assert read(ipv4(udp(), UDP, fragment=0x4000)) == (V4, UDP << 16 | 2953)
    for part in (b"\0\1", b"\0\x08", b"\0\x09", b"\x80\0"):
        assert read(ipv6(udp(), 44, bytes([UDP, 0]) + part + bytes(4))) is Oddity.FRAGMENT
        assert read(ipv6(udp(), 60, extension(44) + bytes([UDP, 0]) + part + bytes(4))) is Oddity.FRAGMENT


def test_an_atomic_fragment_is_a_whole_packet() -> None:
    for reserved in (b"\0\0\0", b"\xff\0\6"):
        assert read(ipv6(udp(), 44, bytes([UDP]) + reserved + bytes(4))) == (V6, UDP << 16 | 2953)


def test_nothing_behind_an_authentication_header_is_a_knock() -> None:
    header = bytes([UDP, 1]) + bytes(10)
    assert read(ipv6(udp(), 51, header)) is Oddity.PROTOCOL
    assert read(ipv6(udp(), 0, extension(51) + header)) is Oddity.PROTOCOL
    assert read(ipv4(header + bytes(udp()), 51)) is Oddity.PROTOCOL


def test_port_0_is_no_knock() -> None:
    assert read(ipv4(tcp(0), TCP)) is Oddity.PORT
    assert read(ipv4(udp(0), UDP)) is Oddity.PORT
    assert read(ipv6(udp(0), UDP)) is Oddity.PORT


def test_a_payload_cut_short_by_the_capture_is_fine() -> None:
    packet = ipv4(udp(2953, bytes(1000)), UDP)
    assert first_packet(packet, 0, 96) == (V4, UDP << 16 | 2953)
    assert read(packet[:96]) == (V4, UDP << 16 | 2953)
    assert read(ipv6(tcp(data=bytes(900)), TCP)[:96]) == (V6, TCP << 16 | 4617)


def test_headers_cut_short_are_told_at_every_length() -> None:
    for packet, enough in (
        (ipv4(tcp(), TCP), 34),
        (ipv4(udp(), UDP), 28),
        (ipv6(tcp(), TCP), 54),
        (ipv6(udp(), UDP), 48),
        (ipv4(udp(), UDP, options=b"\x01" * 8), 36),
        (ipv6(udp(), 0, extension(UDP, 16)), 64),
    ):
        for size in range(len(packet)):
            verdict = read(packet[:size])
            assert isinstance(verdict, tuple) if size >= enough else verdict is Oddity.SHORT


def test_bytes_after_the_packets_own_length_are_ignored() -> None:
    assert read(ipv4(udp(), UDP) + bytes(18)) == (V4, UDP << 16 | 2953)
    assert read(ipv6(tcp(), TCP) + b"\xff" * 30) == (V6, TCP << 16 | 4617)


def test_a_packet_inside_a_longer_buffer_is_read_where_it_is() -> None:
    packet = ipv4(tcp(), TCP)
    for buffer in (bytes(13) + packet + bytes(99), bytearray(13) + packet, memoryview(bytes(13) + packet)):
        assert first_packet(buffer, 13, 13 + len(packet)) == (V4, TCP << 16 | 4617)
        assert destination(buffer, 13) == HOST_4


def test_the_destination_is_told() -> None:
    assert destination(ipv4(tcp(), TCP), 0) == HOST_4
    assert destination(ipv6(tcp(), TCP), 0) == HOST_6


@pytest.mark.parametrize(
    ("packet", "field", "value"),
    [
        pytest.param(ipv4(udp(), UDP), (2, "!H"), 27, id="total length without room for UDP"),
        pytest.param(ipv4(tcp(), TCP), (2, "!H"), 39, id="total length without room for TCP"),
        pytest.param(ipv4(tcp(), TCP), (2, "!H"), 0, id="total length 0"),
        pytest.param(ipv4(tcp(), TCP), (0, "B"), 0x44, id="an IPv4 header of 16 bytes"),
        pytest.param(ipv4(tcp(), TCP), (32, "B"), 0x40, id="a TCP header of 16 bytes"),
        pytest.param(ipv4(tcp(), TCP), (32, "B"), 0x60, id="a TCP header longer than the packet"),
        pytest.param(ipv4(udp(), UDP), (24, "!H"), 7, id="a UDP length below its header"),
        pytest.param(ipv4(udp(), UDP), (24, "!H"), 9, id="a UDP length past the packet"),
        pytest.param(ipv6(udp(), UDP), (4, "!H"), 7, id="an IPv6 payload without room for UDP"),
        pytest.param(ipv6(tcp(), TCP), (4, "!H"), 0, id="an IPv6 payload of 0"),
        pytest.param(ipv6(udp(), 60, extension(UDP)), (41, "B"), 9, id="an extension past the payload"),
        pytest.param(ipv4(tcp(), TCP), (0, "B"), 0x55, id="IP version 5"),
        pytest.param(ipv4(tcp(), TCP), (0, "B"), 0, id="IP version 0"),
    ],
)
def test_lengths_that_do_not_hold_are_told(packet: bytes, field: tuple[int, str], value: int) -> None:
    assert isinstance(read(packet), tuple)
    changed = bytearray(packet)
    struct.pack_into(field[1], changed, field[0], value)
    assert read(bytes(changed)) is Oddity.LENGTH


def test_random_valid_packets_are_read_as_dpkt_reads_them() -> None:
    rng = random.Random(1)
    for _ in range(3000):
        protocol = rng.choice((TCP, UDP))
        port, data = rng.randrange(1, 65536), rng.randbytes(rng.choice((0, 0, 1, 30, 500)))
        filler = b"\x01" * rng.randrange(0, 11) * 4
        body = tcp(port, rng.randrange(256), filler, data) if protocol == TCP else udp(port, data)
        if rng.random() < 0.5:
            packet = ipv4(body, protocol, b"\x01" * (4 * rng.randrange(0, 11)))
            theirs = dpkt.ip.IP(packet)
        else:
            wrapped = rng.random() < 0.5
            header = extension(protocol, 8 * rng.randrange(1, 5)) if wrapped else b""
            packet = ipv6(body, 60 if wrapped else protocol, header)
            theirs = dpkt.ip6.IP6(packet)
        first = protocol == UDP or theirs.data.flags & (SYN | ACK | RST | FIN) == SYN
        expected = (theirs.src, theirs.p << 16 | theirs.data.dport) if first else Oddity.LATER
        assert read(packet) == expected


def test_a_source_is_masked_to_its_prefix() -> None:
    mask = masking(Widths(24, 64))
    assert mask is not None
    assert mask(V4) == ip_address("192.0.2.0").packed
    assert mask(ip_address("2001:db8:1:2:3:4:5:6").packed) == ip_address("2001:db8:1:2::").packed


def test_masking_agrees_with_the_nouns_at_every_length() -> None:
    rng = random.Random(2)
    for bits in range(1, 33):
        mask, address = masking(Widths(bits, 4 * bits - 1)), rng.randbytes(16)
        assert mask is not None
        assert mask(address[:4]) == Source.of(address[:4], bits).packed
        assert mask(address) == Source.of(address, 4 * bits - 1).packed


def test_whole_addresses_need_no_mask() -> None:
    assert masking(Widths(32, 128)) is None
