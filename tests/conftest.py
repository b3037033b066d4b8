"""In several processes, the longest tests begin first: what is left for the end is short.

durations.txt has what took long once, beside the others: seconds and a test's name, from the list that
scripts/test prints. A name that is not there any more does no harm. `--failed-to=FILE` writes the names of
those that failed there, as pytest takes them.
"""

from __future__ import annotations

import gc
import os
import re
import signal
from collections import defaultdict
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis.internal.conjecture import providers

settings.register_profile("beside others", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("beside others")
# Hypothesis tries constants that it reads out of the project's code. Debian's libraries, which are in another
# place than those of PyPI, are not the project's: to read them all takes each process three seconds.
_of_the_project = providers.is_local_module_file
providers.is_local_module_file = lambda path: "/dist-packages/" not in path and _of_the_project(path)
gc.disable()  # while tests are collected: all of that stays
# nmap and numpy load OpenBLAS, whose threads wait for work by keeping the processors busy.
os.environ["OPENBLAS_NUM_THREADS"] = "1"
# Programs under test inherit what is ignored, as Ctrl-C is of what a shell started in the background.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
_UNIT, _OTHERS = 0.02, 2.0  # seconds of a test that is not in the list


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if "PYTEST_XDIST_WORKER" not in os.environ:
        return
    lines = Path(__file__).with_name("durations.txt").read_text().splitlines()
    took = {name: float(seconds) for seconds, name in (line.split(maxsplit=1) for line in lines)}
    together = {item: _group(item) for item in items}
    sums: dict[str, float] = defaultdict(float)
    for item in items:
        other = _UNIT if item.path.parent.name == "unit" else _OTHERS
        sums[together[item]] += took.get(item.nodeid, other)
    items.sort(key=lambda item: -sums[together[item]])


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--failed-to", type=Path, help="a file for the names of the tests that fail, one a line")


class _Failed:
    """Writes down which tests have failed."""

    def __init__(self, file: Path) -> None:
        self._file = file

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            with self._file.open("a") as file:
                file.write(_ungrouped(report.nodeid) + "\n")


def pytest_configure(config: pytest.Config) -> None:
    file: Path | None = config.getoption("--failed-to")
    if file is not None and "PYTEST_XDIST_WORKER" not in os.environ:
        config.pluginmanager.register(_Failed(file))


def _ungrouped(name: str) -> str:
    """The name without the group that pytest-xdist puts behind it."""
    return re.sub(r"@\w+$", "", name)


@pytest.hookimpl(tryfirst=True)
def pytest_runtestloop() -> None:
    gc.freeze()
    gc.enable()


def _group(item: pytest.Item) -> str:
    """The tests of a group run in one process, one after the other."""
    marker = item.get_closest_marker("xdist_group")
    return item.nodeid if marker is None else str(marker.args[0])
