"""Sessions that go on: how one is written in the kernel's set and for nft, and whose it is."""

from __future__ import annotations

from ipaddress import ip_address

import pytest

from portress.guard.continuing import Session
from portress.knock import TCP, UDP, Among, Service, Source

FOUR = Session(TCP, ip_address("192.0.2.7").packed, 40000, ip_address("198.51.100.1").packed, 22)
SIX = Session(UDP, ip_address("2001:db8::7").packed, 1, ip_address("2001:db8:1::1").packed, 51820)
# Each part of a concatenation fills whole registers of 4 bytes (nft(8), "Concatenations"; linux nf_tables.h).
KEYS = [
    (FOUR, "06000000c00002079c400000c633640100160000"),
    (
        SIX,
        "1100000020010db80000000000000000000000070001000020010db8000100000000000000000001ca6c0000",
    ),
]


@pytest.mark.parametrize(("session", "key"), KEYS)
def test_a_session_is_an_element_and_back(session: Session, key: str) -> None:
    assert session.key == bytes.fromhex(key)
    assert Session.of(bytes.fromhex(key)) == session


def test_a_session_knows_its_family_and_how_nft_writes_it() -> None:
    assert (FOUR.family, SIX.family) == (4, 6)
    assert str(FOUR) == "tcp . 192.0.2.7 . 40000 . 198.51.100.1 . 22"
    assert str(SIX) == "udp . 2001:db8::7 . 1 . 2001:db8:1::1 . 51820"


@pytest.mark.parametrize(
    ("source", "service", "its"),
    [
        ("192.0.2.7", "tcp/22", True),
        ("192.0.2.7", "tcp/20-30", True),
        ("192.0.2.7", "tcp/22@198.51.100.1", True),
        ("192.0.2.7", "tcp/22@198.51.100.2", False),
        ("192.0.2.7", "tcp/23", False),
        ("192.0.2.7", "udp/22", False),
        ("192.0.2.8", "tcp/22", False),
    ],
)
def test_a_session_is_of_its_source_with_its_service(source: str, service: str, its: bool) -> None:
    assert FOUR.belongs(Among([Source.parse(source)]), [Service.parse(service)]) is its
