"""Knocks a second: through watcher, trie, tracker and guard together, and through the tracker alone.

What is sent is what callers send: the right first knock, the same again as TCP stacks do, the right second
knock, and then a wrong one; of a hundred sources, one completes its sequence instead and is admitted.
"""

from __future__ import annotations

import gc
import subprocess
import time
from collections.abc import Iterator
from typing import Final

from attrs import frozen

from benchmarks.figures import Figure, Target
from benchmarks.hosts import PYTHON, RIGHT, Running, doors, keyholders, knocks_of, rotating, running
from benchmarks.secrets import sequence
from benchmarks.wire import Volley, hardware
from lab.packets import knock
from lab.space import LabError, Namespace
from lab.worlds import World, crowd, world
from portress.clock import step_at
from portress.config import load as configuration
from portress.keyholders import file as keyholding
from portress.knock import Knock
from portress.sequence.in_force import SequencesInForce
from portress.tracker import Tracker

SUBJECT: Final = "Knocks a second"
RATE: Final = 100_000
SOURCES: Final = 500
DAEMON: Final = "decide: daemon"  # the guard that decides reports no more than it has to
WRONG: Final = "tcp/9999"
# The host's own firewall, behind the guard: knock ports do not answer, so that no time goes into resets.
FIREWALL: Final = "table inet own {\nchain input {\ntype filter hook input priority 0; policy drop\n}\n}"
_BARE: Final = """
import sys, time
from portress.watch.packet import PacketWatcher
from portress.watch.packetlog import gathering
import selectors
ears = PacketWatcher(7507, time.monotonic_ns)
ears.__enter__()
ears._open().send(gathering(7507, 1))
receive, buffer, count = ears._open().recv_into, bytearray(1 << 17), 0
ready = selectors.DefaultSelector()
ready.register(ears.fileno(), selectors.EVENT_READ)
print("ready", flush=True)
while ready.select(3):
    try:
        while True:
            receive(buffer)
            count += 1
    except BlockingIOError:
        pass
    except OSError:
        pass
print(count, flush=True)
"""


@frozen
class Kind:
    """A configuration to knock at: its text, keyholders, and what source number n knocks."""

    name: str
    config: str
    holders: str | None = None
    doors: int = 1


KINDS: Final = (
    Kind("1 door", doors(1, DAEMON)),
    Kind("1,000 doors", doors(1000, DAEMON), doors=1000),
    Kind("1,000 keyholders at 3 doors", rotating(top=DAEMON), keyholders(1000)),
)


def measure(quick: bool) -> Iterator[Figure]:
    seconds = 1.0 if quick else 3.0
    with world() as w:
        w.host.nft(FIREWALL)
        for kind in KINDS:
            with running(w.host, kind.config, holders=kind.holders) as host:
                yield from _through(w, host, kind, seconds)
        with running(w.host, doors(top=DAEMON)) as host:
            yield from _completed(w, host, 2000 if quick else 6000)
    for kind in KINDS:
        yield from _alone(kind, 100_000 if quick else 300_000)


def _knocks(kind: Kind, number: int) -> tuple[str, ...]:
    return sequence(number, "vpn", time.time()) if kind.holders else knocks_of(number % kind.doors)


def _packets(kind: Kind, target: str) -> list[bytes]:
    sources = crowd(SOURCES)
    lines = []
    for number in range(SOURCES):
        right = _knocks(kind, number)
        last = right[2] if number % 100 == 99 and not kind.holders else WRONG
        lines.append((right[0], right[0], right[1], last))
    return [knock(sources[n], target, lines[n][at]) for at in range(4) for n in range(SOURCES)]


def _send(volley: Volley, rate: int, seconds: float) -> tuple[int, float]:
    """Send at `rate` packets a second (0: as fast as can be); how many in how many seconds."""
    begun, sent = time.perf_counter(), 0
    while (passed := time.perf_counter() - begun) < seconds:
        if not rate:
            sent += volley.fire(1000)
        elif (due := int(passed * rate) - sent) >= 50:
            sent += volley.fire(due)
        else:
            time.sleep(0.0003)
    return sent, time.perf_counter() - begun


