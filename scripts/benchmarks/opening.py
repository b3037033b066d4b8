"""From the last knock to the open door, beside staged sets in the kernel, which decide in the packet path
itself.

Two views: how long SYNs sent in quick succession are still turned away, and how many clients get in with
their first SYN when they knock and connect back to back, without any pause. Between two SYNs the sender
sleeps for a moment (with what the system adds, some 0.1 ms), as it would otherwise take a core that a
client elsewhere leaves to the daemon.
"""

from __future__ import annotations

import os
import random
import select
import socket
import statistics
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from benchmarks.figures import Figure, Target
from benchmarks.hosts import RIGHT, doors, keyholders, rotating, running
from benchmarks.probing import Prober
from benchmarks.secrets import sequence
from lab.portress import REPOSITORY
from lab.probe import service
from lab.space import Namespace
from lab.worlds import World, crowd, world

sys.path.insert(0, str(REPOSITORY / "tests" / "kernel"))

from judge import Judge, Way, judge, ruleset

SUBJECT: Final = "From the last knock to the open door"
AGAINST: Final = "staged sets in the kernel"
ROUNDS: Final = 400
SYN_AGAIN: Final = 0.9  # seconds; the kernel repeats an unanswered SYN after one (RFC 6298)
DOOR: Final = 22
CLIENTS: Final = [f"198.51.100.{number}" for number in range(11, 51)]
EVERY: Final = 0.00003  # seconds slept between two SYNs
WAYS: Final = [Way("ssh", 22, RIGHT, 60)]
STAGED: Final = ruleset(WAYS)


def measure(quick: bool) -> Iterator[Figure]:
    rounds = ROUNDS // 4 if quick else ROUNDS
    with world() as w:
        w.stranger.ip(*(f"address add {source}/26 dev eth0" for source in CLIENTS))
        with judge(w, WAYS) as kernel:
            prober = Prober(w.stranger, "eth1", kernel.ns, "eth0", Judge.host4)
            plain = _rounds(prober, rounds)
            first_plain = _back_to_back(w, kernel.ns, Judge.host4)
        with running(w.host, doors()):
            prober = Prober(w.stranger, "eth0", w.host, "eth0", w.host4)
            ours = _rounds(prober, rounds)
        yield from _percentiles(ours, plain)
        with running(w.host, doors()):
            first = _back_to_back(w, w.host, w.host4)
        yield Figure(
            SUBJECT,
            "clients without any pause that connect with their first SYN",
            first,
            "%",
            first_plain,
            AGAINST,
            Target(">=", 100),
        )
        yield from _rotating(w, min(rounds, 150))


def _rounds(prober: Prober, count: int) -> list[float]:
    """Milliseconds, sorted; each round from a source of its own, at a moment when the daemon sleeps."""
    dice = random.Random(1)  # noqa: S311 — pauses, not secrets
    found = []
    for source in crowd(512)[:count]:
        time.sleep(dice.uniform(0.002, 0.006))
        took = prober.open(source, RIGHT, every=EVERY)
        if took is not None:
            found.append(took * 1000)
    if len(found) < count * 0.9:
        raise OSError(f"only {len(found)} of {count} doors opened")
    return sorted(found)


def _at(values: Sequence[float], share: float) -> float:
    return values[min(len(values) - 1, int(len(values) * share))]


def _percentiles(ours: Sequence[float], plain: Sequence[float]) -> Iterator[Figure]:
    targets = {"median": Target("<", 0.5), "99th percentile": Target("<", 2)}
    for name, share in (("median", 0.5), ("90th percentile", 0.9), ("99th percentile", 0.99)):
        value, base = (
            statistics.median(each) if share == 0.5 else _at(each, share) for each in (ours, plain)
        )
        yield Figure(SUBJECT, f"{name}, fixed sequence", value, "ms", base, AGAINST, targets.get(name))


def _back_to_back(w: World, ns: Namespace, address: str) -> float:
    """The share (%) of clients, real sockets of the stranger's, that get in with their first SYN."""
    with service(ns, f"tcp/{DOOR}"), w.stranger.enter():
        clients = []
        for source in CLIENTS:
            for text in RIGHT:
                protocol, _, port = text.partition("/")
                knocking = _socket(source, socket.SOCK_STREAM if protocol == "tcp" else socket.SOCK_DGRAM)
                if knocking.connect_ex((address, int(port))) == 0:
                    knocking.send(b"")
            clients.append(_socket(source, socket.SOCK_STREAM))
            clients[-1].connect_ex((address, DOOR))
            time.sleep(0.01)
        time.sleep(SYN_AGAIN - len(CLIENTS) * 0.01)
        connected = select.select([], clients, [], 0)[1]
        return 100 * _good(connected) / len(CLIENTS)


def _good(connected: list[socket.socket]) -> int:
    """How many of the sockets that can be written to are connected."""
    return sum(int(one.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR) == 0) for one in connected)


def _socket(source: str, kind: socket.SocketKind) -> socket.socket:
    made = socket.socket(socket.AF_INET, kind)
    made.setblocking(False)
    made.bind((source, 0))
    return made


def _rotating(w: World, rounds: int) -> Iterator[Figure]:
    """A rotating sequence is used up in the packet that completes it; beside that, one write that is synced,
    which is what the door would have to wait for otherwise."""
    with running(w.host, rotating(), holders=keyholders(rounds)) as host:
        prober = Prober(w.stranger, "eth0", w.host, "eth0", w.host4, port=60001)
        found, disk = [], []
        for number, source in enumerate(crowd(512)[:rounds]):
            time.sleep(0.003)
            took = prober.open(source, sequence(number, "vpn", time.time()), patience=0.5, every=EVERY)
            if took is not None:
                found.append(took * 1000)
            disk.append(_synced(host.files.folder))
    found.sort()
    disk.sort()
    against = "one write of 4 KiB and fdatasync"
    for name, share in (("median", 0.5), ("99th percentile", 0.99)):
        yield Figure(
            SUBJECT,
            f"{name}, rotating sequence",
            _at(found, share),
            "ms",
            _at(disk, share),
            against,
        )


def _synced(folder: Path) -> float:
    """Milliseconds of one write of 4 KiB that is on the disk afterwards."""
    descriptor = os.open(folder / "synced", os.O_WRONLY | os.O_CREAT, 0o600)
    try:
        begun = time.perf_counter()
        os.pwrite(descriptor, bytes(4096), 0)
        os.fdatasync(descriptor)
        return (time.perf_counter() - begun) * 1000
    finally:
        os.close(descriptor)
