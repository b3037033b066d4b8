"""The judge itself, on an example of each rule: so that two wrong ones cannot agree."""

from __future__ import annotations

from kernel.judge import Way, judge, let_in
from kernel.traces import Trace, play
from lab import crowd, sender, world

WAYS = (
    Way("ssh", 22, ("tcp/4617", "udp/2953", "tcp/6381"), 0.4),
    Way("web", 8443, ("tcp/4617", "udp/2953", "udp/6002", "tcp/6001"), 0.8),
    Way("desk", 5900, ("udp/5000", "tcp/4617"), 0.8),
)
WAIT = 0.55  # past one gap and within the other
EXAMPLES = {
    "tcp/4617 udp/2953 tcp/6381": {"ssh"},
    "udp/2953 tcp/4617 tcp/6381": set(),
    "tcp/4617 tcp/6381 udp/2953 tcp/6381": set(),
    "tcp/4617 tcp/4617 udp/2953 tcp/4617 udp/2953 tcp/6381": {"ssh"},
    "tcp/4617 udp/2953 tcp/4618 tcp/6381": set(),
    "tcp/4617 tcp/22 udp/2953 tcp/80 ack:tcp/1 tcp/6381": {"ssh"},
    "tcp/4617 udp/5000 tcp/4617": {"desk"},
    "udp/5000 tcp/4617 udp/2953 tcp/6381": {"desk"},
    "tcp/4617 udp/2953 udp/6002 tcp/6001 tcp/4617 udp/2953 tcp/6381": {"ssh", "web"},
    "tcp/4617 wait udp/2953 tcp/6381": set(),
    "tcp/4617 wait udp/2953 udp/6002 tcp/6001": {"web"},
    "tcp/4617 udp/2953 wait tcp/6381 udp/6002 tcp/6001": set(),
    "udp/5000 wait wait tcp/4617 udp/2953 tcp/6381": {"ssh"},
    "udp/5000 wait tcp/4617": {"desk"},
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
