"""A hundred honest sources knock while a flood of forged packets comes in as fast as this machine can send
it.

Once at random ports, which the guard lets pass in the kernel, and once at a port that begins a sequence,
which is the worst that a stranger can do who knows it.
"""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from attrs import frozen

from benchmarks.figures import Figure, Target
from benchmarks.hosts import PYTHON, RIGHT, Running, doors, running
from benchmarks.probing import Prober
from benchmarks.wire import hardware
from lab.portress import REPOSITORY
from lab.worlds import World, world

SUBJECT: Final = "Honest knocks in a flood"
HONEST: Final = 100
TRIES: Final = 5
PAUSE: Final = 0.05  # seconds between two knocks of the clients that come with Portress
AIMED: Final = int(RIGHT[0].partition("/")[2])


@frozen
class Seen:
    """What became of the honest sources: how many were let in at once (%), the median ms it took; and of the
    rest."""

    admitted: float
    at_last: float  # let in at one of TRIES tries (%)
    took: float
    cpu: float  # % of a core, meanwhile
    idle: float  # % of a core, before the honest ones came
    rate: float  # packets a second
    dropped: int  # by the kernel's queues, before any rule
    full: int  # first knocks that found no room among the callers


def measure(quick: bool) -> Iterator[Figure]:
    honest = HONEST // 4 if quick else HONEST
    with world() as w:
        w.host.ip(f"route replace 203.0.113.0/24 via {w.another4}", f"route add default via {w.stranger4}")
        calm = _look(w, None, honest)
        for port, name in ((0, "random ports"), (AIMED, "a first-knock port")):
            seen = _look(w, port, honest)
            yield from _figures(name, seen, calm, aimed=bool(port))


def _figures(name: str, seen: Seen, calm: Seen, *, aimed: bool) -> Iterator[Figure]:
    against = "no flood"
    flood = f"{seen.rate:,.0f} packets a second"
    dropped = (
        f"; {seen.dropped:,} packets dropped by the kernel's queues before any rule" if seen.dropped else ""
    )
    full = f"; {seen.full:,} first knocks found no room among the callers" if seen.full else ""
    yield Figure(
        SUBJECT,
        f"honest sources admitted, flood at {name}",
        seen.admitted,
        "%",
        calm.admitted,
        against,
        Target(">=", 99 if aimed else 100),
        flood + dropped + full,
    )
    if aimed:
        what = f"the same within {TRIES} tries, flood at {name}"
        yield Figure(SUBJECT, what, seen.at_last, "%", calm.at_last, against)
    if seen.admitted:
        what = f"last knock to open door, median, flood at {name}"
        yield Figure(SUBJECT, what, seen.took, "ms", calm.took, against)
    least = Target("<", 10 if aimed else 5)
    for what, value, base, target in (
        ("CPU of the daemon for a flood", seen.idle, calm.idle, least),
        ("the same while the honest sources come, flood", seen.cpu, calm.cpu, least if aimed else None),
    ):
        yield Figure(SUBJECT, f"{what} at {name}", value, "% of a core", base, against, target)


def _look(w: World, port: int | None, honest: int) -> Seen:
    lasts = honest * (2 * PAUSE + 0.08) + 4
    with running(w.host, doors()) as host, flood(w, port, lasts) as over:
        prober = Prober(w.another, "eth0", w.host, "eth1", w.host4)
        lost, cpu, begun = dropped(), host.cpu, time.perf_counter()
        time.sleep(1.5)
        idle = (host.cpu - cpu) / (time.perf_counter() - begun)
        cpu, begun = host.cpu, time.perf_counter()
        tries: list[list[float | None]] = []
        patience = 1.0 if port != AIMED else 0.05
        for number in range(honest):
            tries.append([])
            while len(tries[-1]) < (TRIES if port == AIMED else 1) and not any(tries[-1]):
                source = f"203.0.113.{number + 1}"
                took = prober.open(source, RIGHT, pause=PAUSE, patience=patience, every=0.0001)
                tries[-1].append(took)
        found = [each[0] * 1000 for each in tries if each[0] is not None]
        at_last = sum(each[-1] is not None for each in tries)
        passed, cpu = time.perf_counter() - begun, host.cpu - cpu
        sent = over()
        prober.close()
        found.sort()
        return Seen(
            100 * len(found) / honest,
            100 * at_last / honest,
            found[len(found) // 2] if found else float("nan"),
            100 * cpu / passed,
            100 * idle,
            sent,
            dropped() - lost if port is not None else 0,
            _full(host),
        )


def _full(host: Running) -> int:
    listing = host.ns.run(["nft", "list", "counter", "inet", "portress", "callers_full"]).stdout
    return int(listing.split("packets ")[1].split()[0])


def dropped() -> int:
    """Packets that found the kernel's receive queues full, on all cores (proc(5), softnet_stat)."""
    return sum(int(line.split()[1], 16) for line in Path("/proc/net/softnet_stat").read_text().splitlines())


@contextmanager
def flood(w: World, port: int | None, seconds: float) -> Iterator[Callable[[], float]]:
    """A flood while the block lasts; gives a function that waits for its end and tells packets a second."""
    if port is None:
        yield lambda: 0.0
        return
    words = ["-m", "benchmarks.flooder", w.stranger.name, "eth0", hardware(w.host, "eth0").hex(), w.host4]
    flooder = subprocess.Popen(
        [PYTHON, *words, str(port), str(seconds)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=REPOSITORY,
        env={"PYTHONPATH": "scripts:tests", "PATH": "/usr/sbin:/usr/bin:/sbin:/bin"},
    )
    try:
        assert flooder.stdin is not None and flooder.stdout is not None
        flooder.stdout.readline()
        print("go", file=flooder.stdin, flush=True)
        time.sleep(0.2)
        out = flooder.stdout
        yield lambda: int(out.readline()) / seconds
    finally:
        flooder.kill()
        flooder.wait()
