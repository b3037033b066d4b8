"""The judge: the tracker's rules in nftables alone, against which a guard run by the daemon is compared.

In: sequences as text and a gap in seconds. Out: a ruleset of staged timed sets, all in the packet path; after
the packets, who is in its admitted sets. Written from the rules: it knows nothing of the package.

There is a set for each run of right knocks that a sequence begins with, for each gap among the sequences that
go on from there, for each family: `after_tcp4617_2000_4` holds the sources that sent `tcp/4617` and have 2 s
from then on for the next knock.

- The right next knock moves the source to the next run's sets, of those gaps that it has kept so far, which
  start anew, or admits it.
- A wrong knock takes it out of all its run's sets, and is then looked at as a first knock.
- Past the gap the elements have timed out: the knock is looked at as a first knock.

The one place where staged sets as one would write them offhand differ by design: a knock that the source
already got right in this run changes nothing, neither the stage nor the time left (TCP stacks repeat SYNs).
Offhand, such a knock would be a wrong one, or one that starts over. Here each run therefore has a rule that
lets it pass. A source is at one run at most: sequences with a shared beginning share it.
"""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import ClassVar

from lab import Namespace, World, capture, link, namespace, sender
from lab.packets import syn

_PUBLIC = "tcp dport 80 accept"
Run = tuple[str, ...]
_FAMILIES = {4: ("ip", "ipv4_addr", "ipv4"), 6: ("ip6", "ipv6_addr", "ipv6")}


@dataclass(frozen=True)
class Way:
    """What opens a door: its knocks as `tcp/4617`, the gap in seconds. The door guards one TCP port."""

    door: str
    port: int
    knocks: tuple[str, ...]
    gap: float


@dataclass(frozen=True)
class Judge:
    """A namespace with the ruleset loaded."""

    ns: Namespace
    ways: Sequence[Way]

    host4: ClassVar[str] = "198.51.100.193"
    host6: ClassVar[str] = "2001:db8:4::1"

    def admitted(self) -> set[tuple[str, str]]:
        """(source, door) of all admitted."""
        found = set()
        for way in self.ways:
            for family in _FAMILIES:
                words = ["nft", "-j", "list", "set", "inet", "judge", f"{way.door}_{family}"]
                listing = json.loads(self.ns.run(words).stdout)["nftables"]
                for element in (each for part in listing for each in part.get("set", {}).get("elem", [])):
                    found.add((element["elem"]["val"], way.door))
        return found


def _match(knock: str) -> str:
    protocol, port = knock.split("/")
    return f"{protocol} dport {port}"


def _among(knocks: Sequence[str]) -> str:
    return "meta l4proto . th dport { " + ", ".join(knock.replace("/", " . ") for knock in knocks) + " }"


def _run(run: Run) -> str:
    return "_".join(knock.replace("/", "") for knock in run)


