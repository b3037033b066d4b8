"""A guard that others changed is, loaded again, as it was: each way to change a chain, in each chain."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from kernel.test_loaded_again import CHANGES, Blocks, anew, changed, host
from lab import Namespace

__all__ = ["anew", "host"]  # the fixtures


@pytest.mark.parametrize("change", CHANGES)
def test_it_is_undone(host: Namespace, anew: dict[str, Blocks], change: Callable[[str, int], str]) -> None:
    changed(host, anew, [change])
