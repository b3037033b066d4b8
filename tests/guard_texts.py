"""The guard's text for configurations that between them have every key: as it was read and driven in the
kernel tests, so that a change to it shows as a difference to be read line by line.

Run `.venv/bin/python tests/guard_texts.py` after such a change, and read `git diff tests/unit/guard_texts`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from portress.clock import step_at
from portress.config.load import parse
from portress.guard.closed import NOT_YET
from portress.guard.contents import elements
from portress.guard.maps import Maps
from portress.guard.ruleset import build, render
from portress.keyholders.keyholder import Keyholder
from portress.knock import SECOND
from portress.run.deciding import Deciding
from portress.sequence.fixed import expected
from portress.sequence.in_force import SequencesInForce
from portress.sequence.trie import Trie
from portress.verdict import Use

FOLDER: Final = Path(__file__).parent / "unit" / "guard_texts"
NOW: Final = 1_800_000_000.0  # a Friday morning, in unix seconds

_DOORS: Final = """\
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 30s}
  vpn:
    services: [udp/51820, tcp/8000-8010]
    stay: 12h
    linger: false
    rotating: {pool: 10100-32767, length: 4, gap: 10s}
"""
_MORE: Final = """\
  wiki:
    services: [tcp/8443, "tcp/443@172.17.0.2", "tcp/8100-8110@2001:db8:7::/64"]
    stay: 8h
    hours: {days: mon-fri, from: "06:00", to: "20:00", zone: Europe/Berlin}
    at_closing: end
    linger: false
    fixed: {knocks: [tcp/4617, tcp/7202], gap: 45s}
  code:
    services: [tcp/993]
    authenticator: {base: 21000, gap: 30s}
"""
_CONNECTION: Final = """\
  desk:
    services: [tcp/3389]
    rotating: {pool: 10100-32767, protocols: [tcp], length: 4, admits: connection}
  talk:
    services: [udp/4500]
    fixed: {knocks: [tcp/7301, udp/7302], admits: connection}
  case:
    services: [tcp/990]
    rotating: {pool: 10100-32767, length: 4, gap: 10s}
    paper: {sequences: 10}
"""
_WIDE: Final = """\
inside: [wg0, lan0]
always: [192.0.2.0/24, "2001:db8::/32"]
public: [tcp/80, tcp/443, udp/8801-8809, "tcp/25@172.17.0.3"]
source_prefix: {ipv4: 29, ipv6: 61}
misses: {limit: 5, within: 10m, shun: 30m}
callers: 5000
admissions: 300
"""
_LEAVING: Final = """\
doors:
  ssh:
    services: [tcp/22]
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 30s}
    leaving: {knocks: [tcp/7201, udp/7202], gap: 20s, replayable: true}
  vpn:
    services: [udp/51820]
    leaving: true
    rotating: {pool: 10100-32767, length: 4, gap: 10s}
  wiki:
    services: [tcp/8443]
    fixed: {knocks: [tcp/7301, udp/7302]}
"""
CONFIGURATIONS: Final = {
    "kernel": _DOORS,
    "kernel-wide": f"{_WIDE}closed: drop\n{_DOORS}{_MORE}",
    "kernel-connections": f"closed: reject\n{_DOORS}{_CONNECTION}",
    "daemon": f"decide: daemon\n{_DOORS}",
    "daemon-wide": f"decide: daemon\n{_WIDE}closed: reject\n{_DOORS}{_MORE}",
    "lingering": 'decide: daemon\nalways: [192.0.2.0/24]\npublic: ["tcp/25@172.17.0.3"]\n'
    + _DOORS.partition("  vpn:")[0],
    "leaving": f"source_prefix: {{ipv4: 30, ipv6: 62}}\n{_LEAVING}",
    "journal": f"watch: journal\njournal: {{prefix: 'knock: '}}\n{_WIDE}{_DOORS}",
    "counter": f"watch: counter\ngroup: 7\n{_DOORS}",
}


def text(name: str) -> str:
    """The guard that a configuration means, with the chain that is there while the rules change."""
    config = parse(CONFIGURATIONS[name], "portress.yaml")
    ruleset = build(config, Trie(expected(config)).opening, answers=NOT_YET, now=NOW)
    return render(ruleset, twin=True)


HOLDERS: Final = (
    Keyholder("ana", ("vpn",), b"A" * 20),
    Keyholder("ben", ("code",), b"B" * 20, "authenticator"),
    Keyholder("eve", ("vpn",), b"E" * 20, until=NOW + 45),
)


def maps() -> str:
    """What the maps that decide hold for keyholders, one of whom has used a sequence: an element a line."""
    config = parse(CONFIGURATIONS["kernel-wide"], "portress.yaml")
    sequences, step = SequencesInForce(config, HOLDERS), step_at(NOW)
    deciding = Deciding(Maps(lambda _: None), lambda: NOW, lambda: round(NOW) * SECOND)
    used = {HOLDERS[0].claim("vpn"): Use(step - 1, b"")}
    plan = deciding.plan_for(sequences, sequences.trie(step), used, -1)
    listed = elements(plan.contents, 0)
    return "".join(f"{name} {{ {one} }}\n" for name in sorted(listed) for one in sorted(listed[name]))


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for one in CONFIGURATIONS:
        (FOLDER / f"{one}.nft").write_text(text(one))
    (FOLDER / "maps.txt").write_text(maps())
