"""What hours, paper, places and single connections cost those who knock: each beside the same door without.

From the last knock to the first answer of the door, dialled from the knocks' own port; whole sequences, one
after the other; the tree and the tracker with a sheet of paper for each of a thousand keyholders.
"""

from __future__ import annotations

import math
import socket
import statistics
import time
from collections.abc import Iterator, Sequence
from typing import Final

from attrs import evolve

from benchmarks.figures import Figure, Target
from benchmarks.hosts import GAP, RIGHT, Running, keyholders, rotating, running
from benchmarks.probing import Prober
from benchmarks.secrets import sequence
from benchmarks.wire import Volley, hardware
from lab.packets import datagram, knock, syn
from lab.space import LabError
from lab.worlds import World, crowd, world
from portress.clock import step_at
from portress.config import load as configuration
from portress.keyholders import file as keyholding
from portress.keyholders.keyholder import Sheet
from portress.knock import Knock
from portress.sequence.in_force import SequencesInForce
from portress.tracker import Tracker

SUBJECT: Final = "What an admission is worth"
PORT: Final = 40111
HOURS: Final = 'hours: {from: "00:00", to: "24:00", zone: Europe/Berlin}, at_closing: end, '
KINDS: Final = {
    "": ("stay: 1h, ", ""),
    "with hours": (f"stay: 1h, {HOURS}", ""),
    "for one connection": ("stay: 30s, ", ", admits: connection"),
}


def measure(quick: bool) -> Iterator[Figure]:
    rounds, count = (100, 1000) if quick else (400, 3000)
    with world() as w:
        for decide in ("kernel", "daemon"):
            found = dict.fromkeys(KINDS, (math.inf, math.inf))
            for kind in [*KINDS] * (1 if quick else 3):  # in turn: the machine has other things to do
                with running(w.host, _door(decide, kind)) as host:
                    took, cpu = statistics.median(_rounds(w, rounds)), _sequences(w, host, count)
                found[kind] = min(found[kind][0], took), min(found[kind][1], cpu)
            plain = found.pop("")
            for kind, (took, cpu) in found.items():
                yield _beside(f"last knock to open door, {decide} decides, {kind}", took, "ms", plain[0])
                yield _beside(f"daemon's CPU a sequence, {decide} decides, {kind}", cpu, "µs", plain[1])
    yield from _on_paper(20_000 if quick else 100_000)


def _beside(what: str, value: float, unit: str, plain: float) -> Figure:
    target = Target("<=", 1.25, ratio=True) if unit else Target(">=", 0.8, ratio=True)
    return Figure(SUBJECT, what, value, unit, plain, "the same door without", target)


def _door(decide: str, kind: str) -> str:
    of_door, of_sequence = KINDS[kind]
    sequence_ = f"fixed: {{knocks: [{', '.join(RIGHT)}], gap: {GAP}s{of_sequence}}}"
    return f"decide: {decide}\ndoors:\n  ssh: {{services: [tcp/22], {of_door}{sequence_}}}\n"


def _rounds(w: World, count: int) -> list[float]:
    """Milliseconds from the last knock to the first answer, each from a source of its own."""
    prober = Prober(w.stranger, "eth0", w.host, "eth0", w.host4)
    found = [took * 1000 for one in crowd(512)[:count] if (took := _open(prober, one, w.host4)) is not None]
    prober.close()
    if len(found) < count * 0.9:
        raise LabError(f"only {len(found)} of {count} doors opened")
    return found


def _open(prober: Prober, source: str, host: str) -> float | None:
    """Seconds until the door answers a SYN from the port that knocked; None: it does not within 0.3."""
    made = [_from_port(source, host, text) for text in RIGHT]
    *first, last = (prober.frame(one) for one in made)
    again = prober.frame(syn(source, host, 22, PORT))
    time.sleep(0.003)
    for one in first:
        prober._out.send(one)
        time.sleep(0.001)
    while _answer(prober):
        pass
    begun = time.perf_counter()
    prober._out.send(last)
    while time.perf_counter() - begun < 0.3:
        prober._out.send(again)
        while packet := _answer(prober):
            if packet[20:24] == (22).to_bytes(2, "big") + PORT.to_bytes(2, "big") and packet[
                16:20
            ] == socket.inet_aton(source):
                return time.perf_counter() - begun
    return None


def _from_port(source: str, host: str, text: str) -> bytes:
    made = Knock.parse(text)
    return (syn if text.startswith("tcp") else datagram)(source, host, made.port, PORT)


def _answer(prober: Prober) -> bytes:
    try:
        return prober._in.recv(128)
    except BlockingIOError:
        return b""


def _sequences(w: World, host: Running, count: int) -> float:
    """µs of the daemon's CPU for a whole sequence, each of another source."""
    packets = [knock(source, w.host6, text) for source in crowd(count, 6) for text in RIGHT]
    volley = Volley(w.stranger, "eth0", hardware(w.host, "eth0"), packets)
    before, begun, had = host.cpu, time.perf_counter(), host.admitted()
    for _ in range(len(packets) // 300):
        volley.fire(300)
        time.sleep(0.002)
    while (now := host.admitted() - had) < count - count % 100 and time.perf_counter() < begun + 25:
        time.sleep(0.02)
    volley.close()
    if now < count - count % 100:
        raise LabError(f"only {now} of {count} sources were admitted")
    return (host.cpu - before) / now * 1e6


def _on_paper(count: int) -> Iterator[Figure]:
    """A thousand keyholders at one door, without paper and each with a sheet of ten."""
    names, step = ("vpn",), step_at(time.time())
    heard = []
    for number in range(count // 4):
        right = [int(Knock.parse(one)) for one in sequence(number % 1000, "vpn", time.time())[:2]]
        heard += [
            (number.to_bytes(4, "big"), one, number * 1000) for one in (right[0], right[0], right[1], 1)
        ]
    tries, built = {}, {}
    for paper in (False, True):
        text = rotating(names).replace("stay: 1h,", "stay: 1h, paper: {}," if paper else "stay: 1h,")
        config = configuration.parse(text, "portress.yaml")
        holders = keyholding.parse(keyholders(1000, names), "keyholders.yaml", config.doors)
        if paper:
            holders = tuple(
                evolve(one, paper={"vpn": Sheet(1 + 10 * n, 10, "00" * 8)}) for n, one in enumerate(holders)
            )
        sequences = SequencesInForce(config, holders, era=None)
        sequences.trie(step)
        begun = time.perf_counter()
        tries[paper] = sequences.trie(step + 1)
        built[paper] = (time.perf_counter() - begun) * 1000
    rates = {False: 0.0, True: 0.0}
    for paper in (False, True) * 4:
        rates[paper] = max(rates[paper], _heard(Tracker(tries[paper], limit=65536), heard))
    yield _beside(
        "knocks a second, tracker alone, 1,000 keyholders with paper", rates[True], "", rates[False]
    )
    yield Figure(
        SUBJECT,
        "the next step's tree, in a thread, 1,000 keyholders with paper",
        built[True],
        "ms",
        built[False],
        "the same door without",
        note=f"10,000 sequences on paper; {len(tries[True].opening):,} first knocks in force",
    )


def _heard(tracker: Tracker, heard: Sequence[tuple[bytes, int, int]]) -> float:
    hear, begun = tracker.hear, time.perf_counter()
    for source, one, now in heard:
        hear(source, one, now)
    return len(heard) / (time.perf_counter() - begun)
