"""A fleet: from a knock at one gateway to the open door at another, admissions shared a second, a start with
very many of them, memory, bytes in the store; and what a store that hangs costs.

Three etcd members and up to eight gateways, all on this machine: real daemons, except where it is said.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from benchmarks.figures import Figure, Target
from benchmarks.hosts import RIGHT, memory
from benchmarks.probing import Prober
from lab.etcd import Etcd, etcd
from lab.fleets import SECRET, Fleet, Gateway, fleet
from portress import control
from portress.fleet.records import Admitted, Codec
from portress.fleet.seal import Seals
from portress.fleet.store import Access, Store
from portress.knock import Source

SUBJECT: Final = "A fleet"
CONFIG: Final = """\
closed: drop
admissions: 262144
doors:
  ssh:
    services: [tcp/22]
    stay: 8h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 5s}
"""
EVERY: Final = 0.0002  # seconds slept between two SYNs
_CODEC: Final = Codec("edge", Seals.of(SECRET, "edge"))


def measure(quick: bool) -> Iterator[Figure]:
    for count in (2,) if quick else (2, 8):
        yield from _elsewhere(count, 40 if quick else 120)
    yield from _shared(2_000 if quick else 10_000)
    yield from _start(10_000 if quick else 100_000)


# From one gateway to another


def _elsewhere(count: int, rounds: int) -> Iterator[Figure]:
    with fleet(CONFIG, gateways=count, members=3) as f:
        sources = [f"198.51.100.{number}" for number in range(110, 110 + min(rounds, 130))]
        f.client.ip(*(f"address add {source}/24 dev eth0" for source in sources))
        near = _prober(f, f.gateways[0])
        far = _prober(f, f.gateways[-1])
        there, here = _rounds(f, sources, far, near), _rounds(f, sources, near, None)
        name = f"knock at one to open at another, {count} gateways"
        against = "the same, open at the gateway itself"
        median = statistics.median(here)
        yield Figure(
            SUBJECT, f"{name}, median", statistics.median(there), "ms", median, against, Target("<", 5)
        )
        yield Figure(SUBJECT, f"{name}, 99th percentile", _at(there, 0.99), "ms", _at(here, 0.99), against)
        for number in range(3):
            f.store.freeze(number)
        time.sleep(5)
        hangs = _rounds(f, sources, near, None)
        yield Figure(
            SUBJECT,
            f"knock to open while the store hangs, {count} gateways, median",
            statistics.median(hangs),
            "ms",
            median,
            "the store answers",
        )


def _prober(f: Fleet, gateway: Gateway) -> Prober:
    return Prober(f.client, "eth0", gateway.ns, "eth0", gateway.address)


def _rounds(f: Fleet, sources: Sequence[str], door: Prober, elsewhere: Prober | None) -> list[float]:
    """Milliseconds, sorted; afterwards everybody is outside again."""
    found = []
    with _on_time():
        for source in sources:
            time.sleep(0.01)
            took = door.open(source, RIGHT, patience=2.0, every=EVERY, elsewhere=elsewhere)
            if took is not None:
                found.append(took * 1000)
    if len(found) < len(sources) * 0.9:
        raise OSError(f"only {len(found)} of {len(sources)} doors opened")
    for source in sources:
        control.ask(f.gateways[0].daemon.socket, "dismiss", source=source, door=None)
    time.sleep(1.0)
    return sorted(found)


@contextlib.contextmanager
def _on_time() -> Iterator[None]:
    """Who tries the door does so when it is time, and not when a busy CPU has come round to it."""
    before = os.sched_getscheduler(0), os.sched_getparam(0)
    os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(1))
    try:
        yield
    finally:
        os.sched_setscheduler(0, *before)


def _at(values: Sequence[float], share: float) -> float:
    return values[min(len(values) - 1, int(len(values) * share))]


# Admissions a second: two gateways' parts in the fleet, each in a process of its own


def _shared(count: int) -> Iterator[Figure]:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / "etcd").mkdir()
        with etcd(place / "etcd", members=3) as store:
            words = [json.dumps([*store.urls]), str(place / "etcd"), str(count)]
            command = [sys.executable, "-m", "benchmarks.fellow"]
            hears = subprocess.Popen([*command, "hear", *words], stdout=subprocess.PIPE, text=True)
            assert hears.stdout is not None
            hears.stdout.readline()
            begun = time.time()
            said = subprocess.run(
                [*command, "say", *words], capture_output=True, text=True, timeout=300, check=True
            )
            out, _ = hears.communicate(timeout=300)
        cost = float(said.stdout.split()[-1]) / count * 1e6
        took = float(out.split()[-1]) - begun
        yield Figure(
            SUBJECT,
            f"{count:,} admissions at once, heard at another gateway",
            count / took,
            "admissions/s",
            target=Target(">=", 1000),
            note="the fleet's part of two gateways, each a process; with the start of one",
        )
        yield Figure(SUBJECT, "CPU of the gateway that says them, for each", cost, "µs")


# A start with very many


def _start(count: int) -> Iterator[Figure]:
    with fleet(CONFIG, gateways=1, members=3, start=False) as f:
        (only,) = f.gateways
        empty, small = _started(only), 0.0
        small = memory(only.daemon.pid)
        only.daemon.terminate()
        before = _bytes(f.store)
        with f.store_namespace.enter():
            asyncio.run(_fill(f.store, count))
        each = (_bytes(f.store) - before) / count
        full = _started(only)
        inside = only.daemon.status()["doors"][0]["admitted"]
        if inside < count:
            raise OSError(f"only {inside} of {count} admitted")
        yield Figure(
            SUBJECT,
            f"start with {count:,} admissions in the store",
            full,
            "s",
            empty,
            "with none",
            Target("<", 2),
        )
        yield Figure(
            SUBJECT, f"memory with {count:,} admissions", memory(only.daemon.pid), "MB", small, "with none"
        )
        yield Figure(SUBJECT, "bytes in the store for each admission", each, "bytes")


def _started(gateway: Gateway) -> float:
    begun = time.perf_counter()
    gateway.daemon.start(timeout=120)
    return time.perf_counter() - begun


def _bytes(store: Etcd) -> int:
    told = json.loads(store.ctl("endpoint", "status", "--write-out=json", user=""))
    return int(told[0]["Status"]["dbSizeInUse"])


async def _fill(base: Etcd, count: int) -> None:
    end = time.time() + 3600
    async with Store(Access(base.urls, **base.files), deadline=30.0) as store:
        lease = await store.grant(7200)
        for first in range(0, count, 100):
            await store.put(
                [
                    (
                        *_CODEC.written(
                            Admitted("ssh", _source(n), end, "edge-9", round(time.time() * 1000))
                        ),
                        lease,
                    )
                    for n in range(first, first + 100)
                ]
            )


def _source(number: int) -> Source:
    return Source.parse(f"10.{number >> 16}.{number >> 8 & 255}.{number & 255}")
