"""The numbers that a guard that decides is made with: pauses, and how long a use is remembered."""

from __future__ import annotations

from attrs import evolve

from portress.config.load import parse
from portress.config.model import Config
from portress.guard.decide import spent_for
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
