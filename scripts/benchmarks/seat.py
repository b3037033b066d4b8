"""The operator's seat with 100,000 admissions, while 35 more a second arrive: how long verbs take, how much
memory, and how long any of it keeps the daemon from everything else.

A heartbeat asks the daemon for nothing, again and again: its longest wait is what a knock would have waited.
"""

from __future__ import annotations

import contextlib
import itertools
import re
import subprocess
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from benchmarks.admitting import _fill, _reload, _source
from benchmarks.figures import Figure, Target
from benchmarks.hosts import PROGRAM, Running, doors, running
from lab.space import LabError, Namespace, namespace
from portress import control
from portress.errors import Mistake

SUBJECT: Final = "The operator's seat, with 100,000 admissions and 35 more a second"
CONFIG: Final = doors(top="admissions: 200000")
COUNT: Final = 100_000
WIDE: Final = CONFIG.replace("doors:", "source_prefix: {ipv6: 124}\ndoors:", 1)
RELOADS: Final = (
    ("a reload after which a source is a /124, no address", CONFIG, WIDE),
    ("a reload after which a source is an address, no /124", WIDE, CONFIG),
    ("a reload without that door", CONFIG, CONFIG.replace("  ssh:", "  other:", 1)),
)
RATE: Final = 35  # admissions a second
PULSE: Final = 0.01  # seconds between two heartbeats
VERBS: Final = (
    (("status", "--json", "--limit", "0"), "status --json of all of them"),
    (("status",), "status"),
    (("status", "--source", "2001:db8:c::/112"), "status of a network"),
    (("why", "2001:db8:c::7"), "why"),
    (("doctor",), "doctor"),
    (("guard", "--trial", "60s"), "guard --trial"),
    (("guard", "--keep"), "guard --keep"),
    (("dismiss", "--yes", "--source", "2001:db8:c::/112"), "dismiss a network of 65,536"),
)


def measure(quick: bool) -> Iterator[Figure]:
    with namespace("host") as ns, running(ns, CONFIG, start=False, watched=True) as host:
        _fill(ns, host, COUNT)
        with _arriving(host):
            time.sleep(1)  # the turn of the loop that was the start is over
            yield from _removed(ns, host)
            for words, name in VERBS:
                yield from _verb(ns, host, words, name)
    with namespace("host") as ns, running(ns, CONFIG, start=False, watched=True) as host:
        for name, before, after in RELOADS:
            yield from _reloaded(ns, host, name, before, after)


def _reloaded(ns: Namespace, host: Running, name: str, before: str, after: str) -> Iterator[Figure]:
    """Another configuration for all of them."""
    host.files.configure(before)
    _fill(ns, host, COUNT)
    time.sleep(1)
    host.files.configure(after)
    with host.work() as work, heartbeat(host) as waits:
        _reload(host)
        time.sleep(1)
    host.files.terminate()
    yield from held(name, work, waits)


def _verb(ns: Namespace, host: Running, words: Sequence[str], name: str) -> Iterator[Figure]:
    with host.work() as work, heartbeat(host) as waits:
        seconds, megabytes = _run(ns, [PROGRAM, words[0], *host.files.options, *words[1:]])
    soon = None if words[0] == "dismiss" else Target("<", 1)
    yield Figure(SUBJECT, name, seconds, "s", target=soon)
    if "--json" in words:
        yield Figure(SUBJECT, f"{name}: its memory", megabytes, "MB", target=Target("<", 60))
    yield from held(name, work, waits)


def _removed(ns: Namespace, host: Running) -> Iterator[Figure]:
    """Somebody deletes the table, and it is put back."""
    since = len(host.told())
    with host.work() as work, heartbeat(host) as waits:
        ns.run(["nft", "delete", "table", "inet", "portress"], check=False)
        host.wait_for("restored with", since)
    yield from held("restoring", work, waits)


def held(name: str, work: list[float], waits: list[float], subject: str = SUBJECT) -> Iterator[Figure]:
    """How long the daemon's loop does nothing else: its work, which does not depend on what else this machine
    does, and what clients waited, which does (both ms)."""
    most = max(work)
    yield Figure(subject, f"{name}: work of the daemon's loop at once", most, "ms", target=Target("<", 20))
    yield Figure(subject, f"{name}: the longest wait for an answer", max(waits), "ms")


def _run(ns: Namespace, words: Sequence[str]) -> tuple[float, float]:
    """Seconds that a program takes, and its largest resident memory in MB."""
    begun = time.perf_counter()
    process = ns.popen([*words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    most = 0.0
    while process.poll() is None:  # not what wait4(2) tells, which has what this process had before the exec
        with contextlib.suppress(OSError, TypeError):
            status = Path(f"/proc/{process.pid}/status").read_text()
            found = re.search(r"^Name:\tportress\n(?:.*\n)*?VmHWM:\s*(\d+) kB", status)
            most = max(most, int(found[1]) * 1024 / 1e6) if found else most
        time.sleep(0.005)
        if time.perf_counter() - begun > 60:
            process.kill()
    if process.returncode and words[1] != "doctor":
        raise LabError(f"{' '.join(words)} ended with {process.returncode}")
    return time.perf_counter() - begun, most


@contextlib.contextmanager
def heartbeat(host: Running) -> Iterator[list[float]]:
    """How long (ms) each of many questions waited for its answer."""
    waits, over = [0.0], threading.Event()

    def beat() -> None:
        while not over.wait(PULSE):
            begun = time.perf_counter()
            with contextlib.suppress(Mistake):
                control.ask(host.files.socket, "nothing")
            waits.append((time.perf_counter() - begun) * 1000)

    thread = threading.Thread(target=beat)
    thread.start()
    try:
        yield waits
    finally:
        over.set()
        thread.join()


@contextlib.contextmanager
def _arriving(host: Running) -> Iterator[None]:
    """New sources are admitted all the while."""
    over = threading.Event()

    def arrive() -> None:
        for number in itertools.count(1 << 24):
            if over.wait(1 / RATE):
                return
            with contextlib.suppress(Mistake):
                control.ask(host.files.socket, "admit", source=str(_source(number)), door="ssh")

    thread = threading.Thread(target=arrive)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
