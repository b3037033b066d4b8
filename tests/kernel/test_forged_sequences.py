"""Whole sequences from forged sources: who knows a fixed sequence can have any address admitted, very many of
them. The daemon must survive that in the memory its unit has, and nobody admitted before may notice."""

from __future__ import annotations

import math
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from lab import crowd, daemon, sender, tcp_state, until, world
from lab.cgroup import memory
from lab.portress import REPOSITORY, Daemon
from lab.worlds import World
from portress import control, events
from portress.knock import SECOND
from portress.run.status_answer import MOST

KNOCKS = ["tcp/4617", "udp/2953", "tcp/6381"]
FORGED = "2001:db8:c"
SECONDS = 6  # of forged sequences after the guard has no more room: longer than the gap
ROOM = 16_384  # sources that a door admits, of each family
# Words by which a line of each kind of event is told.
# Where the kernel decides and reports are lost, the daemon finds admissions in the guard before it hears of
# them: again.
TOLD = (
    *(" admitted to ", " admitted again to ", " missed after ", " expired ", " lapsed ", " lost"),
    *("admissions is full", "'"),
)
UNIT = 512 << 20  # bytes, systemd/portress.service's MemoryMax


def config(admissions: str = "", more: str = "") -> str:
    return f"""\
{admissions}
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {{knocks: [{", ".join(KNOCKS)}], gap: 5s}}
{more}"""


def forging(w: World, seconds: float) -> subprocess.Popen[str]:
    script = str(REPOSITORY / "tests/lab/forge.py")
    words = [sys.executable, "-P", script, str(seconds), w.host6, FORGED, *KNOCKS]
    return w.stranger.popen(words, stdout=subprocess.PIPE)


def size_of(folder: Path) -> int:
    return sum(one.stat().st_size for one in folder.rglob("*") if one.is_file())


def answer_time(d: Daemon) -> float:
    """How long (s) the daemon takes to say what `portress status` shows. What the two wait for a processor
    meanwhile, which other tests have, is not counted.
    """
    begun = time.monotonic() - kept_waiting(d)
    assert control.ask(d.socket, "status", most=MOST)["guard"]["present"]
    return time.monotonic() - kept_waiting(d) - begun


def kept_waiting(d: Daemon) -> float:
    """How long (s) the daemon's threads and this one were ready to run and did not (proc(5): schedstat). One
    that waits for a processor may have what the others wait for.
    """
    places = [*Path(f"/proc/{d.pid}/task").glob("*/schedstat"), Path("/proc/thread-self/schedstat")]
    return sum(int(place.read_text().split()[1]) for place in places) / SECOND


@pytest.mark.parametrize("decide", ["daemon", "kernel"])
def test_forged_sequences_at_full_speed_in_the_memory_of_the_unit(decide: str) -> None:
    with (
        memory(UNIT) as group,
        world() as w,
        daemon(w.host, config(f"decide: {decide}"), start=False) as d,
    ):
        d.group = group
        d.start()
        begun, pid = time.monotonic(), d.pid
        d.verb("admit", w.another4, "ssh")
        d.verb("admit", w.another6, "ssh")
        flood = forging(w, 120)
        slowest, until = 0.0, math.inf
        while time.monotonic() < until:
            assert flood.poll() is None, "the guard has room for all of them"
            if until == math.inf and "admissions is full" in d.log:
                until = time.monotonic() + SECONDS
            slowest = max(slowest, answer_time(d))
            assert tcp_state(w.another, w.host4, 22) == "closed"
            assert tcp_state(w.another, w.host6, 22) == "closed"
            time.sleep(1)
        flood.terminate()
        assert flood.stdout is not None
        assert int(flood.stdout.read()) > ROOM * len(KNOCKS)
        assert d.pid == pid and d.process is not None and d.process.poll() is None, d.log[-2000:]
        assert slowest < 15  # beside whatever else this machine does
        assert size_of(d.state) < 100 << 20
        # A busy machine drops packets, and what is left of their sequences is told as well.
        most = (time.monotonic() - begun + 1) * (events.MOST + 1)
        kinds = Counter(next((one for one in TOLD if one in line), "") for line in d.lines)
        assert kinds[""] < 50, [line for line in d.lines if not any(one in line for one in TOLD)][:60]
        assert all(count < most for count in kinds.values()), (most, kinds)
        d.kill()
        d.start()
        d.wait_for("admissions taken over")
        assert tcp_state(w.another, w.host4, 22) == "closed"
        assert tcp_state(w.another, w.host6, 22) == "closed"