def _through(w: World, host: Running, kind: Kind, seconds: float) -> Iterator[Figure]:
    volley = Volley(w.stranger, "eth0", hardware(w.host, "eth0"), _packets(kind, w.host4))
    _send(volley, 5000, 0.3)  # all sets and tables have grown
    for rate, aim in ((RATE, Target("<=", 0)), (0, None)):
        before, lost, cpu = host.settle(), host.ask("status")["lost"], host.cpu
        sent, took = _send(volley, rate, seconds)
        heard = host.settle() - before
        lost, cpu = sent - heard, host.cpu - cpu
        bare, plain = _bare(w.host, volley, rate, seconds, host) if kind is KINDS[0] else (None, 0.0)
        each = f"{cpu / max(1, heard) * 1e6:.1f} µs CPU a knock"
        if rate:
            note = f"sent {sent / took:,.0f} a second, {each}" if sent < 0.98 * rate * took else each
            yield Figure(
                SUBJECT,
                f"lost of {RATE:,} a second through everything, {kind.name}",
                100 * lost / sent,
                "%",
                bare,
                "a bare receiving loop",
                aim,
                note,
            )
        else:
            yield Figure(
                SUBJECT,
                f"heard a second when as many are sent as can be, {kind.name}",
                heard / took,
                "",
                plain or None,
                "a bare receiving loop",
                Target(">=", RATE),
                f"sent {sent / took:,.0f} a second, {100 * lost / sent:.1f} % not heard, {each}",
            )
    volley.close()


def _bare(ns: Namespace, volley: Volley, rate: int, seconds: float, host: Running) -> tuple[float, float]:
    """The same traffic to a loop that receives the reports and does nothing: lost (%), received a second."""
    assert host.files.process is not None
    host.files.process.terminate()
    host.files.process.wait(10)
    with ns.popen([PYTHON, "-c", _BARE], stdout=subprocess.PIPE) as bare:
        assert bare.stdout is not None
        bare.stdout.readline()
        sent, took = _send(volley, rate, seconds)
        received = int(bare.stdout.readline())
    host.start()
    return 100 * (sent - received) / sent, received / took


def _completed(w: World, host: Running, count: int) -> Iterator[Figure]:
    """Whole sequences, one after the other, each of another source: all are admitted."""
    sources = crowd(count, 6)
    packets = [knock(source, w.host6, text) for source in sources for text in RIGHT]
    volley = Volley(w.stranger, "eth0", hardware(w.host, "eth0"), packets)
    before, begun = host.cpu, time.perf_counter()
    for _ in range(len(packets) // 300):
        volley.fire(300)
        time.sleep(0.002)
    until = begun + 60
    while (now := host.admitted()) < count - count % 100 and time.perf_counter() < until:
        time.sleep(0.02)
    took = time.perf_counter() - begun
    if now < count - count % 100:
        raise LabError(f"only {now} of {count} sources were admitted")
    yield Figure(
        SUBJECT,
        "whole sequences a second, each with an admission",
        now / took,
        "",
        note=f"{(host.cpu - before) / now * 1e6:.0f} µs CPU each; the ledger is written behind",
    )
    volley.close()


def _alone(kind: Kind, count: int) -> Iterator[Figure]:
    config = configuration.parse(kind.config, "portress.yaml")
    holders = keyholding.parse(kind.holders, "keyholders.yaml", config.doors) if kind.holders else ()
    trie = SequencesInForce(config, holders).trie(step_at(time.time()))
    heard = []
    for number in range(count // 4):
        right = [int(Knock.parse(text)) for text in _knocks(kind, number % 1000)[:2]]
        source = number.to_bytes(4, "big")
        heard += [(source, one, number * 1000) for one in (right[0], right[0], right[1], 1)]
    gc.collect()
    rates = []
    for _ in range(3):
        hear = Tracker(trie, limit=65536).hear
        begun = time.perf_counter()
        for source, one, now in heard:
            hear(source, one, now)
        rates.append(len(heard) / (time.perf_counter() - begun))
    yield Figure(
        SUBJECT,
        f"tracker alone, {kind.name}",
        max(rates),
        "",
        _dictionary(heard),
        "a dictionary of the last knock by source",
        Target(">=", 500_000),
    )


def _dictionary(heard: list[tuple[bytes, int, int]]) -> float:
    last: dict[bytes, int] = {}
    begun = time.perf_counter()
    for source, one, _ in heard:
        if last.get(source) != one:
            last[source] = one
    return len(heard) / (time.perf_counter() - begun)
