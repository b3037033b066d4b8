"""Packet traces: what one source sends and when; how Hypothesis makes them, how they get on the wire."""

from __future__ import annotations

import heapq
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

from hypothesis import strategies as st

from kernel.judge import Way
from lab import Sender, punctual
from lab.packets import datagram, tcp

# A packet that is no first packet is written with its flags before it: `ack:tcp/4617`.
_FLAGS = {"": 0x02, "ack": 0x10, "synack": 0x12, "rst": 0x04, "fin": 0x11}


@dataclass(frozen=True)
class Trace:
    """Packets, each with the pause before it in seconds; `same_port`: all from one source port."""

    steps: tuple[tuple[float, str], ...]
    same_port: bool = False

    def __str__(self) -> str:
        return (
            " ".join(f"{pause:+.2f}s {packet}" for pause, packet in self.steps)
            + " (one port)" * self.same_port
        )


@dataclass
class Played:
    """A trace as it was sent: the moments of its packets in seconds."""

    source: str
    trace: Trace
    moments: list[float] = field(default_factory=list)

    def kept_time(self, limits: Sequence[float], slack: float) -> bool:
        """Whether the time between any two packets is on the planned side of all limits, `slack` off."""
        planned = [0.0]
        for pause, _ in self.trace.steps[1:]:
            planned.append(planned[-1] + pause)
        for one in range(len(planned)):
            for other in range(one + 1, len(planned)):
                meant, was = planned[other] - planned[one], self.moments[other] - self.moments[one]
                if any((meant > limit) != (was > limit) or abs(was - limit) < slack for limit in limits):
                    return False
        return True


@st.composite
def traces(draw: st.DrawFn, ways: Sequence[Way], noise: Sequence[str], limits: Sequence[float]) -> Trace:
    """Sequences right, cut short, stuttered, mixed and disturbed, with at most 3 pauses near or past a gap.

    The time between any two packets stays a tenth of the least limit away from every limit.
    """
    packets: list[str] = []
    for _ in range(draw(st.integers(1, 3))):
        way = draw(st.sampled_from(ways))
        kind = draw(st.sampled_from(["right", "right", "beginning", "stutter", "noise", "shuffled"]))
        if kind == "noise":
            packets += draw(st.lists(st.sampled_from(noise), min_size=1, max_size=2))
        elif kind == "shuffled":
            packets += draw(st.permutations(way.knocks))
        elif kind == "beginning":
            packets += way.knocks[: draw(st.integers(1, len(way.knocks)))]
        else:
            packets += [
                k for k in way.knocks for _ in range(draw(st.integers(1, 2)) if kind == "stutter" else 1)
            ]
    for _ in range(draw(st.integers(0, 2))):
        disturb = draw(st.sampled_from([*noise, *(knock for way in ways for knock in way.knocks)]))
        packets.insert(draw(st.integers(0, len(packets))), disturb)
    return Trace(_spread(draw, packets[:12], limits), draw(st.booleans()))


def _spread(
    draw: st.DrawFn, packets: Sequence[str], limits: Sequence[float]
) -> tuple[tuple[float, str], ...]:
    short, near = [0.0, 0.02, 0.3], [share * limit for limit in limits for share in (0.6, 0.9, 1.1)]
    steps, moments, left = [(0.0, packets[0])], [0.0], 3
    for packet in packets[1:]:
        pause = draw(st.sampled_from(short * 3 + near if left else short))
        times = [moments[-1] + pause - moment for moment in moments]
        if any(abs(each - limit) < 0.099 * min(limits) for each in times for limit in limits):
            pause = 0.0
        left -= pause in near
        moments.append(moments[-1] + pause)
        steps.append((pause, packet))
    return tuple(steps)


def _packet(source: str, host: str, written: str, sport: int | None) -> bytes:
    flags, _, knock = written.rpartition(":")
    protocol, _, port = knock.partition("/")
    if protocol == "udp":
        return datagram(source, host, int(port), sport)
    return tcp(source, host, int(port), sport, flags=_FLAGS[flags])


def play(
    send: Sender, hosts: Sequence[tuple[str, str]], plan: Sequence[tuple[str, float, Trace]]
) -> list[Played]:
    """Send all traces at once, each packet to every host's (IPv4, IPv6) address.

    `plan` gives each source its trace and the second at which it begins.
    """
    played = [Played(source, trace) for source, _, trace in plan]
    due = [(begin, number, 0) for number, (_, begin, _) in enumerate(plan)]
    heapq.heapify(due)
    with punctual():
        start = time.monotonic() + 0.1
        while due:
            at, number, step = heapq.heappop(due)
            one = played[number]
            steps = one.trace.steps
            sport = 40000 if one.trace.same_port else None
            packets = [
                (host[":" in one.source], _packet(one.source, host[":" in one.source], steps[step][1], sport))
                for host in hosts
            ]
            time.sleep(max(0.0, start + at - time.monotonic()))
            one.moments.append(time.monotonic())
            for address, packet in packets:
                send.send(address, packet)
            if step + 1 < len(steps):
                heapq.heappush(due, (at + steps[step + 1][0], number, step + 1))
    return played