@pytest.mark.parametrize("family", [4, 6])
def test_a_full_door_takes_nobody_new_and_throws_nobody_out(family: int) -> None:
    with world() as w, daemon(w.host, config("admissions: 3")) as d, sender(w.stranger) as send:
        host = w.host4 if family == 4 else w.host6
        here = w.another4 if family == 4 else w.another6
        others = ["203.0.113.1", "203.0.113.2", "203.0.113.3"]
        if family == 6:
            others = [f"{FORGED}::{number}" for number in (1, 2, 3)]
        d.verb("admit", here, "ssh", "--for", "100s")
        for source in others:
            send.knocks(source, host, KNOCKS, pause=0.02)
        d.wait_for("admissions is full")
        assert {one["source"] for one in d.status()["admissions"]} == {here, *others[:2]}
        assert tcp_state(w.another, host, 22) == "closed"
        # Renewals of those inside work, from the packet path and by command.
        with sender(w.another) as inside:
            inside.knocks(here, host, KNOCKS, pause=0.02)
        d.wait_for(f"{here} admitted again")
        d.verb("admit", here, "ssh", "--for", "2h")
        # By command too, one line that says why.
        refused = d.verb("admit", others[2], "ssh", check=False)
        assert refused.returncode == 1
        assert "ssh is full: 3 sources of its family are admitted" in refused.stderr
        # The other family has room of its own.
        d.verb("admit", w.another6 if family == 4 else w.another4, "ssh")
        # And when somebody goes, there is room again.
        d.verb("dismiss", others[0], "ssh")
        send.knocks(others[2], host, KNOCKS, pause=0.02)
        until(lambda: others[2] in {one["source"] for one in d.status()["admissions"]})


def test_less_room_throws_nobody_out_and_more_is_there_at_once() -> None:
    with world() as w, daemon(w.host, config("admissions: 3")) as d:
        sources = [f"203.0.113.{number}" for number in (1, 2, 3)]
        for source in sources:
            d.verb("admit", source, "ssh")
        d.configure(config("admissions: 2"))
        d.reload()
        d.wait_for("reloaded")
        assert {one["source"] for one in d.status()["admissions"]} == set(sources)
        assert d.verb("admit", "203.0.113.4", "ssh", check=False).returncode == 1
        d.restart()
        assert {one["source"] for one in d.status()["admissions"]} == set(sources)
        assert d.verb("admit", "203.0.113.4", "ssh", check=False).returncode == 1
        since = len(d.lines)
        d.configure(config("admissions: 4"))
        d.reload()
        d.wait_for("reloaded", since=since)
        d.verb("admit", "203.0.113.4", "ssh")
        assert {one["source"] for one in d.status()["admissions"]} == {*sources, "203.0.113.4"}


def test_a_full_set_of_shunned_sources_is_warned_of_once_a_minute_with_a_count() -> None:
    limits = "callers: 10\nmisses: {limit: 1, within: 10m, shun: 30m}\n"
    with world() as w, daemon(w.host, limits + config().replace("5s", "1s")) as d:
        with sender(w.stranger) as send:
            for number, source in enumerate(crowd(40)):
                if number and number % 10 == 0:
                    time.sleep(4)  # the kernel has forgotten those before
                send.knocks(source, w.host4, [KNOCKS[0], KNOCKS[2]], pause=0.01)
        until(lambda: d.status()["knocks"].get("missed", 0) >= 30)
        d.wait_for("shunned by the daemon only", "the set is full", "see `callers`")
        time.sleep(1)
        assert d.log.count("the set is full") == 1
