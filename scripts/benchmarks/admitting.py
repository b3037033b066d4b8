"""One, a thousand and a hundred thousand admissions: to admit one more, to list, to reload, to put the
guard back.

The admissions are put into kernel and ledger, and the daemon takes them over as after a restart.
"""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import statistics
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from typing import Any, Final

from attrs import frozen

from benchmarks.figures import Figure, Target
from benchmarks.hosts import Running, doors, running
from lab.space import LabError, Namespace, namespace
from portress.admissions import Grant
from portress.config import load as configuration
from portress.guard.elements import INET, NFTABLES
from portress.guard.ruleset import build
from portress.guard.table import Table
from portress.knock import SECOND, Source
from portress.netlink import ACK, Netfilter, attribute, attributes
from portress.sequence.fixed import expected
from portress.sequence.trie import Trie

SUBJECT: Final = "Admissions"
COUNTS: Final = (1, 1000, 100_000)
STAY: Final = 3600
ROOM: Final = "admissions: 131072\n"


@frozen
class Took:
    """Milliseconds, for one number of admissions."""

    table: float  # one more, in the guard alone
    socket: float  # one more, by the control socket
    status: float
    nft_list: float
    reload: float
    nft_load: float
    shut: float  # from a flush's end to the doors shut
    back: float  # … to the last admission back


def measure(quick: bool) -> Iterator[Figure]:
    found: dict[int, Took] = {}
    for count in COUNTS:
        with namespace("host") as ns, running(ns, ROOM + doors(), start=False) as host:
            found[count] = _took(ns, host, count)
    yield from _figures(found)


def _figures(found: dict[int, Took]) -> Iterator[Figure]:
    one = found[COUNTS[0]]
    for count, took in found.items():
        among = "1 admission" if count == 1 else f"{count:,} admissions"
        grow = Target("<=", 1.5, ratio=True) if count == COUNTS[-1] else None
        soon, late = Target("<", 100), Target("<", 100) if count < COUNTS[-1] else None
        listed, loaded, alone = "nft -j list table", "nft -f of the whole table", "with 1"
        after = "after a flush, until"
        asked = "admit one more, asked by the control socket"
        for what, value, unit, other, beside, target in (
            ("admit one more, in the guard", took.table * 1000, "µs", one.table * 1000, alone, grow),
            (asked, took.socket, "ms", one.socket, alone, grow),
            ("list, as status --json asks for it", took.status, "ms", took.nft_list, listed, None),
            ("reload, admissions carried over", took.reload, "ms", took.nft_load, loaded, None),
            (f"{after} strangers are shut out", took.shut, "ms", took.nft_load, loaded, soon),
            (f"{after} all are admitted again", took.back, "ms", took.nft_load, loaded, late),
        ):
            yield Figure(SUBJECT, f"{what}, {among}", value, unit, other, beside, target)


def _source(number: int) -> Source:
    """IPv6, from 2001:db8::/32 (RFC 3849)."""
    return Source(bytes.fromhex("20010db8000c") + bytes(6) + number.to_bytes(4, "big"), 128)


def _fill(ns: Namespace, host: Running, count: int) -> None:
    """The guard with so many admissions, and a ledger that knows them."""
    host.start()
    assert host.files.process is not None
    host.files.process.terminate()
    host.files.process.wait(10)
    sources = [_source(number) for number in range(count)]
    with ns.enter():
        Table().admit((Grant("ssh", source, STAY * SECOND) for source in sources), new=True)
    now = time.time()
    with closing(sqlite3.connect(host.files.state / "ledger.db")) as ledger, ledger:
        ledger.executemany(
            "INSERT INTO admission (source, length, port, door, how, since, until)"
            " VALUES (?, 128, 0, 'ssh', 'knock', ?, ?)",
            [(source.packed, now, now + STAY) for source in sources],
        )
    host.start(60)


def _took(ns: Namespace, host: Running, count: int) -> Took:
    _fill(ns, host, count)
    status = _median(3, lambda _: host.ask("status"))
    answer = host.ask("status")
    if len(answer["admissions"]) not in (count, 1000):
        raise LabError(f"{len(answer['admissions'])} of {count} admissions are listed")
    nft_list = _median(
        2, lambda _: json.loads(ns.run(["nft", "-j", "list", "table", "inet", "portress"]).stdout)
    )
    socket = _median(30, lambda turn: host.ask("admit", source=str(_source(1 << 24 | turn)), door="ssh"))
    reload = _median(3, lambda _: _reload(host))
    text = ns.run(["nft", "list", "table", "inet", "portress"]).stdout
    nft_load = _load(text)
    shut, back = zip(*(_flush(ns, host) for _ in range(3)), strict=True)
    return Took(
        _alone(count),
        socket,
        status,
        nft_list,
        reload,
        nft_load,
        statistics.median(shut),
        statistics.median(back),
    )


def _median(times: int, work: Callable[[int], Any]) -> float:
    took = []
    for turn in range(times):
        begun = time.perf_counter()
        work(turn)
        took.append((time.perf_counter() - begun) * 1000)
    return statistics.median(took)


def _alone(count: int) -> float:
    """One more in a guard of its own, without a daemon."""
    config = configuration.parse(ROOM + doors(), "portress.yaml")
    with namespace("alone") as other, other.enter():
        table = Table()
        table.load(build(config, Trie(expected(config)).opening))
        table.admit((Grant("ssh", _source(number), STAY * SECOND) for number in range(count)), new=True)
        return _median(
            300, lambda turn: table.admit([Grant("ssh", _source(1 << 24 | turn), STAY * SECOND)], new=True)
        )


def _reload(host: Running) -> None:
    before = len(host.told())
    os.kill(host.pid, signal.SIGHUP)
    host.wait_for("reloaded", before)


def _load(text: str) -> float:
    """The same table into a namespace of its own, by nft itself; ms."""
    with namespace("other") as other:
        begun = time.perf_counter()
        other.run(["nft", "-f", "-"], text=text, timeout=60)
        return (time.perf_counter() - begun) * 1000


def _flush(ns: Namespace, host: Running) -> tuple[float, float]:
    """From a flush: ms until there is a guard again, and until all are admitted again."""
    before = len(host.told())
    with ns.enter():
        old = seen = _handle()
        flushing = ns.popen(["nft", "flush", "ruleset"])
        until = time.perf_counter() + 20
        while seen in (old, None):
            last, now = seen, time.perf_counter()
            seen = _handle()
            if seen == old or last == old:
                begun = now  # the guard was still there, or was not found for the first time
            if now > until:
                raise LabError("the guard was not put back")
        shut = (time.perf_counter() - begun) * 1000
        flushing.wait()
    host.wait_for("restored with", before, 60)
    back = (time.perf_counter() - begun) * 1000
    time.sleep(0.2)
    return shut, back


def _handle() -> bytes | None:
    """The number that the kernel gave the guard's table when it was made; None without one."""
    try:
        with Netfilter() as netfilter:
            answers = list(netfilter.ask(NFTABLES, 1, INET, attribute(1, b"portress\0"), ACK))
    except FileNotFoundError:
        return None
    return bytes(dict(attributes(answers[0]))[4])  # NFTA_TABLE_HANDLE
