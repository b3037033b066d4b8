"""Very many callers: what each takes in memory, and whether a knock takes longer when there are more of
them.

Measured in a process of its own for each number: memory that was used once is not given back.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from typing import Any, Final

from benchmarks.figures import Figure, Target
from benchmarks.hosts import PYTHON
from lab.portress import REPOSITORY

SUBJECT: Final = "Very many callers"
_CHILD: Final = """
import gc, json, random, sys, time
from pathlib import Path
from benchmarks.hosts import doors
from portress.config import load as configuration
from portress.knock import SECOND
from portress.sequence.fixed import expected
from portress.sequence.trie import Trie
from portress.tracker import Tracker

def resident():
    text = Path("/proc/self/smaps_rollup").read_text()
    return next(int(line.split()[1]) for line in text.splitlines() if line.startswith("Rss")) * 1024

count, size, plain = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3] == "plain"
one = expected(configuration.parse(doors(), "portress.yaml"))[0]
first, second = (int(knock) for knock in one.sequence.knocks[:2])
dice = random.Random(1)
def source(at):  # all different, in no order
    return (at * 2654435761 % (1 << 32)).to_bytes(size, "big")
gc.collect()
before = resident()
if plain:
    table = {}
    for at in range(count):
        table[source(at)] = (at // 1000 * 1000, first)
else:
    tracker = Tracker(Trie([one]), limit=count)
    for at in range(count):
        tracker.hear(source(at), first, at // 1000 * 1000)
    assert len(tracker) == count
after = resident()
took = []
if not plain:
    some = [source(at) for at in dice.sample(range(count), int(sys.argv[4]))]
    now = count * 1000
    for _ in range(max(5, 20_000 // len(some))):
        for knock in (first, second):
            begun = time.perf_counter()
            for one in some:
                tracker.hear(one, knock, now)
            took.append((time.perf_counter() - begun) / len(some) * 1e9)
        for one in some:
            tracker.hear(one, 1, now)
            tracker.hear(one, first, now)
right = sorted(took[1::2])
print(json.dumps({"bytes": (after - before) / count, "ns": right[len(right) // 2] if right else 0}))
"""


def measure(quick: bool) -> Iterator[Figure]:
    against = "a dictionary of (moment, knock) by source"
    few, many = _run(1000, 4, "tracker"), 100_000
    most = 300_000 if quick else 1_000_000
    for count in (many, most):
        ours, plain = _run(count, 4, "tracker"), _run(count, 4, "plain")
        what = f"bytes for each of {count:,} callers, IPv4"
        yield Figure(SUBJECT, what, ours["bytes"], "B", plain["bytes"], against, Target("<=", 250))
        yield Figure(
            SUBJECT,
            f"a right knock of 500 out of {count:,} callers",
            ours["ns"],
            "ns",
            few["ns"],
            "of 500 out of 1,000",
            Target("<=", 1.5, ratio=True),
        )
    spread = _run(most, 4, "tracker", 50_000)
    yield Figure(
        SUBJECT,
        f"a right knock of 50,000 out of {most:,} callers",
        spread["ns"],
        "ns",
        few["ns"],
        "of 500 out of 1,000",
        note="more than fit the processor's caches: the work is the same, the memory further away",
    )
    ours, plain = _run(many, 16, "tracker"), _run(many, 16, "plain")
    what = f"bytes for each of {many:,} callers, IPv6"
    yield Figure(SUBJECT, what, ours["bytes"], "B", plain["bytes"], against, Target("<=", 250))


def _run(count: int, size: int, kind: str, some: int = 500) -> Any:
    done = subprocess.run(
        [PYTHON, "-c", _CHILD, str(count), str(size), kind, str(some)],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
        cwd=REPOSITORY,
        env={"PYTHONPATH": "scripts:tests", "PATH": "/usr/bin:/bin"},
    )
    return json.loads(done.stdout)
