"""What tells packets to ports: one by one as long as these are few, else by the range that they lie in."""

from __future__ import annotations

import pytest

from portress.guard.judging import FEW_PORTS, FEW_RANGES, among_ports, are_few

RANGES = [(1000 * number, 1000 * number + 9) for number in range(1, FEW_RANGES + 2)]


@pytest.mark.parametrize(
    ("single", "ranges", "few"),
    [
        (range(1, 2 * FEW_PORTS, 2), (), True),
        (range(1, 2 * FEW_PORTS + 2, 2), (), False),
        ((), RANGES[:-1], True),
        ((), RANGES, False),
        (range(1, 2 * FEW_PORTS + 2, 2), [(20000, 20009)], False),
        ([22], RANGES, False),
    ],
)
def test_the_bounds_of_few(single: range, ranges: list[tuple[int, int]], few: bool) -> None:
    assert are_few(single, ranges) is few
    told = among_ports(single, ranges)
    ends = [*single, *(end for each in ranges for end in each)]
    assert (told == [f"th dport {min(ends)}-{max(ends)}"]) is not few


@pytest.mark.parametrize(("port", "told"), [(19, True), (20, False), (25, False), (30, False), (31, True)])
def test_a_port_in_a_range_is_not_told_twice(port: int, told: bool) -> None:
    alone = [f"th dport {port}"] if told else []
    assert among_ports([port], [(20, 30)]) == [*alone, "th dport 20-30"]


def test_ranges_that_touch_are_one() -> None:
    assert among_ports([], [(31, 40), (20, 30), (42, 50)]) == ["th dport 20-40", "th dport 42-50"]
