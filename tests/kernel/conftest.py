"""Every test here runs in network namespaces of its own, and fails, not skips, where they cannot be made."""

from __future__ import annotations

import os

import pytest

from lab import NEEDS_ROOT


def pytest_runtest_setup(item: pytest.Item) -> None:
    if os.geteuid() != 0:
        pytest.fail(NEEDS_ROOT, pytrace=False)
