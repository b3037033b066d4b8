"""The numbers that a guard that decides is made with: pauses, and how long a use is remembered."""

from __future__ import annotations

import pytest
from attrs import evolve

from portress.config.load import parse
from portress.config.model import Config
from portress.guard.decide import followed, openers, spent_for
from portress.guard.judging import gaps, plain, unhurried


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
