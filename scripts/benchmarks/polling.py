"""The counter watcher: what a poll costs, with as many elements in the sets as there is room for, and with
more.

The guard has room for 16,384 knocks a family; for more, it is loaded here with larger sets.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from typing import Final

from benchmarks.figures import Figure, Target
from benchmarks.hearing import FIREWALL
from benchmarks.hosts import RIGHT, doors
from benchmarks.wire import Volley, hardware
from lab.packets import knock
from lab.space import LabError, Namespace
from lab.worlds import World, world
from portress.config import load as configuration
from portress.guard import elements
from portress.guard.language import TABLE
from portress.guard.report import HEARD
from portress.guard.ruleset import build, render
from portress.sequence.fixed import expected
from portress.sequence.trie import Trie
from portress.watch.counter import cost

SUBJECT: Final = "A poll of the counter watcher"
ROOM: Final = 16_384
COUNTS: Final = (0, 1000, ROOM, 100_000)


def measure(quick: bool) -> Iterator[Figure]:
    for count in COUNTS[:3] if quick else COUNTS:
        with world() as w:
            _load(w, count)
            with w.host.enter():
                held, took = cost() if count <= ROOM else _read()
                listed = _listed(w.host)
            if held < 0.9 * count:
                raise LabError(f"{held} elements instead of {count}")
            yield Figure(
                SUBJECT,
                f"CPU of one, {held:,} knocks in the sets"
                if count <= ROOM
                else f"CPU of reading {held:,} knocks out of a set",
                took * 1000,
                "ms",
                listed * 1000,
                "nft -j list set",
                Target("<", 100) if count <= ROOM else None,
                "the guard has no room for so many: a poll ten times a second could not take them"
                if count > ROOM
                else "",
            )


def _load(w: World, count: int) -> None:
    """The guard, with so many knocks counted, each of another source: it counts packets alone."""
    config = configuration.parse(doors(top="watch: counter"), "portress.yaml")
    text = render(build(config, Trie(expected(config)).opening))
    w.host.nft(re.sub(r"size \d+", "size 262144", text))
    w.host.nft(FIREWALL)
    if not count:
        return
    packets = [
        knock(f"2001:db8:d::{number >> 16:x}:{number & 0xFFFF:x}", w.host6, RIGHT[0])
        for number in range(count)
    ]
    volley = Volley(w.stranger, "eth0", hardware(w.host, "eth0"), packets)
    for first in range(0, count, 250):  # a link's queue holds 1,000
        volley.fire(min(250, count - first))
        time.sleep(0.001)
    volley.close()


def _read() -> tuple[int, float]:
    """How many elements there are, and CPU seconds for reading them."""
    begun = time.process_time()
    return len(elements.read(TABLE, f"{HEARD}_6")), time.process_time() - begun


def _listed(ns: Namespace) -> float:
    """Seconds that nft takes to list the same set."""
    begun = time.perf_counter()
    json.loads(ns.run(["nft", "-j", "list", "set", "inet", "portress", f"{HEARD}_6"], timeout=60).stdout)
    return time.perf_counter() - begun
