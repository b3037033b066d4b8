"""The numbers that a guard that decides is made with: pauses, and how long a use is remembered."""

from __future__ import annotations

import pytest
from attrs import evolve

from portress.config.load import parse
from portress.config.model import Config
from portress.guard.decide import followed, openers, spent_for
from portress.guard.judging import among_ports, gaps, plain, ports, stay, unhurried


def config(*rules: str) -> Config:
    doors = "".join(
        f"  door{number}:\n    services: [tcp/{1000 + number}]\n    {rule}\n"
        for number, rule in enumerate(rules)
    )
    return parse(f"doors:\n{doors}", "portress.yaml")


SLOW, QUICK = "fixed: {knocks: [tcp/4617, udp/2953], gap: 40s}", "fixed: {knocks: [tcp/7201], gap: 5s}"
ROTATING = "rotating: {pool: 10100-32767, length: 16, gap: 60s, skew: 10}"


def test_the_longest_pause_comes_first_and_without_doors_there_is_one_all_the_same() -> None:
    assert gaps(config(QUICK, SLOW)) == [40_000, 5_000]
    assert gaps(Config({})) == [1_000]


def test_most_nodes_have_the_pause_of_the_first_rotating_door_or_the_longest() -> None:
    assert plain(config(QUICK, SLOW)) == 40_000
    assert plain(config(SLOW, "rotating: {pool: 10100-32767, gap: 7s}", ROTATING)) == 7_000


def test_a_claim_is_remembered_for_longer_than_its_sequence_can_be_completed() -> None:
    # 22 time steps of 30 s, 16 knocks with pauses of 60 s, and a minute
    assert spent_for(config(ROTATING)) == 22 * 30 + 16 * 60 + 60
    assert spent_for(config("rotating: {pool: 10100-32767, skew: 1}")) == 600
    assert spent_for(config(SLOW)) == 600


def test_first_knocks_have_the_whole_gap_as_long_as_a_quarter_of_the_callers_come_within_it() -> None:
    slow = config(SLOW)  # 40 s
    assert unhurried(evolve(slow, callers=8000)) == "limit rate 50/second burst 2000 packets"
    assert unhurried(evolve(slow, callers=100)) == "limit rate 37/minute burst 25 packets"
    assert unhurried(evolve(slow, callers=1)) == "limit rate 1/minute burst 1 packets"
    assert unhurried(config(QUICK)).startswith("limit rate 5000/second ")
    # By the second where that is a whole one at least: 160 in 40 s are 60 a minute, 159 fewer.
    assert unhurried(evolve(slow, callers=160)) == "limit rate 1/second burst 40 packets"
    assert unhurried(evolve(slow, callers=159)) == "limit rate 59/minute burst 39 packets"
    a_minute = config("fixed: {knocks: [tcp/4617, udp/2953], gap: 60s}")
    assert unhurried(evolve(a_minute, callers=4_000)) == "limit rate 16/second burst 1000 packets"


def test_the_daemon_follows_all_callers_that_the_guard_has_room_for_unless_they_are_very_many() -> None:
    some = config(SLOW)
    by_callers = {number: followed(evolve(some, callers=number)) for number in (1000, 30_000, 200_000)}
    assert by_callers == {1000: 6000, 30_000: 131_072, 200_000: 200_000}
    alone = evolve(some, decide="daemon", callers=1000)
    assert followed(alone) == 1000


@pytest.mark.parametrize(("count", "together"), [(2, 1), (4, 6 + 4 + 1), (5, 0)])
def test_up_to_four_doors_of_one_base_have_chains_for_what_opens_several(count: int, together: int) -> None:
    """Of more there would be too many: the daemon opens the others."""
    several = config(*["authenticator: {base: 21000}"] * count)
    found = [one for one in openers(several) if len(one.doors) > 1]
    assert len(found) == together
    assert all(one.chain == f"claim_{'.'.join(one.doors)}" and one.rotating for one in found)


