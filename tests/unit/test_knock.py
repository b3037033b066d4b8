"""The nouns: what may be written for them, what may not, and what they say of themselves."""

from __future__ import annotations

import re
from ipaddress import IPv4Address, IPv6Address, ip_network

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from portress.knock import SECOND, TCP, UDP, Knock, Sequence, Service, Source

protocols = st.sampled_from([TCP, UDP])
ports = st.integers(1, 65535)
packed = st.one_of(st.binary(min_size=4, max_size=4), st.binary(min_size=16, max_size=16))


def test_a_knock_is_a_protocol_and_a_port() -> None:
    knock = Knock.parse("udp/2953")
    assert (knock.protocol, knock.port) == (UDP, 2953)


def test_a_knock_equals_the_number_the_packet_path_computes() -> None:
    found: dict[int, str] = {Knock.parse("tcp/4617"): "found"}
    assert found[6 << 16 | 4617] == "found"


@given(protocols, ports)
def test_a_knock_is_read_as_it_is_written(protocol: int, port: int) -> None:
    knock = Knock.of(protocol, port)
    assert Knock.parse(str(knock)) == knock
    assert (knock.protocol, knock.port) == (protocol, port)


def test_a_knock_shows_itself_as_it_is_written() -> None:
    assert repr(Knock.parse("tcp/4617")) == "Knock('tcp/4617')"


@pytest.mark.parametrize(
    ("text", "right"),
    [
        ("", "tcp/4617"),
        ("4617", "tcp/4617"),
        ("tcp/", "tcp/4617"),
        ("sctp/4617", "tcp or udp"),
        ("TCP/4617", "tcp or udp"),
        ("/4617", "tcp or udp"),
        ("tcp/0", "1 to 65535"),
        ("tcp/65536", "1 to 65535"),
        ("tcp/99999999999999999999", "1 to 65535"),
        ("tcp/-1", "1 to 65535"),
        ("tcp/+1", "1 to 65535"),
        ("tcp/071", "1 to 65535"),
        ("tcp/7 ", "1 to 65535"),
        ("tcp/7_1", "1 to 65535"),
        ("tcp/٧", "1 to 65535"),
        ("tcp/²", "1 to 65535"),
        ("tcp/4617/2", "1 to 65535"),
        ("tcp/ssh", "1 to 65535"),
    ],
)
def test_what_is_no_knock_is_refused_with_what_would_be_right(text: str, right: str) -> None:
    with pytest.raises(ValueError, match=right):
        Knock.parse(text)


@pytest.mark.parametrize(("protocol", "port"), [(1, 80), (0, 80), (TCP, 0), (UDP, 65536), (TCP, -1)])
def test_no_knock_is_made_of_other_numbers(protocol: int, port: int) -> None:
    with pytest.raises(ValueError, match=r"tcp or udp|1 to 65535"):
        Knock.of(protocol, port)


def test_a_sequence_has_a_knock() -> None:
    with pytest.raises(ValueError, match="at least one knock"):
        Sequence((), SECOND)


def test_a_sequences_knocks_all_differ() -> None:
    with pytest.raises(ValueError, match="all different"):
        Sequence((Knock.parse("tcp/4617"), Knock.parse("udp/2953"), Knock.parse("tcp/4617")), SECOND)


def test_the_same_port_of_the_other_protocol_is_another_knock() -> None:
    assert len(Sequence((Knock.parse("tcp/4617"), Knock.parse("udp/4617")), SECOND).knocks) == 2


@pytest.mark.parametrize("gap", [0, -1])
def test_a_gap_is_longer_than_nothing(gap: int) -> None:
    with pytest.raises(ValueError, match="longer than 0"):
        Sequence((Knock.parse("tcp/4617"),), gap)


def test_a_service_is_one_port() -> None:
    assert Service.parse("tcp/22") == Service(TCP, 22, 22)


