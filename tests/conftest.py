"""In several processes, the longest tests begin first: what is left for the end is short.
Machines are booted beside tests that mostly wait.

durations.txt has what took long once, beside the others: seconds and a test's name, from the list that
scripts/test prints. A name that is not there any more does no harm.
"""

from __future__ import annotations

import gc
import os
from collections import defaultdict
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("beside others", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("beside others")
gc.disable()  # while tests are collected: all of that stays
_UNIT, _OTHERS = 0.02, 2.0  # seconds of a test that is not in the list
_EARLY = 0.7  # of the run, in which all machines are booted


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if "PYTEST_XDIST_WORKER" not in os.environ:
        return
    lines = Path(__file__).with_name("durations.txt").read_text().splitlines()
    took = {name: float(seconds) for seconds, name in (line.split(maxsplit=1) for line in lines)}
    together = {item: _group(item) for item in items}
    sums: dict[str, float] = defaultdict(float)
    each: dict[pytest.Item, float] = {}
    for item in items:
        other = _UNIT if item.path.parent.name == "unit" else _OTHERS
        each[item] = took.get(item.nodeid, other)
        sums[together[item]] += each[item]
    items.sort(key=lambda item: -sums[together[item]])
    items[:] = _mixed(items, each)


def _mixed(items: list[pytest.Item], took: dict[pytest.Item, float]) -> list[pytest.Item]:
    """In the same order, but booted machines, which need the processors, among what mostly waits."""
    booted = [item for item in items if item.path.parent.name == "system"]
    others = [item for item in items if item.path.parent.name != "system"]
    share = sum(took[item] for item in booted) / (_EARLY * sum(took[item] for item in others) or 1)
    mixed, ahead = [], 0.0
    while booted and others:
        one = booted.pop(0) if ahead <= 0 else others.pop(0)
        ahead += took[one] if one.path.parent.name == "system" else -share * took[one]
        mixed.append(one)
    return [*mixed, *booted, *others]


@pytest.hookimpl(tryfirst=True)
def pytest_runtestloop() -> None:
    gc.freeze()
    gc.enable()


def _group(item: pytest.Item) -> str:
    """The tests of a group run in one process, one after the other."""
    marker = item.get_closest_marker("xdist_group")
    return item.nodeid if marker is None else str(marker.args[0])