@pytest.mark.parametrize(
    ("single", "ranges", "wanted"),
    [
        ([], [], []),
        ([7], [], ["7"]),
        ([8, 7, 7], [], ["7", "8"]),
        ([9, 7, 8], [], ["{ 7, 8, 9 }"]),  # more than two are looked up
        ([7], [(100, 200)], ["7", "100-200"]),
        # What lies in a range, its ends included, is told by it.
        ([99, 100, 150, 200, 201], [(100, 200)], ["99", "201", "100-200"]),
        # Ranges that meet are one, whatever their order; those with a port in between are two.
        ([], [(151, 200), (100, 150)], ["100-200"]),
        ([], [(100, 150), (152, 200)], ["100-150", "152-200"]),
        ([], [(100, 200), (120, 150)], ["100-200"]),
        ([], [(1, 2), (10, 20), (15, 30)], ["1-2", "10-30"]),
        ([], [(1, 2), (10, 40), (15, 30)], ["1-2", "10-40"]),
        ([], [(100, 200), (100, 250), (200, 300)], ["100-300"]),
        ([], [(1, 2), (10, 20), (30, 40), (50, 60)], ["1-2", "10-20", "30-40", "50-60"]),
        # Of very many one range is enough: what it has too much is looked up and is nothing.
        ([5], [(10, 20), (30, 40), (50, 60), (70, 80), (90, 95)], ["5-95"]),
        ([99], [(10, 20), (30, 40), (50, 60), (70, 80), (90, 95)], ["10-99"]),
    ],
)
def test_ports_of_knocks_are_told_by_as_few_rules_as_can_be(
    single: list[int], ranges: list[tuple[int, int]], wanted: list[str]
) -> None:
    assert among_ports(single, ranges) == [f"th dport {one}" for one in wanted]


def test_so_many_ports_that_listing_them_takes_too_much_are_a_range() -> None:
    assert among_ports(range(1, 4097)) == [f"th dport {{ {', '.join(map(str, range(1, 4097)))} }}"]
    assert among_ports(range(1, 4098)) == ["th dport 1-4097"]


def test_a_code_goes_to_four_hundred_ports_and_a_drawn_sequence_to_its_pool() -> None:
    """Knock i of a code goes to base + 100 i and up to 99 more; there are four."""
    code, drawn = "authenticator: {base: 21000}", "rotating: {pool: 30000-31000}"
    fixed = "fixed: {knocks: [tcp/4617, udp/2953]}"
    assert ports(config(code)) == ["th dport 21000-21399"]
    assert ports(config(drawn, code)) == ["th dport 21000-21399", "th dport 30000-31000"]
    leaving = (
        "fixed: {knocks: [tcp/4617, udp/2953]}\n    leaving: {knocks: [tcp/2953, udp/7202], replayable: true}"
    )
    assert ports(config(leaving)) == ["th dport { 2953, 4617, 7202 }"]
    assert ports(config(fixed)) == ["th dport 2953", "th dport 4617"]
    paper = "rotating: {pool: 30000-31000}\n    paper: {sequences: 10, pool: 40000-41000}"
    assert ports(config(paper)) == ["th dport 30000-31000", "th dport 40000-41000"]


def test_a_pause_of_a_second_is_remembered_by_those_who_have_no_more() -> None:
    """In a flood a first knock has a second: of mixed gaps, those are noted that are no longer than that."""
    mixed = config("fixed: {knocks: [tcp/7201, udp/7202], gap: 1s}", SLOW)
    quick = [rule for rule in stay(mixed, 500, mixed=True, first=True, known=0) if "@within." in rule]
    assert [rule.split()[1] for rule in quick] == ["@within.1000_4", "@within.1000_6"]
    plain_one = stay(mixed, 500, mixed=False, first=True, known=0)
    assert not any("@within." in rule for rule in plain_one)
    slower = config("fixed: {knocks: [tcp/7201, udp/7202], gap: 2s}", SLOW)
    assert not any("@within." in rule for rule in stay(slower, 500, mixed=True, first=True, known=0))
    assert any("@within.2000_4" in rule for rule in stay(slower, 40_000, mixed=True, first=True, known=0))
