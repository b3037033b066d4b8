"""When the daemon does its housekeeping."""

from __future__ import annotations

import pytest

from portress.clock import STEP
from portress.run.daemon import TICK
from portress.run.steps import pause_at


@pytest.mark.parametrize("since", [0.0, 0.4, 28.9, 29.0, 29.3, 29.999, 29.9999999])
def test_a_round_comes_right_after_each_new_time_step_and_none_too_soon(since: float) -> None:
    """Without skew, a client whose clock is right is refused from there until the step is taken in."""
    at = 1_900_000_020 + since
    while at < 1_900_000_020 + STEP:
        pause = pause_at(at, TICK)
        assert 0.004 < pause <= TICK
        at += pause
    assert at - (1_900_000_020 + STEP) < 0.01
