"""The judge: the tracker's rules in nftables alone, against which a guard run by the daemon is compared.

In: sequences as text and a gap in seconds. Out: a ruleset of staged timed sets, one set a stage and family,
all in the packet path; after the packets, who is in its admitted sets. Written from the rules: it knows
nothing of the package.

What is staged, for each run of right knocks that some sequence begins with:

- the right next knock moves the source to the next stage's set, which starts the gap anew, or admits it;
- a wrong knock takes it out of its stage's set, and is then looked at as a first knock;
- past the gap the element has timed out, and the knock is looked at as a first knock.

The one place where staged sets as one would write them offhand differ by design: a knock that the source
already got right in this run changes nothing, neither the stage nor the time left (TCP stacks repeat SYNs).
Offhand, such a knock would be a wrong one, or one that starts over. Here each stage therefore has a rule that
lets it pass. A source is at one stage at most: sequences with a shared beginning share its stages.
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
_FAMILIES = {4: ("ip", "ipv4_addr", "ipv4"), 6: ("ip6", "ipv6_addr", "ipv6")}


@dataclass(frozen=True)
class Way:
    """What opens a door: its knocks as `tcp/7101`, the gap in seconds. The door guards one TCP port."""

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


def _stage(run: Sequence[str]) -> str:
    return "after_" + "_".join(knock.replace("/", "") for knock in run)


def _arrival(ways: Sequence[Way], run: tuple[str, ...], family: int, saddr: str) -> str:
    """What is done with a source that has now got all of `run` right."""
    done = [f"update @{way.door}_{family} {{ {saddr} timeout 1h }}" for way in ways if way.knocks == run]
    onward = [way for way in ways if way.knocks[: len(run)] == run and len(way.knocks) > len(run)]
    if onward:
        gap = max(way.gap for way in onward)
        done.append(f"update @{_stage(run)}_{family} {{ {saddr} timeout {int(gap * 1000)}ms }}")
    return " ".join(done)


def _family(ways: Sequence[Way], family: int) -> str:
    """Sets and chains of one address family."""
    header, kind, _ = _FAMILIES[family]
    saddr = f"{header} saddr"
    runs = sorted({way.knocks[:length] for way in ways for length in range(1, len(way.knocks))})
    text = ""
    for name in [way.door for way in ways] + [_stage(run) for run in runs]:
        text += f"set {name}_{family} {{ type {kind}; flags dynamic, timeout; size 65535; }}\n"
    first = sorted({way.knocks[0] for way in ways})
    text += f"chain first_{family} {{\n"
    for knock in first:
        text += f"  {_match(knock)} {_arrival(ways, (knock,), family, saddr)} accept\n"
    text += "}\n"
    for run in runs:
        leave = f"delete @{_stage(run)}_{family} {{ {saddr} }}"
        text += f"chain {_stage(run)}_{family} {{\n"
        for knock in sorted({way.knocks[len(run)] for way in ways if way.knocks[: len(run)] == run}):
            text += f"  {_match(knock)} {leave} {_arrival(ways, (*run, knock), family, saddr)} accept\n"
        text += f"  {_among(run)} accept\n"
        text += f"  {leave} goto first_{family}\n}}\n"
    text += f"chain knocks_{family} {{\n"
    for run in runs:
        text += f"  {saddr} @{_stage(run)}_{family} goto {_stage(run)}_{family}\n"
    return f"{text}  goto first_{family}\n}}\n"


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
{_family(ways, 4)}
{_family(ways, 6)}
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
