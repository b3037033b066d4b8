"""Authenticator codes against RFC 4226, RFC 6238 and oathtool, and the ports that a code stands for."""

from __future__ import annotations

import random
import subprocess
from concurrent.futures import ThreadPoolExecutor

import pytest

import client
from portress.clock import step_at
from portress.config.model import Authenticator
from portress.knock import SECOND
from portress.sequence import authenticator

SECRET = b"12345678901234567890"  # RFC 4226, appendix D; RFC 6238, appendix B for SHA-1
SSH = Authenticator(21000, 30 * SECOND, 1)

# RFC 4226, appendix D, second table, column "Decimal", counts 0 to 9; the "HOTP" column is the last 6 digits.
RFC_4226 = [
    1284755224,
    1094287082,
    137359152,
    1726969429,
    1640338314,
    868254676,
    1918287922,
    82162583,
    673399871,
    645520489,
]

# RFC 6238, appendix B: time in seconds, and TOTP for mode SHA1.
RFC_6238 = {
    59: "94287082",
    1111111109: "07081804",
    1111111111: "14050471",
    1234567890: "89005924",
    2000000000: "69279037",
    20000000000: "65353130",
}


@pytest.mark.parametrize("count", range(10))
@pytest.mark.parametrize("digits", [6, 7, 8])
def test_codes_are_those_of_rfc_4226(count: int, digits: int) -> None:
    assert authenticator.code(SECRET, count, digits) == str(RFC_4226[count])[-digits:].zfill(digits)


@pytest.mark.parametrize("unix", RFC_6238)
def test_codes_are_those_of_rfc_6238(unix: int) -> None:
    assert authenticator.code(SECRET, step_at(unix)) == RFC_6238[unix]


def test_the_code_of_59_seconds_goes_to_four_ports_in_order() -> None:
    sequence = authenticator.derive(SECRET, SSH, step_at(59))
    assert [str(knock) for knock in sequence.knocks] == ["tcp/21094", "tcp/21128", "tcp/21270", "tcp/21382"]


def test_the_gap_is_the_doors() -> None:
    assert authenticator.derive(SECRET, SSH, 1).gap == 30 * SECOND


def test_a_secret_under_128_bits_is_refused() -> None:
    with pytest.raises(ValueError, match="128 bits"):
        authenticator.derive(bytes(15), SSH, 1)


def test_a_base_whose_hundreds_leave_the_ports_is_refused() -> None:
    with pytest.raises(ValueError, match="1 to 65535"):
        authenticator.derive(SECRET, Authenticator(65500, SECOND, 1), 1)


def of_oathtool(secret: bytes, unix: int) -> str:
    command = ["oathtool", "--totp=sha1", "--digits=8", f"--now=@{unix}", "-"]
    answer = subprocess.run(
        command, input=secret.hex(), capture_output=True, text=True, check=True, timeout=20
    )
    return answer.stdout.strip()


def test_a_thousand_codes_are_those_of_oathtool() -> None:
    """1,000 secrets of 16 to 64 bytes, times to beyond step 2^32; judge: oathtool of the OATH Toolkit."""
    alone = client.load()
    chance = random.Random(4226)
    asked = [
        (chance.randbytes(chance.randint(16, 64)), chance.randrange(2 ** chance.randint(5, 40)))
        for _ in range(1000)
    ]
    with ThreadPoolExecutor(2) as pool:
        answers = list(pool.map(lambda pair: of_oathtool(*pair), asked))
    assert [authenticator.code(secret, unix // 30) for secret, unix in asked] == answers
    assert [alone.code(secret, unix // 30) for secret, unix in asked] == answers