def test_a_service_is_a_range_of_ports() -> None:
    assert Service.parse("tcp/8000-8010") == Service(TCP, 8000, 8010)


@pytest.mark.parametrize("text", ["tcp/22", "udp/51820", "tcp/8000-8010", "udp/1-65535"])
def test_a_service_is_written_as_it_was_read(text: str) -> None:
    assert str(Service.parse(text)) == text


def test_a_range_of_one_port_is_that_port() -> None:
    assert str(Service.parse("tcp/22-22")) == "tcp/22"


@pytest.mark.parametrize(
    "text", ["22", "tcp", "tcp/", "tcp/-22", "tcp/22-", "tcp/22-23-24", "tcp/0-22", "tcp/22-65536", "any/22"]
)
def test_what_is_no_service_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"tcp/22|tcp or udp|1 to 65535"):
        Service.parse(text)


def test_a_range_written_backwards_is_refused_with_the_right_order() -> None:
    with pytest.raises(ValueError, match="from the lower port to the higher"):
        Service.parse("tcp/8410-8400")


@pytest.mark.parametrize(
    ("knock", "inside"),
    [
        ("tcp/8399", False),
        ("tcp/8400", True),
        ("tcp/8410", True),
        ("tcp/8411", False),
        ("udp/8405", False),
    ],
)
def test_a_service_holds_the_knocks_from_its_first_port_to_its_last(knock: str, inside: bool) -> None:
    assert (Knock.parse(knock) in Service.parse("tcp/8400-8410")) is inside


@pytest.mark.parametrize(
    ("other", "overlap"),
    [
        ("tcp/8410", True),
        ("tcp/8400", True),
        ("tcp/7400-8700", True),
        ("tcp/8403-8404", True),
        ("tcp/8411-8420", False),
        ("tcp/8390-8399", False),
        ("udp/8400-8410", False),
    ],
)
def test_services_overlap_when_they_share_a_port(other: str, overlap: bool) -> None:
    one, two = Service.parse("tcp/8400-8410"), Service.parse(other)
    assert one.overlaps(two) is overlap
    assert two.overlaps(one) is overlap


def test_services_sort_by_protocol_and_port() -> None:
    written = ["udp/53", "tcp/8400-8410", "tcp/443", "tcp/22"]
    assert [str(one) for one in sorted(map(Service.parse, written))] == [
        "tcp/22",
        "tcp/443",
        "tcp/8400-8410",
        "udp/53",
    ]


@pytest.mark.parametrize(
    ("text", "packed", "length"),
    [
        ("192.0.2.7", bytes([192, 0, 2, 7]), 32),
        ("192.0.2.0/24", bytes([192, 0, 2, 0]), 24),
        ("2001:db8::7", IPv6Address("2001:db8::7").packed, 128),
        ("2001:db8::/64", IPv6Address("2001:db8::").packed, 64),
    ],
)
def test_a_source_is_an_address_or_a_prefix(text: str, packed: bytes, length: int) -> None:
    assert Source.parse(text) == Source(packed, length)
    assert str(Source.parse(text)) == text


@pytest.mark.parametrize(
    ("text", "source"), [("192.0.2.7/24", "192.0.2.0/24"), ("2001:db8::7/64", "2001:db8::/64")]
)
def test_bits_beyond_the_prefix_do_not_count(text: str, source: str) -> None:
    assert Source.parse(text) == Source.parse(source)


@pytest.mark.parametrize(
    ("text", "source"),
    [
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("::ffff:c000:207", "192.0.2.7"),
        ("::ffff:192.0.2.0/120", "192.0.2.0/24"),
        ("::ffff:0:0/95", "::fffe:0:0/95"),
        ("::192.0.2.7", "::c000:207"),
    ],
)
def test_an_ipv4_mapped_address_is_the_ipv4_address(text: str, source: str) -> None:
    assert str(Source.parse(text)) == source


def test_the_zone_of_an_address_is_left_out() -> None:
    assert Source.parse("2001:db8::7%eth0") == Source.parse("2001:db8::7")


