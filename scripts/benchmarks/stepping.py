"""The change of the time step with a thousand keyholders at three doors: how long it takes, and how long it
holds up the daemon's loop, which has to hear knocks meanwhile.

The daemon's own parts (`run.steps`, `sequence.in_force`, `tracker`, the guard in a namespace) run in a
process of their own here, beside a task that looks at the clock every half millisecond.
"""

from __future__ import annotations

import json
import re
import statistics
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from benchmarks.admitting import _reload
from benchmarks.figures import Figure, Target
from benchmarks.hosts import PYTHON, Running, doors, keyholders, memory, rotating, running
from benchmarks.probing import Prober
from benchmarks.seat import heartbeat, held
from benchmarks.secrets import sequence
from lab import owned
from lab.packets import knock
from lab.portress import REPOSITORY
from lab.space import LabError, Namespace, namespace
from lab.worlds import World, crowd, world
from portress.clock import STEP

SUBJECT: Final = "A new time step, 1,000 keyholders at 3 doors"
HOLDERS: Final = 1000
AROUND: Final = 8.0  # seconds on each side of a change in which sequences are begun
PAUSE: Final = 0.4  # seconds between two knocks
ONE_DOOR: Final = "1 door, no keyholders"
RELOADS: Final = {
    "a reload after which a stay is another": rotating().replace("stay: 1h", "stay: 2h", 1),
    "a reload after which a source is another part of an address": rotating(top="source_prefix: {ipv4: 30}"),
}
_CHILD: Final = """
import asyncio, hmac, json, time
from benchmarks.hosts import keyholders, rotating
from benchmarks.stepping import HOLDERS
from portress.config import load as configuration
from portress.keyholders import file as keyholding
from portress.mirror import Mirror
from portress.run.deciding import Deciding
from portress.run.in_force import InForce
from portress.guard.table import Table
from portress.sequence.in_force import SequencesInForce
from portress.run.steps import Steps
from portress.tracker import Tracker
from portress.run.gc_tuning import spare_the_loop

TURNS = 5
START = unix = 1_800_000_000.0

async def main():
    global unix
    config = configuration.parse(rotating(), "portress.yaml")
    holders = keyholding.parse(keyholders(HOLDERS), "keyholders.yaml", config.doors)
    sequences = SequencesInForce(config, holders)
    trie = sequences.trie(int(unix // 30))
    tracker, table = (Mirror if config.decide == "kernel" else Tracker)(trie), Table()
    in_force = InForce(config, sequences, tracker)
    clock = lambda: round((unix - START) * 1e9) + 10**15
    steps = Steps(in_force, table, Deciding(table.maps, lambda: unix, clock), lambda: unix, clock)
    if config.decide == "kernel":
        in_force.plan = steps.deciding.plan_for(sequences, trie, {}, -1)
    table.load(in_force.ruleset())
    del trie
    spare_the_loop()
    worst = 0.0
    async def look():
        nonlocal worst
        before = time.perf_counter()
        while True:
            await asyncio.sleep(0.0005)
            now = time.perf_counter()
            worst = max(worst, now - before)
            before = now
    looking = asyncio.create_task(look())
    await asyncio.sleep(0.3)
    calm, rows = worst, []
    for turn in range(TURNS):
        worst = 0.0
        begun = time.perf_counter()
        await steps.prepare()
        prepared, held = time.perf_counter() - begun, worst
        await asyncio.sleep(0.05)
        worst = 0.0
        unix += 30
        begun = time.perf_counter()
        assert await steps.change()
        changed = time.perf_counter() - begun
        await asyncio.sleep(0.05)
        rows.append({"prepare": prepared, "change": changed, "held": max(held, worst)})
    looking.cancel()
    steps.close()
    message = b"portress-1" + bytes(20)
    begun = time.perf_counter()
    for _ in range(3000):
        hmac.digest(message, message, "sha256")
    bare = time.perf_counter() - begun
    print(json.dumps({"rows": rows, "calm": calm, "bare": bare, "opening": len(tracker.trie.opening)}))

asyncio.run(main())
"""


