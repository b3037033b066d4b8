"""Which chain a packet gets into by its port: every port there is is sent through the rules."""

from __future__ import annotations

import re

import pytest

from portress.config import load
from portress.guard.ruleset import Ruleset, build

FIXED = "fixed: {{knocks: [{knocks}], gap: 5s}}"
DRAWN = "rotating: {{pool: {pool}, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}}"


def _config(doors: dict[str, tuple[str, str]]) -> str:
    lines = [
        f"  {name}: {{services: [{services}], stay: 1h, {way}}}" for name, (services, way) in doors.items()
    ]
    return "\n".join(["decide: kernel", "doors:", *lines]) + "\n"


def _fixed(knocks: str) -> str:
    return FIXED.format(knocks=knocks)


def _drawn(pool: str) -> str:
    return DRAWN.format(pool=pool)


# Doors by name: their services, and how they open; the ports of the doors, and those of knocks.
PLAIN = {"ssh": ("tcp/22", _fixed("tcp/4617, udp/2953, tcp/6381"))}
MANY = {
    "ssh": ("tcp/22, tcp/2222, udp/4500", _fixed("tcp/4617, udp/2953, tcp/6381")),
    "wide": ("tcp/8000-8010, udp/8005-8020, tcp/443@192.0.2.7", _fixed("tcp/7301, udp/7302")),
    "vpn": ("udp/51820", _drawn("10100-32767")),
}
RAGGED = {
    f"door{number}": (
        f"tcp/{1000 * number}-{1000 * number + 9}",
        _drawn(f"{20000 + 2000 * number}-{20999 + 2000 * number}"),
    )
    for number in range(1, 4)
}
CASES = {
    "plain": (PLAIN, {22}, {4617, 2953, 6381}),
    "many": (
        MANY,
        {22, 2222, 4500, *range(8000, 8021), 443, 51820},
        {4617, 2953, 6381, 7301, 7302, *range(10100, 32768)},
    ),
    "six ranges": (
        RAGGED,
        {port for number in range(1, 4) for port in range(1000 * number, 1000 * number + 10)},
        {port for number in range(1, 4) for port in range(20000 + 2000 * number, 21000 + 2000 * number)},
    ),
}


def _matches(rule: str, port: int) -> bool:
    said = re.match(r"th dport (\{ [\d, ]+ \}|\d+-\d+|\d+) (goto|jump) ", rule)
    if said is None:
        return rule.startswith("goto ")
    listed = [one.partition("-") for one in said[1].strip("{ }").split(", ")]
    return any(int(first) <= port <= int(last or first) for first, _, last in listed)


def _ends(ruleset: Ruleset, chain: str) -> dict[int, str]:
    """By port, where a packet ends that has no priority and is no caller's; "" where it leaves at once."""
    rules = {one.name: [re.sub(r' comment ".*"', "", each) for each in one.rules] for one in ruleset.chains}
    found = {}
    for port in range(1 << 16):
        at, left = chain, rules[chain]
        while left:
            rule, *left = left
            if _matches(rule, port):
                at = rule.split()[-1]
                left = rules[at] if at == "met" else []
                if not left:
                    break
        else:
            at = "" if at == chain else at
        found[port] = at
    return found


@pytest.mark.parametrize("name", CASES)
def test_every_port_of_a_door_leads_to_the_gate_and_no_other_of_a_knock_to_strangers(name: str) -> None:
    doors, of_doors, of_knocks = CASES[name]
    ruleset = build(load.parse(_config(doors), "portress.yaml"), ())
    ends = _ends(ruleset, "entry")
    assert {port for port, end in ends.items() if end == "near"} == of_doors
    assert {port for port, end in ends.items() if end == "stranger"} == of_knocks - of_doors
    assert set(ends.values()) == {"near", "stranger", ""}
    early = _ends(ruleset, "early")
    assert {port for port, end in early.items() if end == "arriving"} == of_doors
