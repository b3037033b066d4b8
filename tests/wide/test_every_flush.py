"""Both Debians, a hundred flushes of the whole ruleset: undone at once, or (nft 1.1) without effect."""

from __future__ import annotations

import pytest

from system.test_flushes import flushed


@pytest.mark.parametrize("suite", ["bookworm", "trixie"])
def test_a_flush_lets_nobody_stay_in(suite: str) -> None:
    print(f"\n{suite}: {flushed(suite)}")
