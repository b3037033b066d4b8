"""The numbers that a guard that decides is made with: pauses, rates, and how long a use is remembered."""

from __future__ import annotations

from portress.config.load import parse
from portress.config.model import Config
from portress.guard.decide import first_rate, gaps, plain, spent_for


def config(*rules: str, top: str = "") -> Config:
    doors = "".join(
        f"  door{number}:\n    services: [tcp/{1000 + number}]\n    {rule}\n"
        for number, rule in enumerate(rules)
    )
    return parse(f"{top}\ndoors:\n{doors}", "portress.yaml")


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


def test_first_knocks_with_the_whole_gap_take_half_the_room_at_the_most() -> None:
    assert first_rate(config(SLOW, top="callers: 8000")) == 100
    assert first_rate(config(QUICK)) == 5_000
    assert first_rate(config(SLOW, top="callers: 1")) == 1