def measure(quick: bool) -> Iterator[Figure]:
    with namespace("host") as ns:
        found = _steps(ns)
    rows = found["rows"]
    calm = found["calm"] * 1000

    def middle(what: str) -> float:
        return statistics.median(float(row[what]) for row in rows) * 1000

    yield Figure(
        SUBJECT,
        "derive the next step's sequences and make the tree, in a thread, ahead of time",
        middle("prepare"),
        "ms",
        found["bare"] * 1000,
        "3,000 HMACs alone",
    )
    yield Figure(
        SUBJECT,
        "change: guard and tracker",
        middle("change"),
        "ms",
        None,
        "",
        note=f"{found['opening']:,} first knocks in force",
    )
    yield Figure(
        SUBJECT,
        "the longest that the loop was held up",
        max(row["held"] for row in rows) * 1000,
        "ms",
        calm,
        "at other times",
        Target("<=", 20),
    )
    yield from _daemon()


def _steps(ns: Namespace) -> Any:
    with ns.popen(
        [PYTHON, "-c", _CHILD],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        cwd=REPOSITORY,
        env={"PYTHONPATH": "scripts:tests", "PATH": "/usr/sbin:/usr/bin:/sbin:/bin"},
    ) as child:
        assert child.stdout is not None
        told = child.stdout.read()
    try:
        return json.loads(told)
    except ValueError:
        raise LabError(f"the steps could not be measured: {told}") from None


def _daemon() -> Iterator[Figure]:
    with namespace("host") as ns, running(ns, doors()) as host:
        plain, plain_start = memory(host.pid), host.started
    with world() as w, running(w.host, rotating(), holders=keyholders(HOLDERS), watched=True) as host:
        time.sleep(1.5)
        yield Figure(SUBJECT, "start of the daemon", host.started, "s", plain_start, ONE_DOOR)
        yield Figure(SUBJECT, "resident memory", memory(host.pid), "MB", plain, ONE_DOOR)
        with host.work() as work, heartbeat(host) as waits:
            sent, under_way, admitted = _over_a_step(w, host)
        yield Figure(
            SUBJECT,
            "sequences over a change that opened nothing",
            sent - admitted,
            f"of {sent:,}",
            target=Target("<=", 0),
            note=f"of the old and of the new step in turn, {under_way} of them part-way at the change",
        )
        yield from held("over a change", work, waits, SUBJECT)
        for name, text in RELOADS.items():
            host.files.configure(text)
            with host.work() as work, heartbeat(host) as waits:
                _reload(host)
                time.sleep(1)
            yield from held(name, work, waits, SUBJECT)
        if not owned(w.host):
            since = len(host.told())
            with host.work() as work, heartbeat(host) as waits:
                w.host.run(["nft", "insert rule inet portress stranger accept"])
                host.wait_for("restored with", since)
            yield from held("others changed the guard, and it is put back", work, waits, SUBJECT)
        peak = _peak(host.pid)
        yield Figure(
            SUBJECT, "most memory so far", peak, "MB", 512, "MemoryMax of the unit", Target("<", 400)
        )


def _peak(pid: int) -> float:
    """The largest resident memory of a process so far, in MB."""
    found = re.search(r"^VmHWM:\s*(\d+) kB", Path(f"/proc/{pid}/status").read_text(), re.MULTILINE)
    assert found is not None
    return int(found[1]) * 1024 / 1e6


def _over_a_step(w: World, host: Running) -> tuple[int, int, int]:
    """Sequences of the step before a change and of the one after it, knocked on both sides of it, each
    by a keyholder and from a source of its own: how many were sent, part-way at the change, and admitted."""
    prober = Prober(w.stranger, "eth0", w.host, "eth0", w.host6)
    now = time.time()
    change = (now // STEP + 1) * STEP
    change += STEP if change - now < AROUND + 2 else 0
    due: list[tuple[float, bytes]] = []
    for number, source in enumerate(crowd(HOLDERS, 6)):
        begun = change - AROUND + number * 2 * AROUND / HOLDERS
        knocks = sequence(number, "vpn", change - 1 if number % 2 else change)
        frames = [prober.frame(knock(source, w.host6, text)) for text in knocks]
        due += [(begun + place * PAUSE, one) for place, one in enumerate(frames)]
    due.sort()
    for when, one in due:
        time.sleep(max(0.0, when - time.time()))
        prober.send(one)
    time.sleep(1.5)
    prober.close()
    under_way = round(3 * PAUSE * HOLDERS / (2 * AROUND))
    return HOLDERS, under_way, host.admitted()
