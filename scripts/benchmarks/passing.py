"""What the guard costs honest traffic: new connections, and bulk, of who is admitted, public or only
routed.

The same traffic passes without any rules, with connection tracking alone, with a hand-written ruleset that
guards one port, and with the guard of one door and of a thousand. They take turns, round after round; each
figure is the best twentieth of a second, as whatever else the machine does only ever makes one worse.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import socket
import struct
import time
from collections.abc import Callable, Iterator
from typing import Final

from benchmarks.figures import Figure, Target
from benchmarks.hosts import doors
from lab.space import Namespace
from lab.worlds import World, world
from portress.admissions import Grant
from portress.config import load as configuration
from portress.guard.ruleset import build
from portress.guard.table import Table
from portress.knock import SECOND, Source
from portress.sequence.fixed import expected
from portress.sequence.trie import Trie

SUBJECT: Final = "Honest traffic"
PORTS: Final = {"of an admitted source": 22, "to a public service": 80, "routed through the host": 8080}
_HAND: Final = """
table inet hand {{
  set in_4 {{ type ipv4_addr; flags timeout; elements = {{ {source} timeout 1h }}; }}
  chain entry {{
    type filter hook prerouting priority -150; policy accept;
    iifname "lo" accept
    ct state established,related accept
    tcp dport 22 ip saddr @in_4 accept
    tcp dport 22 drop
  }}
}}"""
_TRACKING: Final = """
table inet tracking {
  chain entry {
    type filter hook prerouting priority -150; policy accept;
    ct state established,related accept
  }
}"""
_RESET: Final = struct.pack("ii", 1, 0)  # SO_LINGER: close with a reset, no TIME-WAIT
_CHUNK: Final = 1 << 20
_BACKLOG: Final = 4096
_MOMENT: Final = 0.05  # s


def _serve(listener: socket.socket) -> None:
    """Accept for ever; a connection that sends is read to its end, any other is closed at once."""
    sink = bytearray(_CHUNK)
    while True:
        made, _ = listener.accept()
        with made, contextlib.suppress(OSError):
            while made.recv_into(sink):
                pass


@contextlib.contextmanager
def server(ns: Namespace, port: int) -> Iterator[None]:
    with ns.enter():
        listener = socket.create_server(("0.0.0.0", port), backlog=_BACKLOG)  # noqa: S104 - in a namespace
    process = multiprocessing.get_context("fork").Process(target=_serve, args=(listener,), daemon=True)
    process.start()
    listener.close()
    try:
        yield
    finally:
        process.kill()
        process.join()


def connections(ns: Namespace, address: str, port: int, seconds: float) -> float:
    """Connections a second, one after the other, in the best moment."""

    def dial() -> int:
        with socket.socket() as made:
            made.settimeout(2)
            made.connect((address, port))
            made.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
        return 1

    with ns.enter():
        return _best(dial, seconds)


def _bulk(ns: Namespace, address: str, port: int, seconds: float) -> float:
    """Gbit/s over one connection, in the best moment."""
    data = bytes(_CHUNK)
    with ns.enter():
        dial = socket.create_connection((address, port), 2)
    with dial:
        return _best(lambda: dial.send(data), seconds) * 8 / 1e9


def _best(work: Callable[[], int], seconds: float) -> float:
    """What `work` returns, added up, a second: the best of the moments that `seconds` consist of."""
    best, until = 0.0, time.perf_counter() + seconds
    while (begun := time.perf_counter()) < until:
        done = 0
        while (passed := time.perf_counter() - begun) < _MOMENT:
            done += work()
        best = max(best, done / passed)
    return best


@contextlib.contextmanager
def _nothing(w: World) -> Iterator[None]:
    yield


@contextlib.contextmanager
def _hand_written(w: World) -> Iterator[None]:
    w.host.nft(_HAND.format(source=w.stranger4))
    yield
    w.host.run(["nft", "delete", "table", "inet", "hand"])


@contextlib.contextmanager
def _tracked(w: World) -> Iterator[None]:
    w.host.nft(_TRACKING)
    yield
    w.host.run(["nft", "delete", "table", "inet", "tracking"])


def _guarded(count: int) -> Callable[[World], contextlib.AbstractContextManager[None]]:
    config = configuration.parse(doors(count, top="public: [tcp/80]"), "portress.yaml")
    ruleset = build(config, Trie(expected(config)).opening)

    @contextlib.contextmanager
    def guarded(w: World) -> Iterator[None]:
        with w.host.enter():
            table = Table()
            table.load(ruleset, [Grant("ssh", Source.parse(w.stranger4), 3600 * SECOND)])
        yield
        with w.host.enter():
            table.remove()

    return guarded


Rates = dict[tuple[str, str, str], list[float]]  # by rules, traffic and kind: "new" or "bulk"


def _measured(w: World, rounds: int, seconds: float) -> Rates:
    assert w.backend is not None
    with contextlib.ExitStack() as stack:
        for port in (22, 80):
            stack.enter_context(server(w.host, port))
        stack.enter_context(server(w.backend, 8080))
        rates: Rates = {}
        rules = {
            "no rules": _nothing,
            "tracked": _tracked,
            "hand-written": _hand_written,
            "1 door": _guarded(1),
            "1,000 doors": _guarded(1000),
        }
        for _ in range(rounds):
            for name, loaded in rules.items():
                with loaded(w):
                    for traffic, port in PORTS.items():
                        address = w.backend4 if port == 8080 else w.host4
                        new = connections(w.stranger, address, port, seconds)
                        rates.setdefault((name, traffic, "new"), []).append(new)
                        bulk = _bulk(w.stranger, address, port, seconds)
                        rates.setdefault((name, traffic, "bulk"), []).append(bulk)
    return rates


def measure(quick: bool) -> Iterator[Figure]:
    with world(backend=True) as w:
        rates = _measured(w, 3 if quick else 10, 0.2 if quick else 0.25)
    best = {key: max(values) for key, values in rates.items()}
    for kind, unit, words in (("new", "/s", "new connections"), ("bulk", "Gbit/s", "bulk")):
        for traffic in PORTS:
            free, tracked = (best[rules, traffic, kind] for rules in ("no rules", "tracked"))
            hand, one = (best[rules, traffic, kind] for rules in ("hand-written", "1 door"))
            aimed = Target(">=", 0.95, ratio=True) if kind == "new" else None
            what = f"{words} {traffic}"
            yield Figure(SUBJECT, f"{what}, hand-written rules", hand, unit, free, "no rules")
            yield Figure(SUBJECT, f"{what}, 1 door", one, unit, free, "no rules", aimed)
            yield Figure(SUBJECT, f"{what}, 1 door", one, unit, tracked, "connection tracking alone")
            many = best["1,000 doors", traffic, kind]
            yield Figure(SUBJECT, f"{what}, 1,000 doors", many, unit, one, "1 door", aimed)
