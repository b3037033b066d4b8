"""A wall clock that is set while the daemon runs: admissions last as long as they were to."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from lab import World, daemon, service, tcp_state, world
from portress.durations import unix

CONFIG = """
doors:
  ssh:
    services: [tcp/22]
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}
"""

# Python runs this first: the wall clock is as far off as the file says.
CLOCK = """
import pathlib, time
true, step = time.time, pathlib.Path(__file__).with_name("step")
time.time = lambda: true() + float(step.read_text())
time.time_ns = lambda: int(time.time() * 10**9)
"""
DAY = 86400


@pytest.mark.parametrize("step", [DAY, -DAY])
def test_setting_the_clock_neither_ends_nor_lengthens_an_admission(
    step: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "sitecustomize.py").write_text(CLOCK)
    (tmp_path / "step").write_text("0")
    with world() as w, service(w.host, "tcp/22"):
        monkeypatch.setenv("PYTHONPATH", str(tmp_path))
        with daemon(w.host, CONFIG) as made:
            made.verb("admit", World.another4, "ssh", "--for", "1h")
            asked = time.monotonic()
            made.verb("admit", World.stranger4, "ssh", "--for", "4s")
            began = time.monotonic()
            (tmp_path / "new").write_text(str(step))
            (tmp_path / "new").rename(tmp_path / "step")
            assert tcp_state(w.stranger, World.host4, 22) == "open"
            made.wait_for(World.stranger4, "ended: expired")
            ended = time.monotonic()
            assert ended - asked > 3.5 and ended - began < 7
            assert tcp_state(w.stranger, World.host4, 22) == "filtered"
            assert tcp_state(w.another, World.host4, 22) == "open"
            (one,) = made.status()["admissions"]
            assert 3500 < one["left"] <= 3600
            assert unix(one["until"]) == pytest.approx(
                time.time() + step + 3600, abs=100
            )  # the daemon's clock was set
