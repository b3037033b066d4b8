"""The metrics of a running daemon, scraped as Prometheus does."""

from __future__ import annotations

import socket
import time
from pathlib import Path

from lab import World, daemon, sender, world
from lab.portress import Daemon
from portress.run.http import PATIENCE

CONFIG = """
misses: {limit: 2, within: 10m, shun: 30m}
doors:
  ssh:
    services: [tcp/22]
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}
metrics: {listen: "127.0.0.1:9753"}
"""
WRONG = ["tcp/4617", "tcp/6381", "tcp/4617", "tcp/6381"]


def scraped(made: Daemon) -> dict[str, float]:
    """Each series and its value."""
    text = made.ns.run(["curl", "--silent", "--fail", "http://127.0.0.1:9753/metrics"]).stdout
    lines = [line.rpartition(" ") for line in text.splitlines() if not line.startswith("#")]
    return {series: float(value) for series, _, value in lines}


def test_series_are_there_before_anything_was_counted() -> None:
    with world() as w, daemon(w.host, CONFIG) as made:
        first = scraped(made)
        for outcome in ("advanced", "missed", "completed", "replayed", "shunned"):
            assert first[f'portress_knocks_total{{outcome="{outcome}",watcher="packet"}}'] == 0
        assert first['portress_admissions_total{door="ssh",how="knock"}'] == 0
        assert first["portress_shuns_total"] == 0


def test_misses_and_shuns_are_counted_and_no_source_is_named() -> None:
    with world() as w, daemon(w.host, CONFIG) as made:
        with sender(w.stranger) as send:
            send.knocks(w.stranger4, World.host4, WRONG, pause=0.01)
        made.wait_for("shunned")
        found = scraped(made)
    assert found['portress_knocks_total{outcome="missed",watcher="packet"}'] == 2
    assert found["portress_shuns_total"] == 1
    assert found["portress_shunned"] == 1
    assert not any(World.stranger4 in series for series in found)


def test_clients_that_say_nothing_cost_no_thread_and_are_left_after_a_while() -> None:
    with world() as w, daemon(w.host, CONFIG) as made, w.host.enter():
        before = _threads(made)
        silent = [socket.create_connection(("127.0.0.1", 9753)) for _ in range(50)]
        time.sleep(0.5)
        assert _threads(made) < before + 10  # of those that are begun when first needed
        for one in silent:
            one.settimeout(2 * PATIENCE)
            assert one.recv(1) == b""  # the daemon hangs up
            one.close()
        assert "portress_shuns_total" in scraped(made)
        assert "Traceback" not in made.log


def _threads(made: Daemon) -> int:
    return len(list(Path(f"/proc/{made.pid}/task").iterdir()))


def test_series_can_be_asked_for_by_name() -> None:
    with world() as w, daemon(w.host, CONFIG) as made:
        url = "http://127.0.0.1:9753/metrics?name[]=portress_shuns_total&name[]=portress_knock_to_open_seconds_sum"
        text = made.ns.run(["curl", "--silent", "--fail", "--globoff", url]).stdout
        lines = [line for line in text.splitlines() if not line.startswith("#")]
        assert sorted(lines) == ["portress_knock_to_open_seconds_sum 0.0", "portress_shuns_total 0.0"]
