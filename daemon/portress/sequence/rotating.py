"""Sequences that change every 30 seconds: (secret, site, door, rule, time step) -> Sequence.

Specified in shared/sequence/v1.md, held to shared/sequence/vectors.json. Pure: the time is an argument.
"""

from __future__ import annotations

import hmac
from collections.abc import Iterable
from struct import Struct
from typing import Final

from portress.config.model import Rotating
from portress.keyholders.secret import checked
from portress.knock import Knock, Sequence

_WORDS: Final = Struct(">8I")


def mac(secret: bytes, message: bytes) -> bytes:
    """HMAC-SHA-256, 32 bytes (RFC 2104, RFC 4231)."""
    return hmac.digest(secret, message, "sha256")


def derive(secret: bytes, door: str, rotating: Rotating, step: int, site: str = "") -> Sequence:
    """The sequence that opens `door` of `site` in time step `step` (0 to 2^64 - 1) for `secret`.

    Raises ValueError for a secret under 128 bits, and for a length that the pool has not enough knocks for.
    """
    return _derived(b"portress-1", secret, door, rotating, step, site)


def leaving(secret: bytes, door: str, rotating: Rotating, step: int, site: str = "") -> Sequence:
    """The sequence that ends what the holder of `secret` has at `door` of `site`, in time step `step`.

    A domain of its own: nobody who sees one can tell anything of the sequences that open. Raises as `derive`.
    """
    return _derived(b"portress-1-leave", secret, door, rotating, step, site)


def _derived(label: bytes, secret: bytes, door: str, rotating: Rotating, step: int, site: str) -> Sequence:
    message = b"%b\0%b\0%b\0" % (label, site.encode(), door.encode()) + step.to_bytes(8, "big")
    rule = rotating.pool, rotating.protocols, rotating.length
    return Sequence(drawn(secret, message, *rule, last_protocol=rotating.last), rotating.gap)


def drawn(
    secret: bytes,
    message: bytes,
    pool: tuple[int, int],
    protocols: Iterable[int],
    length: int,
    openers: int | None = None,
    last_protocol: int | None = None,
) -> tuple[Knock, ...]:
    """So many different knocks from the word stream of `message`, the first from the first `openers` ports
    alone, the last of `last_protocol` if one is given.

    Raises ValueError for a secret under 128 bits, and for a length that the pool has not enough knocks for.
    """
    checked(secret)
    first, last = pool
    whole = last - first + 1
    ordered = sorted(protocols)  # tcp (6) before udp (17)
    if not 1 <= length <= whole * len(ordered):
        raise ValueError(f"a length is 1 to {whole * len(ordered)} with this pool and these protocols")
    if last_protocol is not None and whole < length:
        raise ValueError(f"a length is 1 to {whole} with this pool, for the last knock has one protocol")
    size = whole if openers is None else min(openers, whole)
    # A dict keeps the order of the knocks and finds the ones already there at once.
    knocks: dict[Knock, None] = {}
    counter = 0
    while True:
        for word in _WORDS.unpack(mac(secret, message + counter.to_bytes(4, "big"))):
            closing = last_protocol if len(knocks) == length - 1 else None
            choices = size * len(ordered) if closing is None else whole
            if word < (1 << 32) // choices * choices:
                protocol, offset = divmod(word % choices, size)
                number = ordered[protocol] if closing is None else closing
                knocks[Knock(number << 16 | first + offset)] = None
                size = whole
                if len(knocks) == length:
                    return tuple(knocks)
        counter += 1
