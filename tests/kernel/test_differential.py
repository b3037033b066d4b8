"""The guard run by the daemon and the judge, given the same packets over real links, let the same sources in.

One timed run carries hundreds of traces, each from a source of its own, interleaved. The gaps are 2 s and
4 s; the times between packets that come nearest to them are 0.2 s away, and what was sent within 0.1 s of one
after all, on a machine that was busy, is left out of the comparison. The daemon takes the time when it hears
of a packet, the judge when the packet comes: the daemon goes before other programs, so that these agree.
"""

from __future__ import annotations

import contextlib
import os
import random

from hypothesis import HealthCheck, given, settings

from kernel.judge import Way, judge, let_in
from kernel.traces import Trace, play, traces
from lab import crowd, daemon, sender, world

WAYS = (
    Way("ssh", 22, ("tcp/4617", "udp/2953", "tcp/6381"), 2.0),
    # Begins as the first does, and has more time.
    Way("web", 8443, ("tcp/4617", "udp/2953", "udp/6002", "tcp/6001"), 4.0),
    # Its second knock opens the other two.
    Way("desk", 5900, ("udp/5000", "tcp/4617"), 4.0),
)
CONFIG = """
public: [tcp/80]
doors:
  ssh: {services: [tcp/22], stay: 1h, fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 2s}}
  web: {services: [tcp/8443], stay: 1h, fixed: {knocks: [tcp/4617, udp/2953, udp/6002, tcp/6001], gap: 4s}}
  desk: {services: [tcp/5900], stay: 1h, fixed: {knocks: [udp/5000, tcp/4617], gap: 4s}}
"""
# Closed ports, right ports of the wrong protocol, guarded and public services, and no first packets.
NOISE = (
    *("tcp/4618", "udp/2954", "udp/4617", "tcp/2953", "tcp/5000", "tcp/22", "tcp/8443", "tcp/80"),
    *("ack:tcp/4617", "synack:tcp/6381", "rst:tcp/4617", "fin:tcp/6001"),
)
LIMITS = (2.0, 4.0)
SLACK = 0.1


def generated(count: int) -> list[Trace]:
    """`count` traces of Hypothesis' making, the same in each run."""
    made: list[Trace] = []

    @settings(
        max_examples=count,
        derandomize=True,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(traces(WAYS, NOISE, LIMITS))
    def collect(trace: Trace) -> None:
        made.append(trace)

    collect()
    return made


def test_guard_and_judge_let_the_same_sources_in() -> None:
    """Of 900 traces: scripts/test wide."""
    same_sources(500)


def same_sources(count: int) -> None:
    made = generated(count)
    half = min(len(made) // 2, 500)
    sources = crowd(half) + crowd(len(made) - half, 6)
    rng = random.Random(7)
    plan = [(source, rng.uniform(0, 5), trace) for source, trace in zip(sources, made, strict=True)]
    with world() as w, judge(w, WAYS) as its, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        with contextlib.suppress(PermissionError):  # as in a container that may not
            os.sched_setscheduler(d.pid, os.SCHED_RR, os.sched_param(1))
        played = play(send, [(w.host4, w.host6), (its.host4, its.host6)], plan)
        by_guard = let_in(w, WAYS, w.host4, w.host6, sources)
        by_judge = let_in(w, WAYS, its.host4, its.host6, sources)
        assert by_judge == its.admitted()
    in_time = [one for one in played if one.kept_time(LIMITS, SLACK)]
    assert len(in_time) > 0.8 * len(played), "the machine was too busy to keep the pauses"
    differing = [
        f"{one.source}: guard {sorted(door for source, door in by_guard if source == one.source)}, "
        f"judge {sorted(door for source, door in by_judge if source == one.source)}: {one.trace}"
        for one in in_time
        if {door for source, door in by_guard ^ by_judge if source == one.source}
    ]
    assert not differing, "\n".join(sorted(differing, key=len))
    for way in WAYS:
        opened = sum(door == way.door for _, door in by_judge)
        assert 30 < opened < len(sources) - 30, f"{way.door}: {opened} of {len(sources)} traces open it"
