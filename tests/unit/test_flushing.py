"""What the doctor says of files that throw the guard away each time they are loaded."""

from __future__ import annotations

import pytest

from portress.doctor.probe.flushing import Flushing, flushes, judge
from portress.run.include_file import LINE


@pytest.mark.parametrize(
    ("text", "does"),
    [
        ("flush ruleset\n", True),
        ("#!/usr/sbin/nft -f\n  flush   ruleset\ntable inet filter {}\n", True),
        ("# flush ruleset\n", False),
        ("flush table inet filter\n", False),
        (f"flush ruleset\ntable inet filter {{}}\n{LINE}\n", False),
        (f"flush ruleset\n# {LINE}\n", True),
    ],
)
def test_a_file_flushes_the_guard_unless_it_puts_it_back(text: str, does: bool) -> None:
    assert flushes(text) is does


def test_the_doctor_names_each_such_file_and_the_line_to_add() -> None:
    found = list(judge(Flushing(("/etc/nftables.conf", "/etc/rc.local"), owned=False)))
    assert [(one.name, one.severity) for one in found] == [("guard-flushed", "warning")] * 2
    assert "/etc/nftables.conf" in found[0].do and LINE in found[0].do
    assert "/etc/rc.local" in found[1].do


def test_where_the_table_has_an_owner_a_flush_does_no_harm() -> None:
    assert list(judge(Flushing(("/etc/nftables.conf",), owned=True))) == []
