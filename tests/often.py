"""How often what is made at random, or done again and again, is tried: more often in `scripts/test wide`."""

from __future__ import annotations

import os


def often(times: int, in_wide: int) -> int:
    """`times`, or `in_wide` with OFTEN=1 in the environment."""
    return in_wide if os.environ.get("OFTEN") == "1" else times
