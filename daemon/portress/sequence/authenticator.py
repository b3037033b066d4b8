"""Sequences read off an authenticator app's code: (secret, rule, time step) -> Sequence.

The code is RFC 6238's with HMAC-SHA-1, 8 digits and steps of 30 seconds; shared/sequence/v1.md says which
ports it stands for. Pure: the time is an argument.
"""

from __future__ import annotations

import hmac

from portress.config.model import Authenticator
from portress.keyholders.secret import checked
from portress.knock import TCP, Knock, Sequence


def code(secret: bytes, step: int, digits: int = 8) -> str:
    """The code of time step `step` (0 to 2^64 - 1), `digits` (6 to 8) long (RFC 4226, section 5.3; RFC 6238).

    Raises ValueError for a secret under 128 bits.
    """
    tag = hmac.digest(checked(secret), step.to_bytes(8, "big"), "sha1")
    offset = tag[19] & 15
    number = int.from_bytes(tag[offset : offset + 4], "big") & 0x7FFFFFFF
    return f"{number % 10**digits:0{digits}}"


def derive(secret: bytes, authenticator: Authenticator, step: int) -> Sequence:
    """The sequence of time step `step`: knock i goes to tcp port base + 100 i + the code's pair i.

    Raises ValueError for a secret under 128 bits, and for a base that leaves the ports' range.
    """
    digits = code(secret, step)
    knocks = (Knock.of(TCP, authenticator.base + 100 * i + int(digits[2 * i : 2 * i + 2])) for i in range(4))
    return Sequence(tuple(knocks), authenticator.gap)
