"""Matrices that take long: they run on demand (`scripts/test wide`), and fail, not skip, without root."""

from __future__ import annotations

import os
import tempfile

import pytest

from lab import NEEDS_ROOT

# Where the machines' disks lie. /tmp may be in memory and without devices, as on Debian 13.
tempfile.tempdir = os.environ.get("TMPDIR", "/var/tmp")


def pytest_runtest_setup(item: pytest.Item) -> None:
    if os.geteuid() != 0:
        pytest.fail(NEEDS_ROOT, pytrace=False)
