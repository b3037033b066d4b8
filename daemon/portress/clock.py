"""Time steps: the 30 seconds for which a rotating sequence or a code is valid (RFC 6238, section 4). Pure.

In: unix seconds. Out: the number of the step.
"""

from __future__ import annotations

from typing import Final

STEP: Final = 30  # seconds: RFC 6238, section 4.1, X


def step_at(unix_seconds: float) -> int:
    """The time step T of a moment (RFC 6238, section 4.2, T0 = 0). Raises ValueError before 1970."""
    if unix_seconds < 0:
        raise ValueError("time steps begin in 1970")
    return int(unix_seconds // STEP)
