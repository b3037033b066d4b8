"""The judge itself, on an example of each rule: so that two wrong ones cannot agree."""

from __future__ import annotations

from kernel.judge import Way, judge, let_in
from kernel.traces import Trace, play
from lab import crowd, sender, world

WAYS = (
    Way("ssh", 22, ("tcp/7101", "udp/9342", "tcp/8120"), 0.4),
    Way("web", 8443, ("tcp/7101", "udp/9342", "udp/6002", "tcp/6001"), 0.8),
    Way("desk", 5900, ("udp/5000", "tcp/7101"), 0.8),
)
WAIT = 0.55  # past one gap and within the other
EXAMPLES = {
    "tcp/7101 udp/9342 tcp/8120": {"ssh"},
    "udp/9342 tcp/7101 tcp/8120": set(),
    "tcp/7101 tcp/8120 udp/9342 tcp/8120": set(),
    "tcp/7101 tcp/7101 udp/9342 tcp/7101 udp/9342 tcp/8120": {"ssh"},
    "tcp/7101 udp/9342 tcp/7102 tcp/8120": set(),
    "tcp/7101 tcp/22 udp/9342 tcp/80 ack:tcp/1 tcp/8120": {"ssh"},
    "tcp/7101 udp/5000 tcp/7101": {"desk"},
    "udp/5000 tcp/7101 udp/9342 tcp/8120": {"desk"},
    "tcp/7101 udp/9342 udp/6002 tcp/6001 tcp/7101 udp/9342 tcp/8120": {"ssh", "web"},
    "tcp/7101 wait udp/9342 tcp/8120": set(),
    "tcp/7101 wait udp/9342 udp/6002 tcp/6001": {"web"},
    "tcp/7101 udp/9342 wait tcp/8120 udp/6002 tcp/6001": set(),
    "udp/5000 wait wait tcp/7101 udp/9342 tcp/8120": {"ssh"},
    "udp/5000 wait tcp/7101": {"desk"},
}


def test_the_judge_holds_the_rules() -> None:
    plan, expected = [], set()
    for number, (written, opens) in enumerate(EXAMPLES.items()):
        steps = [(WAIT, "ack:tcp/1") if part == "wait" else (0.0, part) for part in written.split()]
        for source in (crowd(512)[number], crowd(512, 6)[number]):
            plan.append((source, 0.0, Trace(tuple(steps))))
            expected |= {(source, door) for door in opens}
    with world() as w, judge(w, WAYS) as its, sender(w.stranger) as send:
        play(send, [(its.host4, its.host6)], plan)
        assert its.admitted() == expected
        assert let_in(w, WAYS, its.host4, its.host6, [source for source, _, _ in plan]) == expected
