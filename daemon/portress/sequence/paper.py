"""Sequences on paper: (secret, site, door, rule, number) -> Sequence. No clock takes part.

Specified in shared/sequence/v1.md, "Paper", held to shared/sequence/vectors.json. Pure.
"""

from __future__ import annotations

from typing import Final

from portress.config.model import Paper
from portress.knock import Sequence
from portress.sequence.rotating import drawn

OPENERS: Final = 64  # ports that first knocks come from: a thousand sheets do not make every port one


def derive(secret: bytes, door: str, paper: Paper, number: int, site: str = "") -> Sequence:
    """Sequence `number` (1 to 2^64 - 1) that opens `door` of `site` for the holder of `secret`, once.

    Raises ValueError for a secret under 128 bits, a number below 1, and a length that the pool has not enough
    knocks for.
    """
    if number < 1:
        raise ValueError("sequences on paper are numbered from 1")
    message = b"portress-1-paper\0%b\0%b\0" % (site.encode(), door.encode()) + number.to_bytes(8, "big")
    return Sequence(drawn(secret, message, paper.pool, paper.protocols, paper.length, OPENERS), paper.gap)
