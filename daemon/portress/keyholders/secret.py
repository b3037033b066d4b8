"""Keyholders' secrets: made, measured, written as base32 and read back.

Randomness comes in as an argument. Nothing here puts a secret into an error's text.
"""

from __future__ import annotations

import base64
import hmac
from collections.abc import Callable
from typing import Final

SHORTEST: Final = 16  # bytes: RFC 4226, section 4, R6: at least 128 bits
CLAIM: Final = 16  # bytes
USUAL: Final = 20  # bytes: the 160 bits that R6 recommends


def generate(randomness: Callable[[int], bytes]) -> bytes:
    """A new secret of 160 bits; `randomness` gives as many bytes as asked for, as `os.urandom` does."""
    return checked(randomness(USUAL))


def checked(secret: bytes) -> bytes:
    """The secret itself. Raises ValueError if it has less than 128 bits (RFC 4226, section 4, R6)."""
    if len(secret) < SHORTEST:
        raise ValueError(f"a secret has at least 128 bits (RFC 4226), this one has {len(secret) * 8}")
    return secret


def claim(secret: bytes, door: str = "") -> bytes:
    """What the uses of a secret's sequences at `door` are remembered under, 16 bytes. It gives nothing away.

    A keyed hash (HMAC-SHA-256, cut to 128 bits), so that uses belong to the secret: whoever bears it,
    whatever secret came between. Without a door: one for all of them.
    """
    return hmac.digest(secret, b"portress-use\0" + door.encode(), "sha256")[:CLAIM]


def paper_claim(secret: bytes, door: str, number: int) -> bytes:
    """What the use of sequence `number` on paper is remembered under, 16 bytes; it belongs to the secret."""
    message = b"portress-paper-use\0%b\0%b" % (door.encode(), number.to_bytes(8, "big"))
    return hmac.digest(secret, message, "sha256")[:CLAIM]


def leaving_claim(secret: bytes, door: str) -> bytes:
    """What the uses of a secret's leaving sequences at `door` are remembered under, 16 bytes: apart from
    those that open, so that whoever has just come in can leave."""
    return hmac.digest(secret, b"portress-leave-use\0" + door.encode(), "sha256")[:CLAIM]


def to_base32(secret: bytes) -> str:
    """RFC 4648, section 6, without padding."""
    return base64.b32encode(secret).decode().rstrip("=")


def from_base32(text: str) -> bytes:
    """Read base32 as people copy it: case, blanks, hyphens and padding do not matter.

    Raises ValueError for any other character, and for less than 128 bits.
    """
    letters = "".join(text.split()).replace("-", "").replace("=", "")
    letters = letters.upper() if letters.isascii() else letters
    if set(letters) - set("ABCDEFGHIJKLMNOPQRSTUVWXYZ234567"):
        raise ValueError("a secret is written in base32: the letters A to Z and the digits 2 to 7")
    whole = len(letters) * 5 // 8
    return checked(base64.b32decode(letters + "A" * (-len(letters) % 8))[:whole])
