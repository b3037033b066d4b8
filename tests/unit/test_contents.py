"""What the maps hold for a tree's edges: as the kernel has it, in this host's byte order, and as text."""

from __future__ import annotations

import struct
from types import SimpleNamespace
from typing import Any

from portress.guard.contents import (
    AGAIN,
    END,
    MAPS,
    contents,
    edge_key,
    edge_of,
    elements,
    led_to,
    node_key,
    node_of,
    number_of,
)
from portress.knock import TCP, UDP, Knock
from portress.sequence.edges import Edges

A, B = int(Knock.of(TCP, 4617)), int(Knock.of(UDP, 2953))
BIG = 0x01020304


def number(value: int) -> bytes:
    return struct.pack("=I", value)


def edges() -> Edges:
    nodes: Any = {1: SimpleNamespace(stage=1), 2: SimpleNamespace(stage=2), 3: SimpleNamespace(stage=2)}
    return Edges(
        next={(0, A): (1, None), (1, B): (2, 5000)},
        right={(1, A)},
        ends={2: ("goto", "open_ssh")},
        stays={1: (1000, True), 3: (2000, False)},
        checks={2: (1000, True), 3: (2000, False)},
        slower={1: 3, 3: 2},
        claims={2: 9},
        over={2: 7000},
        nodes=nodes,
    )


def test_an_edge_has_node_protocol_and_port_each_in_four_bytes() -> None:
    """The parts of a concatenation fill whole registers (linux/netfilter/nf_tables.h, NFT_REG32_SIZE)."""
    assert edge_key(BIG, A) == number(BIG) + b"\x06\0\0\0" + struct.pack(">H", 4617) + b"\0\0"
    assert edge_of(edge_key(BIG, B)) == (BIG, B)
    assert edge_of(edge_key(7, int(Knock.of(TCP, 65535)))) == (7, int(Knock.of(TCP, 65535)))
    assert node_key(BIG) == number(BIG) and number_of(number(BIG)) == BIG


def test_an_edge_leads_to_a_node_an_end_or_nowhere() -> None:
    assert (led_to(number(BIG)), node_of(number(BIG))) == (BIG, BIG)
    assert (led_to(number(7 | END)), node_of(number(7 | END))) == (7, 7)
    assert led_to(number(AGAIN)) is None


def test_the_maps_hold_the_edges() -> None:
    source = edges()
    held = contents(source)
    assert [*held] == [*MAPS]
    assert held == {
        "next": {
            edge_key(0, A): (number(1), None),
            edge_key(1, B): (number(2 | END), 5000),  # it ends something
            edge_key(1, A): (number(AGAIN), None),  # got right on the way there
        },
        "ends": {number(2): (b"goto open_ssh", 7000)},
        "stays": {number(1): (b"goto begin_1000_mixed", None), number(3): (b"goto stay_2000", None)},
        "checks": {number(2 | END): (b"jump slow_1000", None), number(3): (b"jump over_2000", None)},
        "slower": {number(1): (number(3), None), number(3): (number(2 | END), None)},
        "claims": {number(2): (number(9), None)},
    }
    assert source.next == {} and source.right == set()


def test_what_has_changed_is_not_taken_from_before() -> None:
    before = contents(edges())
    changed = edges()
    changed.claims = {2: 8}
    assert contents(changed, before)["claims"] == {number(2): (number(8), None)}
    assert contents(edges(), {}) == before


def test_as_text_what_is_over_is_left_out_and_the_rest_has_the_time_it_has_left() -> None:
    listed = elements(contents(edges()), 4000)
    assert listed == {
        "next": [
            "0 . tcp . 4617 : 1",
            f"1 . udp . 2953 timeout 1000ms : {2 | END}",
            f"1 . tcp . 4617 : {AGAIN}",
        ],
        "ends": ["2 timeout 3000ms : goto open_ssh"],
        "stays": ["1 : goto begin_1000_mixed", "3 : goto stay_2000"],
        "checks": [f"{2 | END} : jump slow_1000", "3 : jump over_2000"],
        "slower": ["1 : 3", f"3 : {2 | END}"],
        "claims": ["2 : 9"],
    }
    later = elements(contents(edges()), 7000)  # exactly at the end it is over
    assert later["ends"] == [] and len(later["next"]) == 2
    assert elements({"spent": {number(5): (b"", 8000)}}, 7999) == {"spent": ["5 timeout 1ms"]}