@pytest.mark.parametrize(
    "text",
    ["", "192.0.2", "192.0.2.256", "192.0.2.7/33", "2001:db8::/129", "host.example", "192.0.2.7 ", "/24"],
)
def test_what_is_no_source_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="an address or a prefix"):
        Source.parse(text)


def test_all_of_an_address_counts_unless_told_otherwise() -> None:
    assert Source.of(IPv4Address("192.0.2.7").packed) == Source.parse("192.0.2.7")


@settings(suppress_health_check=[HealthCheck.too_slow])  # a busy machine's first draw
@given(packed, st.integers(1, 128))
def test_an_address_stands_for_the_prefix_it_is_in(packed: bytes, length: int) -> None:
    length = min(length, len(packed) * 8)
    assert Source.of(packed, length).network == ip_network((packed, length), strict=False)


def test_a_prefix_longer_than_an_address_is_the_address() -> None:
    assert Source.of(IPv4Address("192.0.2.7").packed, 128) == Source.parse("192.0.2.7/32")


def test_a_source_knows_its_family() -> None:
    assert [Source.parse(text).family for text in ("192.0.2.0/24", "2001:db8::7")] == [4, 6]


@pytest.mark.parametrize(
    "text", ["tcp/443@172.17.0.2", "tcp/22@2001:db8:7::/63", "tcp/8000-8010@172.17.0.0/16", "udp/5@::1"]
)
def test_a_service_with_a_destination_is_written_as_it_is_read(text: str) -> None:
    assert str(Service.parse(text)) == text


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("tcp/443@", "an address or a prefix"),
        ("tcp/443@host", "an address or a prefix"),
        ("tcp/443@172.17.0.2@172.17.0.3", "an address or a prefix"),
        ("tcp/443@fe80::1%eth0", "an address or a prefix"),
        ("tcp/443@172.17.0.2/33", "an address or a prefix"),
        ("tcp/443@172.17.0.2/16", "bits beyond the prefix are set: write @172.17.0.0/16"),
        ("tcp/443@::ffff:172.17.0.2", "write an IPv4 address in its IPv4 form"),
    ],
)
def test_a_wrong_destination_is_refused_with_what_is_right(text: str, told: str) -> None:
    with pytest.raises(ValueError, match=re.escape(told)):
        Service.parse(text)


@pytest.mark.parametrize(
    ("one", "other", "both"),
    [
        ("tcp/443", "tcp/443@172.17.0.2", False),
        ("tcp/443@172.17.0.0/16", "tcp/443@172.17.0.2", True),
        ("tcp/443@172.17.0.0/16", "tcp/80-500@172.17.0.2", True),
        ("tcp/443@172.17.0.0/16", "tcp/444@172.17.0.2", False),
        ("tcp/443@172.17.0.0/16", "udp/443@172.17.0.2", False),
        ("tcp/443@172.17.0.0/16", "tcp/443@172.18.0.2", False),
        ("tcp/443@2001:db8::/63", "tcp/443@2001:db8:0:1::7", True),
        ("tcp/443@2001:db8::/63", "tcp/443@2001:db8:0:2::7", False),
        ("tcp/443@0.0.0.0/0", "tcp/443@2001:db8::7", False),
    ],
)
def test_services_overlap_in_ports_and_destination(one: str, other: str, both: bool) -> None:
    first, second = Service.parse(one), Service.parse(other)
    assert first.overlaps(second) is second.overlaps(first) is both


def test_a_service_covers_its_destination_and_no_neighbour() -> None:
    service = Service.parse("tcp/443@192.0.2.32/27")
    assert [service.covers(bytes((192, 0, 2, last))) for last in (31, 32, 63, 64)] == [
        False,
        True,
        True,
        False,
    ]
    assert not service.covers(bytes((192, 0, 2, 32)) + bytes(12))
    assert Service.parse("tcp/443").covers(bytes(4))
