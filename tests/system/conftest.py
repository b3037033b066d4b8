"""Every test here boots a machine of its own, and fails, not skips, where that cannot be done."""

from __future__ import annotations

import os
import tempfile

import pytest

from lab import NEEDS_ROOT
from system import host  # noqa: F401 - what the run has made goes when the process that loads this ends
from system.machine import Machines
from system.root import debian

# Where the machines' disks lie. /tmp may be in memory and without devices, as on Debian 13.
tempfile.tempdir = os.environ.get("TMPDIR", "/var/tmp")


def pytest_runtest_setup(item: pytest.Item) -> None:
    if os.geteuid() != 0:
        pytest.fail(NEEDS_ROOT, pytrace=False)


@pytest.fixture(scope="session")
def machines() -> Machines:
    """Boots machines from the root, which is made first if this is the first run here."""
    return Machines(debian())
