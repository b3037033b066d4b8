"""The guard's end where the daemon decides: which knocks are reported, and how. Pure.

In: the configuration and the first knocks of the sequences in force. Out: the part of the guard that comes
after it is known that a packet is a knock: it is reported if it is a first knock, or its source a caller.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from portress.config.model import Config
from portress.guard.language import (
    ADDRESS,
    KNOCK,
    KNOCK_TYPE,
    Chain,
    Part,
    Set,
    knock_element,
    source,
    timed_set,
)
from portress.knock import SECOND

REPORT: Final = "report"
FULL: Final = "callers_full"  # the counter of first knocks that found no room in callers
UNHEARD: Final = "unheard"  # the counter of knocks that no line was written of, or that found no room
HEARD: Final = "heard"  # what the counter watcher polls: heard_4, heard_6
KNOCKS: Final = "knocks"  # how many knocks of each source came, for the same: knocks_4, knocks_6
PACED: Final = "paced"  # how fast each source is heard: paced_4, paced_6; a counter of what came faster
SNAPLEN: Final = 96  # bytes of a knock that are reported: enough for IPv6 extension headers and TCP
TOGETHER: Final = 64  # packets reported in one message at the most; the watcher says how many it wants
MARGIN: Final = 2 * SECOND  # the kernel remembers a caller longer than the tracker, which is the judge
LOG_RATE: Final = 2000  # kernel log lines a second at the most, for `watch: journal`
# Of one source in a second, and at once, where hearing costs more than a packet: a sequence has at most 16
# knocks, and whoever sweeps all ports must leave room for others.
PACE: Final = 10
PACE_AT_ONCE: Final = 32
HEARD_SIZE: Final = 16384  # knocks of a family: what can be polled ten times a second (see watch/counter.py)


def heard_timeout(config: Config) -> int:
    """How long (s) a knock can be polled for: as short as the pause between two polls lets it be."""
    return -(-10 * config.counter_interval // SECOND) + 2


def part(config: Config, opening: Iterable[int]) -> Part:
    """The part; a source is reported once it hits one of the first knocks `opening`."""
    first_knocks = tuple(knock_element(knock) for knock in sorted(opening))
    callers = (f"{source(config, family)} @callers_{family} goto {REPORT}" for family in (4, 6))
    return Part(
        counters=(FULL,) if config.watch == "packet" else (FULL, UNHEARD, PACED),
        living=tuple(
            timed_set(f"callers_{family}", family, config.callers, "gc-interval 1s") for family in (4, 6)
        ),
        mirrors=(
            Set("opening", (f"type {KNOCK_TYPE}",), elements=first_knocks, steady=False),
            *_counted(config),
        ),
        chains=(Chain(REPORT, tuple(_report(config))),),
        rules=(f"{KNOCK} @opening goto {REPORT}", *callers),
    )


def _counted(config: Config) -> Iterable[Set]:
    """The sets to which the packet path adds, each element with a state of its own."""
    flags = "flags dynamic,timeout"
    for family in (4, 6):
        address = f"type {ADDRESS[family]}"
        if config.watch != "packet":
            yield Set(f"{PACED}_{family}", (address, flags), size=config.callers)
        if config.watch == "counter":
            yield Set(f"{KNOCKS}_{family}", (address, flags), size=config.callers)
            yield Set(f"{HEARD}_{family}", (f"{address} . {KNOCK_TYPE}", flags), size=HEARD_SIZE)


def _report(config: Config) -> Iterable[str]:
    timeout = -(-(config.longest_gap + MARGIN) // SECOND)
    sources = {family: source(config, family) for family in (4, 6)}
    for family, one in sources.items():
        yield f"update @callers_{family} {{ {one} timeout {timeout}s }}"
    # `update` on a full set ends its rule: whoever is not in the set now found no room.
    for family, one in sources.items():
        yield f'{one} != @callers_{family} counter name "{FULL}" accept'
    if config.watch == "packet":
        yield f"log group {config.group} snaplen {SNAPLEN} queue-threshold {TOGETHER}"
        return
    if config.watch == "counter":
        for family, one in sources.items():
            yield f"update @{KNOCKS}_{family} {{ {one} timeout {timeout}s counter }}"
    faster = f"limit rate over {PACE}/second burst {PACE_AT_ONCE} packets"
    for family, one in sources.items():
        paced = f"update @{PACED}_{family} {{ {one} timeout {timeout}s {faster} }}"
        yield f'{paced} counter name "{PACED}" accept'
    if config.watch == "journal":
        # Of level debug, so that the console, which shows all but that by default, is not flooded.
        log = f'log prefix "{config.journal_prefix}" level debug flags tcp sequence'
        yield f"limit rate {LOG_RATE}/second burst {LOG_RATE} packets {log} accept"
    else:
        for family, one in sources.items():
            key = f"{one} . {KNOCK} timeout {heard_timeout(config)}s counter"
            yield f"update @{HEARD}_{family} {{ {key} }} accept"
    yield f'counter name "{UNHEARD}"'
