"""What is told of a packet's way on paper, against what the kernel does with a real one."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from lab import World, service, tcp_state, world
from portress.doctor.probe import links, rules
from portress.doctor.probe.packet import stranger
from portress.doctor.probe.passage import journey
from portress.knock import Knock

# One nft ruleset each; what becomes of a stranger's SYN to tcp/22 over IPv4 and over IPv6 follows by itself.
RULESETS = {
    "none": "",
    "policy drop": "chain input { type filter hook input priority 0; policy drop; }",
    "accepted by a set": """
        set open { type inet_service; elements = { 22, 443 }; }
        chain input { type filter hook input priority 0; policy drop; tcp dport @open accept; }""",
    "one family alone": """
        chain input { type filter hook input priority 0; policy accept;
            meta nfproto ipv6 tcp dport 22 drop; }""",
    "states and a jump": """
        chain services { tcp dport { 20-25 } accept; }
        chain input { type filter hook input priority 0; policy drop;
            ct state vmap { established : accept, related : accept, invalid : drop }
            iifname "lo" accept; meta l4proto { icmp, ipv6-icmp } accept; jump services; }""",
    "a goto does not come back": """
        chain services { tcp dport 443 accept; }
        chain input { type filter hook input priority 0; policy drop;
            goto services; tcp dport 22 accept; }""",
    "flags": """
        chain input { type filter hook input priority 0; policy accept;
            tcp flags & (fin | syn | rst | ack) == syn tcp dport 22 drop; }""",
    "flags unlike": """
        chain input { type filter hook input priority 0; policy accept;
            tcp flags & (fin | syn | rst | ack) != syn tcp dport 22 drop; }""",
    "protocol and port as one": """
        set both { type inet_proto . inet_service; flags interval; elements = { tcp . 22-23, udp . 53 }; }
        chain input { type filter hook input priority 0; policy accept;
            meta l4proto . th dport @both drop; }""",
    "a map of verdicts": """
        map fate { type inet_service : verdict; elements = { 22 : drop, 80 : accept }; }
        chain input { type filter hook input priority 0; policy accept; tcp dport vmap @fate; }""",
    "raw": "chain raw { type filter hook prerouting priority -300; policy accept; ip protocol tcp drop; }",
    "accepted early, dropped late": """
        chain early { type filter hook input priority -10; policy accept; tcp dport 22 accept; }
        chain late { type filter hook input priority 10; policy drop; tcp dport 443 accept; }""",
    "other sources": """
        chain input { type filter hook input priority 0; policy accept; ip saddr != 203.0.113.0/24 drop; }""",
    "untracked": """
        chain raw { type filter hook prerouting priority -300; policy accept; tcp dport 22 notrack; }
        chain input { type filter hook input priority 0; policy accept; ct state untracked drop; }""",
    "redirected away": """
        chain dial { type nat hook prerouting priority -100; tcp dport 22 redirect to :23; }
        chain input { type filter hook input priority 0; policy accept;
            ct status dnat tcp dport 23 drop; }""",
}


@pytest.fixture(scope="module")
def prepared() -> Iterator[World]:
    with world() as w, service(w.host, "tcp/22"):
        yield w


@pytest.mark.parametrize("name", RULESETS)
def test_a_packets_way_on_paper_is_the_kernels(prepared: World, name: str) -> None:
    w = prepared
    w.host.nft(f"table inet other {{\n{RULESETS[name]}\n}}")
    try:
        tables, place = w.host.call(rules.read), w.host.call(links.read)
        for family, address in ((4, w.host4), (6, w.host6)):
            ends = journey(tables, stranger(family, Knock.parse("tcp/22"), "eth0"), place.addresses).stranger
            told = {end.passed for end in ends}
            really = tcp_state(w.stranger, address, 22, timeout=0.3) == "open"
            assert told == {really}, (family, ends)
    finally:
        w.host.nft("delete table inet other")
