"""Start-up time, resident memory, and what the daemon does while nothing happens."""

from __future__ import annotations

import statistics
import subprocess
import time
from collections.abc import Iterator
from typing import Final

from benchmarks.figures import Figure, Target
from benchmarks.hosts import PYTHON, Running, cpu, doors, memory, running
from lab.space import namespace

SUBJECT: Final = "The daemon itself"
_LIBRARIES: Final = "import asyncio, attrs, click, nftables, sqlite3, systemd.daemon, yaml"
_SLEEP: Final = """
import asyncio, sys
def tick():
    asyncio.get_running_loop().call_later(1, tick)
async def main():
    tick()
    print("ready", flush=True)
    await asyncio.Event().wait()
asyncio.run(main())
"""


def measure(quick: bool) -> Iterator[Figure]:
    with namespace("host") as ns:
        starts = []
        for _ in range(3 if quick else 7):
            with running(ns, doors()) as host:
                starts.append(host.started)
        yield Figure(
            SUBJECT,
            "start, from the command to ready",
            statistics.median(starts),
            "s",
            _import(),
            "importing the libraries alone",
            Target("<", 0.5),
        )
        with running(ns, doors()) as host:
            yield from _at_rest(host, 10 if quick else 60)


def _at_rest(host: Running, seconds: int) -> Iterator[Figure]:
    plain = _sleeper(_LIBRARIES + _SLEEP)
    time.sleep(2)
    before, other = host.cpu, cpu(plain.pid)
    time.sleep(seconds)
    used, other = host.cpu - before, cpu(plain.pid) - other
    yield Figure(
        SUBJECT,
        "resident memory",
        memory(host.pid),
        "MB",
        memory(plain.pid),
        "Python with the libraries alone",
        Target("<", 40),
        f"{memory(host.pid, 'Pss'):.1f} MB of it not shared with others",
    )
    yield Figure(
        SUBJECT,
        f"CPU while nothing happens, over {seconds} s",
        100 * used / seconds,
        "%",
        100 * other / seconds,
        "a loop with one timer a second",
        Target("<", 0.1),
    )
    plain.kill()
    plain.wait()


def _import() -> float:
    """Seconds that Python takes to load the libraries and to end."""
    took = []
    for _ in range(5):
        begun = time.perf_counter()
        subprocess.run([PYTHON, "-c", _LIBRARIES], check=True)
        took.append(time.perf_counter() - begun)
    return statistics.median(took)


def _sleeper(code: str) -> subprocess.Popen[str]:
    made = subprocess.Popen([PYTHON, "-c", code], stdout=subprocess.PIPE, text=True)
    assert made.stdout is not None
    made.stdout.readline()
    return made
