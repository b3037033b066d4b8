"""What scripts/test does some times, as often as is wanted: a fault that is rare is met."""

from __future__ import annotations

from pathlib import Path

from kernel.test_daemon import flushes
from kernel.test_differential import same_sources
from kernel.test_fleet_troubles import twenty_claims
from kernel.test_flushed import reloads
from lab.etcd import etcd


def test_of_twenty_claims_at_three_gateways_one_survives_500_times(tmp_path: Path) -> None:
    store, work = tmp_path / "store", tmp_path / "work"
    store.mkdir()
    work.mkdir()
    with etcd(store, members=3) as three:
        twenty_claims(three, work, 500)


def test_a_hundred_reloads_let_nobody_in() -> None:
    reloads(100)


def test_a_hundred_flushes_let_nobody_in() -> None:
    flushes(100)


def test_of_900_traces_guard_and_judge_let_the_same_sources_in() -> None:
    same_sources(900)
