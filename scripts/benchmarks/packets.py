"""What a packet costs in the guard that decides: a knock, a packet that is none, a stranger's SYN at a door.

Each beside rules written by hand that do the same, on the same link with the same packets. A packet sent on
a virtual link has been through the host's rules when the call that sends it returns, so that the time of
sending is the whole cost: the sender's own share is in both figures, and told beside them. The rules take
turns, round after round; a fifth of the moments took no longer than each figure.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from ipaddress import ip_network
from itertools import islice
from statistics import quantiles
from typing import Final

from benchmarks.figures import Figure, Target
from benchmarks.flooding import dropped, flood
from benchmarks.hosts import RIGHT, doors, keyholders, rotating
from benchmarks.opening import STAGED
from benchmarks.passing import connections, server
from benchmarks.wire import Volley, hardware
from lab.packets import knock, syn
from lab.worlds import World, crowd, world
from portress.admissions import Grant
from portress.clock import step_at
from portress.config import load as configuration
from portress.guard.ruleset import build
from portress.guard.table import Table
from portress.keyholders import file as keyholding
from portress.knock import SECOND, Source
from portress.run.deciding import Deciding
from portress.sequence.in_force import SequencesInForce

SUBJECT: Final = "What a packet costs"
SOURCES: Final = 250
MOMENTS: Final = 30  # a round
SETTLED: Final = 0.3  # seconds until the kernel has freed what the rules before held
CROWD: Final = "198.18.0.0/15"  # of which every round of knocks takes sources of its own (RFC 2544, C.2.2)
# Behind the guard, so that no time goes into answers.
FIREWALL: Final = "table inet own {\nchain input {\ntype filter hook input priority 0; policy drop\n}\n}"
# What a host has without Portress: connection tracking, and an answer or none for what goes to a closed port.
_STATEFUL: Final = """
table inet own {{
  chain input {{
    type filter hook input priority 0; policy {policy};
    ct state established,related accept
    tcp dport 80 accept
  }}
}}"""
# Answers end where they arrive.
_DEAF: Final = """
table netdev deaf {
  chain arriving { type filter hook ingress device eth0 priority 0; policy drop; }
}"""
_BARE: Final = """
table inet hand {{
  set in_4 {{ type ipv4_addr; flags timeout; elements = {{ {source} timeout 1h }}; }}
  chain early {{
    type filter hook prerouting priority -300; policy accept;
    ip saddr @in_4 accept
    tcp dport 22 drop
  }}
}}"""
_TRACKED: Final = """
  chain entry {
    type filter hook prerouting priority -150; policy accept;
    ct state established accept
  }
}"""
Rules = Callable[[World], contextlib.AbstractContextManager[None]]


@contextlib.contextmanager
def _none(w: World) -> Iterator[None]:
    yield


def _by_hand(text: str) -> Rules:
    @contextlib.contextmanager
    def loaded(w: World) -> Iterator[None]:
        w.host.nft(text)
        yield
        table = text.split("{")[0].split()[1:]
        w.host.run(["nft", "delete", "table", *table])

    return loaded


def _guard(text: str, holders: str = "") -> Rules:
    """The guard alone, without a daemon, holding all that a daemon would have it hold now."""
    config = configuration.parse(text, "portress.yaml")
    sequences = SequencesInForce(
        config, keyholding.parse(holders, "keyholders.yaml", config.doors) if holders else ()
    )
    trie = sequences.trie(step_at(time.time()))

    @contextlib.contextmanager
    def loaded(w: World) -> Iterator[None]:
        with w.host.enter():
            table = Table()
            plan = Deciding(table.maps, time.time, time.monotonic_ns).plan_for(sequences, trie, {}, -1)
            table.load(build(config, trie.opening, plan.contents))
            table.admit([Grant("ssh", Source.parse(w.another4), 3600 * SECOND)])
        yield
        with w.host.enter():
            table.remove()

    return loaded


def _costs(
    w: World, packets: list[bytes], rules: dict[str, Rules], rounds: int, part: int = 0
) -> dict[str, float]:
    """µs a packet with each of the rules; not of moments in which the kernel's queues dropped any. `part`: so
    many of the packets are sent in one moment, and each but once while the same rules are there."""
    took: dict[str, list[float]] = {name: [] for name in rules}
    for _ in range(rounds):
        for name, one in rules.items():
            volley = Volley(w.stranger, "eth0", hardware(w.host, "eth0"), packets)
            with one(w), contextlib.closing(volley):
                time.sleep(SETTLED)
                volley.fire(part or len(packets))
                for _ in range(len(packets) // part - 1 if part else MOMENTS):
                    lost, begun = dropped(), time.perf_counter()
                    count = volley.fire(part or len(packets))
                    each = (time.perf_counter() - begun) / count
                    if dropped() == lost:
                        took[name].append(each * 1e6)
    return {name: quantiles(each, n=5)[0] for name, each in took.items()}


def measure(quick: bool) -> Iterator[Figure]:
    rounds = 3 if quick else 10
    with world() as w:
        w.host.ip(f"route add {CROWD} via {w.stranger4}")
        w.host.nft(FIREWALL)
        yield from _knocks(w, rounds)
        yield from _at_a_door(w, rounds)
        w.host.run(["nft", "delete", "table", "inet", "own"])
        yield from _others(w, rounds)
        yield from _beside(w, quick)


def _knocks(w: World, rounds: int) -> Iterator[Figure]:
    """Whole sequences, each of a source that has not knocked before."""
    crowded = map(str, ip_network(CROWD).hosts())
    packets = []
    for _ in range(MOMENTS):
        sources = list(islice(crowded, SOURCES))
        packets += [knock(source, w.host4, text) for text in RIGHT for source in sources]
    many = doors(1000) + rotating().partition("\n")[2]
    rules = {
        "none": _none,
        "hand": _by_hand(STAGED),
        "1 door": _guard(doors(1)),
        "1,000 doors and 1,000 keyholders": _guard(many, keyholders(1000)),
    }
    cost = _costs(w, packets, rules, rounds, len(RIGHT) * SOURCES)
    for name in list(rules)[2:]:
        yield Figure(
            SUBJECT,
            f"a right knock, {name}",
            cost[name],
            "µs",
            cost["hand"],
            "staged sets for one door",
            Target("<=", 1.3, ratio=True),
            f"{cost['none']:.2f} µs without any rules",
        )


def _others(w: World, rounds: int) -> Iterator[Figure]:
    """Packets that are no knocks, on a host that tracks connections with Portress and without."""
    drawn = doors(1) + rotating(("vpn",)).partition("\n")[2]
    for policy, answer in (("drop", "dropped by the host's firewall"), ("accept", "answered by a reset")):
        w.host.nft(_STATEFUL.format(policy=policy))
        w.stranger.nft(_DEAF)
        for port, where, guard in (
            (9999, "no knock", _guard(doors(1))),
            (30001, "no knock, where knocks are drawn from", _guard(drawn)),
        ):
            packets = [syn(source, w.host4, port) for source in crowd(SOURCES)]
            cost = _costs(w, packets, {"none": _none, "guard": guard}, 3 * rounds)
            yield Figure(
                SUBJECT,
                f"a SYN to a closed port that is {where}, {answer}",
                cost["guard"],
                "µs",
                cost["none"],
                "the same host without Portress",
                Target("<=", 1.1, ratio=True) if port == 9999 else None,
            )
        w.stranger.run(["nft", "delete", "table", "netdev", "deaf"])
        w.host.run(["nft", "delete", "table", "inet", "own"])


def _at_a_door(w: World, rounds: int) -> Iterator[Figure]:
    shut = [syn(source, w.host4, 22) for source in crowd(SOURCES)]
    bare = _by_hand(_BARE.format(source=w.another4))
    cost = _costs(w, shut, {"none": _none, "hand": bare, "1 door": _guard(doors(1))}, 3 * rounds)
    yield Figure(
        SUBJECT,
        "a stranger's SYN at a door",
        cost["1 door"],
        "µs",
        cost["hand"],
        "a bare drop at priority -300",
        Target("<=", 1.4, ratio=True),
        f"{cost['none']:.2f} µs without any rules",
    )


def _beside(w: World, quick: bool) -> Iterator[Figure]:
    """Honest connections beside a flood of SYNs at the door."""
    seconds = 2.0 if quick else 5.0
    w.host.ip(f"route add default via {w.stranger4}")
    rates: dict[str, float] = {}
    sent: dict[str, float] = {}
    with server(w.host, 22):
        bare = _by_hand(_BARE.format(source=w.another4).removesuffix("}") + _TRACKED)
        for name, rules, port in (
            ("calm", bare, None),
            ("hand", bare, 22),
            ("1 door", _guard(doors(1)), 22),
        ):
            with rules(w), flood(w, port, seconds + 1) as over:
                rates[name] = connections(w.another, w.host4, 22, seconds)
                sent[name] = over()
    yield Figure(
        SUBJECT,
        "new connections a second of an admitted source beside a SYN flood at its door",
        rates["1 door"],
        "/s",
        rates["hand"],
        "a bare drop at priority -300, and connection tracking",
        Target(">=", 0.9, ratio=True),
        f"{sent['1 door']:,.0f} SYNs a second ({sent['hand']:,.0f} beside the bare drop);"
        f" {rates['calm']:,.0f} connections a second without a flood",
    )
