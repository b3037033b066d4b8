"""Every test here runs in network namespaces of its own, and fails, not skips, where they cannot be made."""

from __future__ import annotations

import os
import signal

import pytest

from lab import NEEDS_ROOT

# Programs under test inherit what is ignored, as Ctrl-C is of what a shell started in the background.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_runtest_setup(item: pytest.Item) -> None:
    if os.geteuid() != 0:
        pytest.fail(NEEDS_ROOT, pytrace=False)
