"""A neighbour's scan of all source ports lets nothing in: over both families, whoever decides."""

from __future__ import annotations

import pytest

from kernel.test_one_connection_attacks import scanned


@pytest.mark.parametrize("decide", ["kernel", "daemon"])
@pytest.mark.parametrize("family", [4, 6])
def test_it_lets_nothing_in(family: int, decide: str) -> None:
    scanned(family, decide)
