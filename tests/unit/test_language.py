"""The guard's words in nft's own language: what counts of an address, and a chain that gets other rules."""

from __future__ import annotations

from ipaddress import ip_address, ip_network

import pytest
from attrs import evolve

from portress.config.load import parse
from portress.guard.language import Chain, removal, replacement, source

CONFIG = parse("doors: {ssh: {services: [tcp/22], fixed: {knocks: [tcp/4617]}}}", "portress.yaml")


@pytest.mark.parametrize(("family", "any_address"), [(4, "0.0.0.0"), (6, "::")])
def test_what_counts_of_a_source_is_its_prefix(family: int, any_address: str) -> None:
    """The judge is the standard library's `ipaddress`."""
    full = ip_address(any_address).max_prefixlen
    words = {4: "ip saddr", 6: "ip6 saddr"}[family]
    for length in range(1, full + 1):
        config = evolve(CONFIG, **{f"prefix_{family}": length})
        what, _, mask = source(config, family).partition(" & ")
        assert what == words
        if length == full:
            assert mask == ""
        else:
            assert ip_address(mask) == ip_network(f"{any_address}/{length}").netmask


def test_a_chain_gets_other_rules_whether_it_is_there_or_not() -> None:
    one = Chain("here", ("ct state new", "drop"))
    assert replacement(one) == (
        "add chain inet portress here\n"
        "flush chain inet portress here\n"
        "add rule inet portress here ct state new\n"
        "add rule inet portress here drop\n"
    )
    base = Chain("early", (), "type filter hook input priority 0;")
    assert replacement(base) == (
        "add chain inet portress early { type filter hook input priority 0; }\n"
        "flush chain inet portress early\n"
    )
    assert removal(one) == "flush chain inet portress here\ndelete chain inet portress here\n"
