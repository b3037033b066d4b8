"""Rotating sequences: HMAC-SHA-256 as RFC 4231 has it, time steps as RFC 6238 has them, and even odds."""

from __future__ import annotations

import math
import random
from collections import Counter

import pytest

import make_vectors
from portress.clock import step_at
from portress.config.model import Rotating
from portress.keyholders import secret
from portress.knock import SECOND, TCP, UDP, Knock
from portress.sequence import rotating

ANA = bytes(range(20))
VPN = Rotating((20000, 51999), (TCP, UDP), 4, 10 * SECOND, 1)

# RFC 4231, sections 4.2 to 4.8: key, data, HMAC-SHA-256 (case 5 gives its first 128 bits).
RFC_4231 = {
    1: (b"\x0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    2: (
        b"Jefe",
        b"what do ya want for nothing?",
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
    ),
    3: (b"\xaa" * 20, b"\xdd" * 50, "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
    4: (
        bytes(range(1, 26)),
        b"\xcd" * 50,
        "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b",
    ),
    5: (b"\x0c" * 20, b"Test With Truncation", "a3b6167473100ee06e0c796c2955552b"),
    6: (
        b"\xaa" * 131,
        b"Test Using Larger Than Block-Size Key - Hash Key First",
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
    ),
    7: (
        b"\xaa" * 131,
        b"This is a test using a larger than block-size key and a larger than block-size data. "
        b"The key needs to be hashed before being used by the HMAC algorithm.",
        "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
    ),
}


@pytest.mark.parametrize("case", RFC_4231)
def test_the_mac_is_that_of_rfc_4231(case: int) -> None:
    key, data, expected = RFC_4231[case]
    assert rotating.mac(key, data).hex().startswith(expected)


@pytest.mark.parametrize("case", RFC_4231)
def test_the_vectors_own_mac_is_that_of_rfc_4231(case: int) -> None:
    key, data, expected = RFC_4231[case]
    assert make_vectors.mac("sha256", key, data).hex().startswith(expected)


@pytest.mark.parametrize(("unix", "step"), [(0, 0), (29.999, 0), (30, 1), (59, 1), (1111111109, 0x23523EC)])
def test_a_step_lasts_30_seconds_from_1970_on(unix: float, step: int) -> None:
    assert step_at(unix) == step  # the last two: RFC 6238, appendix B, column "Value of T (hex)"


def test_there_is_no_step_before_1970() -> None:
    with pytest.raises(ValueError, match="1970"):
        step_at(-1)


def test_a_sequence_has_the_doors_gap() -> None:
    assert rotating.derive(ANA, "vpn", VPN, 1).gap == 10 * SECOND


def test_protocols_count_tcp_first_however_they_are_given() -> None:
    swapped = Rotating(VPN.pool, (UDP, TCP), VPN.length, VPN.gap, VPN.skew)
    assert rotating.derive(ANA, "vpn", swapped, 1) == rotating.derive(ANA, "vpn", VPN, 1)


def test_door_and_step_each_change_the_sequence() -> None:
    derived = {rotating.derive(ANA, door, VPN, step) for door in ("vpn", "ssh") for step in (1, 2)}
    assert len(derived) == 4


def test_the_whole_pool_can_be_used_up() -> None:
    tiny = Rotating((4617, 4619), (TCP, UDP), 6, SECOND, 1)
    knocks = rotating.derive(ANA, "vpn", tiny, 1).knocks
    assert sorted(knocks) == [
        Knock.of(protocol, port) for protocol in (TCP, UDP) for port in (4617, 4618, 4619)
    ]


@pytest.mark.parametrize("length", [0, 7])
def test_a_length_beyond_the_pool_is_refused(length: int) -> None:
    with pytest.raises(ValueError, match="a length is 1 to 6"):
        rotating.derive(ANA, "vpn", Rotating((4617, 4619), (TCP, UDP), length, SECOND, 1), 1)


def test_a_secret_under_128_bits_is_refused() -> None:
    with pytest.raises(ValueError, match="128 bits"):
        rotating.derive(bytes(15), "vpn", VPN, 1)


def test_a_secret_of_128_bits_is_accepted() -> None:
    assert len(rotating.derive(bytes(16), "vpn", VPN, 1).knocks) == 4


def test_a_new_secret_has_160_bits_of_the_randomness_given() -> None:
    assert secret.generate(lambda size: bytes(range(size))) == bytes(range(20))


def test_randomness_that_runs_dry_makes_no_secret() -> None:
    with pytest.raises(ValueError, match="128 bits"):
        secret.generate(lambda size: b"")


@pytest.mark.parametrize("size", range(16, 66))
def test_base32_leads_back_to_the_secret(size: int) -> None:
    made = random.Random(size).randbytes(size)
    assert secret.from_base32(secret.to_base32(made)) == made


def test_base32_is_read_as_people_copy_it() -> None:
    text = secret.to_base32(ANA)
    copied = "-".join(text[i : i + 4].lower() for i in range(0, len(text), 4)) + " ==\n"
    assert secret.from_base32(copied) == ANA


@pytest.mark.parametrize("text", ["1" * 32, "A" * 31 + "0", "ß" * 32, "A" * 31 + "\0", "A" * 31 + "é"])
def test_what_is_not_base32_is_refused_without_being_quoted(text: str) -> None:
    with pytest.raises(ValueError, match="base32") as refused:
        secret.from_base32(text)
    assert text not in str(refused.value)


def test_a_short_base32_secret_is_refused() -> None:
    with pytest.raises(ValueError, match="128 bits"):
        secret.from_base32("A" * 25)


def critical(freedom: int, deviation: float) -> float:
    """The chi-squared value exceeded by chance alone as often as a normal value exceeds `deviation`.

    Wilson and Hilferty's approximation (Abramowitz and Stegun, Handbook of Mathematical Functions, 26.4.17).
    """
    part = 2 / (9 * freedom)
    return freedom * (1 - part + deviation * math.sqrt(part)) ** 3


def chi_squared(counts: Counter[int], cells: int) -> float:
    expected = counts.total() / cells
    return sum((counts[cell] - expected) ** 2 / expected for cell in range(cells))


DEVIATION = 3.0902  # of the normal distribution: one-sided significance 0.001


def test_the_critical_value_is_the_tables() -> None:
    # Abramowitz and Stegun, table 26.8: 100 degrees of freedom, Q = 0.001: 149.449.
    assert critical(100, DEVIATION) == pytest.approx(149.449, rel=1e-3)


def test_knocks_spread_evenly_over_the_pool() -> None:
    """128 cells of 500 knocks each, 40,000 sequences, fixed seed; significance 0.001 for each of 4 places."""
    chance = random.Random(4231)
    places = [Counter[int]() for _ in range(4)]
    for _ in range(40_000):
        knocks = rotating.derive(chance.randbytes(20), "vpn", VPN, chance.getrandbits(40)).knocks
        for place, knock in zip(places, knocks, strict=True):
            place[((knock.protocol == UDP) * 32_000 + knock.port - 20_000) // 500] += 1
    for place in places:
        assert chi_squared(place, 128) < critical(127, DEVIATION)


def test_every_port_of_a_pool_is_as_likely_as_the_next() -> None:
    """37 ports, 2 protocols, one cell each: the first and the last port would show a slip by one."""
    chance = random.Random(6238)
    small = Rotating((4617, 4653), (TCP, UDP), 1, SECOND, 1)
    made = chance.randbytes(20)
    counts = Counter[int]()
    for step in range(40_000):
        (knock,) = rotating.derive(made, "vpn", small, step).knocks
        counts[(knock.protocol == UDP) * 37 + knock.port - 4617] += 1
    assert counts.total() == 40_000
    assert chi_squared(counts, 74) < critical(73, DEVIATION)


def test_the_evenness_check_notices_a_lean_of_a_tenth() -> None:
    chance = random.Random(1)
    leaning = Counter(chance.choices(range(74), weights=[1.1] * 37 + [0.9] * 37, k=40_000))
    assert chi_squared(leaning, 74) > critical(73, DEVIATION)
