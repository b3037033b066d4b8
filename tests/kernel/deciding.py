"""A guard that decides by itself, alone in a namespace: the deciding chains with the least around them.

In: doors as objects, and the sequences in force. Out: the table as text, who is in which set.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

from lab import Namespace
from portress.config.model import Config
from portress.guard import contents, decide, judging
from portress.knock import SECOND, Expected
from portress.sequence import edges
from portress.sequence.edges import Edges, Numbering, Terms, Until
from portress.sequence.trie import Trie

TABLE = "inet deciding"


def terms(config: Config, until: Until = None, used: Iterable[Expected] = ()) -> Terms:
    """Sequences are in force for ever, or those that rotate until `until`."""
    gone = list(used)
    return Terms(
        until=lambda one: None if one.step is None else until,
        used=lambda one: one in gone,
        chains=frozenset(one.chain for one in decide.openers(config)),
        plain=judging.plain(config),
        spent_for=decide.spent_for(config),
    )


def numbered(
    config: Config,
    expected: Sequence[Expected],
    numbering: Numbering | None = None,
    used: Iterable[Expected] = (),
) -> Edges:
    trie = Trie(expected)
    return edges.build(trie, trie.opening, terms(config, used=used), numbering or Numbering(), SECOND)


def text(config: Config, held: Edges, room: int = 0) -> str:
    """The whole table as text."""
    sought = judging.among_ports({knock & 0xFFFF for _, knock in held.next})
    elements = contents.elements(contents.contents(held), 0)
    lines = [f"table {TABLE} {{", "  counter came { }"]
    lines += [f"  counter {name} {{ }}" for name in decide.COUNTERS]
    for name, (size, spec) in decide.living(config).items():
        kind = "map" if decide.is_map(name) else "set"
        listed = f" elements = {{ {', '.join(elements[name])} }}" if elements.get(name) else ""
        lines.append(f"  {kind} {name} {{ {'; '.join(spec)}; size {room or size};{listed} }}")
    for door in config.doors:
        for family, address in ((4, "ipv4_addr"), (6, "ipv6_addr")):
            lines.append(f"  set {door}_{family} {{ type {address}; size 65536; flags dynamic,timeout; }}")
    for name, rules in decide.chains(config, (), sought).items():
        lines += [f"  chain {name} {{", *(f"    {rule}" for rule in rules), "  }"]
    ports = [f"tcp . {door.services[0].first}" for door in config.doors.values()]
    lines += [
        "  chain entry {",
        "    type filter hook prerouting priority -150; policy accept;",
        '    iifname "lo" accept',
        "    fib daddr type != local accept",
        f"    meta l4proto . th dport {{ {', '.join(ports)} }} drop",
        "    meta l4proto tcp tcp flags & (fin | syn | rst | ack) != syn accept",
        "    meta l4proto != { tcp, udp } accept",
        "    counter name came",
        *(f"    {rule}" for rule in judging.tail(config, sought)),
        "  }",
        "}",
    ]
    return "\n".join(lines) + "\n"


def held(ns: Namespace, name: str) -> dict[str, str]:
    """What a set or map holds, as nft prints it: key -> data ("" in a set)."""
    kind = "map" if decide.is_map(name) else "set"
    listing = json.loads(ns.run(["nft", "-j", "list", kind, *TABLE.split(), name]).stdout)["nftables"]
    found = {}
    for each in (one for part in listing for one in part.get(kind, {}).get("elem", [])):
        key, data = each if isinstance(each, list) else (each, "")
        bare = key["elem"]["val"] if isinstance(key, dict) and "elem" in key else key
        address = f"{bare['prefix']['addr']}" if isinstance(bare, dict) and "prefix" in bare else str(bare)
        found[address] = str(data)
    return found


def counted(ns: Namespace, name: str) -> int:
    listing = json.loads(ns.run(["nft", "-j", "list", "counter", *TABLE.split(), name]).stdout)["nftables"]
    return next(int(part["counter"]["packets"]) for part in listing if "counter" in part)