class _Family:
    """The sets and chains of one address family."""

    def __init__(self, ways: Sequence[Way], family: int) -> None:
        self.ways = ways
        self.family = family
        header, self.kind, _ = _FAMILIES[family]
        self.saddr = f"{header} saddr"
        self.runs = sorted({way.knocks[:length] for way in ways for length in range(1, len(way.knocks))})

    def beyond(self, run: Run) -> list[Way]:
        """The ways that go on from this run."""
        return [way for way in self.ways if way.knocks[: len(run)] == run and len(way.knocks) > len(run)]

    def gaps(self, run: Run) -> list[float]:
        return sorted({way.gap for way in self.beyond(run)})

    def after(self, run: Run, gap: float) -> str:
        return f"after_{_run(run)}_{int(gap * 1000)}_{self.family}"

    def chain(self, name: str, *rules: str) -> str:
        return f"chain {name}_{self.family} {{\n" + "".join(f"  {rule}\n" for rule in rules) + "}\n"

    def arrival(self, run: Run, gap: float) -> str:
        """What is done with a source that has got all of `run` right, each knock within `gap`."""
        done = [
            f"update @{way.door}_{self.family} {{ {self.saddr} timeout 1h }}"
            for way in self.ways
            if way.knocks == run and way.gap == gap
        ]
        if gap in self.gaps(run):
            done.append(f"update @{self.after(run, gap)} {{ {self.saddr} timeout {int(gap * 1000)}ms }}")
        return " ".join(done)

    def sets(self) -> str:
        names = [f"{way.door}_{self.family}" for way in self.ways]
        names += [self.after(run, gap) for run in self.runs for gap in self.gaps(run)]
        return "".join(
            f"set {name} {{ type {self.kind}; flags dynamic, timeout; size 65535; }}\n" for name in names
        )

    def first(self) -> str:
        rules = []
        for knock in sorted({way.knocks[0] for way in self.ways}):
            gaps = sorted({way.gap for way in self.ways if way.knocks[0] == knock})
            rules += [f"{_match(knock)} {self.arrival((knock,), gap)}" for gap in gaps]
        return self.chain("first", *rules)

    def at(self, run: Run) -> str:
        """The chains of sources that have got `run` right."""
        leave = [f"delete @{self.after(run, gap)} {{ {self.saddr} }}" for gap in self.gaps(run)]
        onward = sorted({way.knocks[len(run)] for way in self.beyond(run)})
        text = self.chain(f"left_{_run(run)}", *leave, "accept")
        text += self.chain(f"wrong_{_run(run)}", *leave, f"goto first_{self.family}")
        wrong = f"goto wrong_{_run(run)}_{self.family}"
        for knock in onward:
            longer = (*run, knock)
            gaps = sorted({way.gap for way in self.beyond(run) if way.knocks[: len(longer)] == longer})
            kept = [f"{self.saddr} @{self.after(run, gap)}" for gap in gaps]
            moved = [f"{each} {self.arrival(longer, gap)}" for each, gap in zip(kept, gaps, strict=True)]
            done = [f"{each} goto left_{_run(run)}_{self.family}" for each in kept]
            text += self.chain(f"right_{_run(longer)}", *moved, *done, wrong)
        rights = [f"{_match(knock)} goto right_{_run((*run, knock))}_{self.family}" for knock in onward]
        return text + self.chain(f"at_{_run(run)}", *rights, f"{_among(run)} accept", wrong)

    def knocks(self) -> str:
        rules = [
            f"{self.saddr} @{self.after(run, gap)} goto at_{_run(run)}_{self.family}"
            for run in self.runs
            for gap in self.gaps(run)
        ]
        return self.chain("knocks", *rules, f"goto first_{self.family}")

    def text(self) -> str:
        return self.sets() + self.first() + "".join(map(self.at, self.runs)) + self.knocks()


def ruleset(ways: Sequence[Way]) -> str:
    """The whole ruleset as text."""
    doors = ""
    for way in ways:
        doors += f"chain door_{way.door} {{\n"
        for family, (header, _, _) in _FAMILIES.items():
            doors += f"  {header} saddr @{way.door}_{family} accept\n"
        doors += "  drop\n}\n"
    guarded = ", ".join(f"{way.port} : goto door_{way.door}" for way in ways)
    return f"""
table inet judge {{
{_Family(ways, 4).text()}
{_Family(ways, 6).text()}
{doors}
chain entry {{
  type filter hook prerouting priority -150; policy accept;
  iifname lo accept
  ct state established,related accept
  fib daddr type != local accept
  {_PUBLIC}
  tcp dport vmap {{ {guarded} }}
  meta l4proto != {{ tcp, udp }} accept
  meta l4proto tcp tcp flags & (fin | syn | rst | ack) != syn accept
  meta nfproto vmap {{ ipv4 : goto knocks_4, ipv6 : goto knocks_6 }}
}}
}}
"""


@contextlib.contextmanager
def judge(w: World, ways: Sequence[Way]) -> Iterator[Judge]:
    """A judge at a second link of the stranger's, dialled there at `host4` and `host6`."""
    with namespace("judge") as ns:
        link(
            *(ns, "eth0", [f"{Judge.host4}/26", f"{Judge.host6}/64"]),
            *(w.stranger, "eth1", ["198.51.100.194/26", "2001:db8:4::2/64"]),
        )
        ns.ip("route add default via 198.51.100.194", "route add default via 2001:db8:4::2")
        ns.nft(ruleset(ways))
        yield Judge(ns, ways)


def let_in(w: World, ways: Sequence[Way], host4: str, host6: str, sources: list[str]) -> set[tuple[str, str]]:
    """(source, door) of all whose SYN to a guarded port is answered (by a reset: nothing listens there)."""
    doors = {str(way.port): way.door for way in ways}
    expression = f"tcp and (src host {host4} or src host {host6})"
    with capture(w.stranger, expression, device="any") as taken, sender(w.stranger) as send:
        for way in ways:
            for source in sources:
                host = host6 if ":" in source else host4
                send.send(host, syn(source, host, way.port))
        answers = [re.search(r"\.(\d+) > ([\d.a-f:]+)\.\d+: Flags \[R", line) for line in taken.lines()]
    return {(answer[2], doors[answer[1]]) for answer in answers if answer and answer[1] in doors}
