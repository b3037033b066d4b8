"""Full trackers (rule 10), misses and shunning, and what a caller costs."""

from __future__ import annotations

import sys
import tracemalloc
from collections.abc import Iterable

import pytest

from hearing import AWAY, FAR, HOME, MISSES, SSH, WORK, A, B, C, D, E, F, Host, expect, opened
from portress.config.model import Misses
from portress.knock import SECOND
from portress.verdict import (
    Advanced,
    Ignored,
    Missed,
    Shunned,
    Verdict,
)

# Rule 10


def test_no_more_callers_are_remembered_than_the_limit() -> None:
    host = Host(SSH, limit=100)
    for number in range(1000):
        host.hear(A, source=number.to_bytes(4, "big"))
    assert len(host.tracker) == 100
    assert host.tracker.evicted == 900


def test_at_one_stage_the_caller_with_the_least_time_left_goes() -> None:
    host = Host(SSH, limit=2)
    host.hear(A, 0, source=HOME)
    host.hear(A, 1, source=WORK)
    host.hear(A, 2, source=AWAY)
    assert host.callers() == {WORK: 1, AWAY: 1}


def test_a_caller_at_the_lowest_stage_goes_though_it_has_more_time_left() -> None:
    host = Host(SSH, limit=2)
    host.hear(A, 0, source=HOME)
    host.hear(B, 1, source=HOME)
    host.hear(A, 50, source=WORK)
    host.hear(A, 51, source=AWAY)
    assert host.callers() == {HOME: 2, AWAY: 1}


def test_the_time_left_is_counted_by_each_callers_own_gap() -> None:
    host = Host(SSH, expect("web", D, E, gap=10), limit=2)
    host.hear(A, 0, source=HOME)  # until 60 s
    host.hear(D, 49, source=WORK)  # until 59 s
    host.hear(A, 50, source=AWAY)
    assert host.callers() == {HOME: 1, AWAY: 1}


def test_a_nanosecond_decides_who_has_the_least_time_left() -> None:
    host = Host(SSH, expect("web", D, E, gap=10), limit=2)
    host.hear(A, 0, source=HOME)  # until 60 s
    host.hear(D, 50, ns=1, source=WORK)  # until 60 s and 1 ns
    host.hear(A, 51, source=AWAY)
    assert host.callers() == {WORK: 1, AWAY: 1}


def test_a_caller_whose_gap_is_over_goes_before_any_other() -> None:
    host = Host(expect("ssh", A, B, C, gap=10), expect("web", D, E, gap=60), limit=2)
    host.hear_all(A, B, source=HOME)
    host.hear(D, 10, source=WORK)
    host.hear(D, 10, ns=1, source=AWAY)
    assert host.callers() == {WORK: 1, AWAY: 1}
    assert host.tracker.evicted == 0


def test_exactly_at_its_gap_a_caller_is_not_over() -> None:
    host = Host(expect("ssh", A, B, C, gap=10), expect("web", D, E, gap=60), limit=2)
    host.hear_all(A, B, source=HOME)
    host.hear(D, 5, source=WORK)
    host.hear(D, 10, source=AWAY)
    assert host.callers() == {HOME: 2, AWAY: 1}


def test_callers_go_in_the_order_of_stage_and_time_left() -> None:
    gaps = (expect("ssh", A, B, C, gap=60), expect("web", D, E, F, gap=30))
    host = Host(*gaps, limit=6)
    long, short = [b"long%d" % i for i in range(3)], [b"short%d" % i for i in range(3)]
    for second, (one, other) in enumerate(zip(long, short, strict=True)):
        host.hear(A, second, source=one)  # until 60, 61, 62 s
        host.hear(D, second + 0.5, source=other)  # until 30.5, 31.5, 32.5 s
    host.hear(B, 3, source=long[0])
    host.hear(E, 3, source=short[0])
    gone = []
    for number in range(4):
        before = host.callers()
        host.hear(A, 20 + number, source=b"new%d" % number)
        gone += [source for source in before if source not in host.callers()]
    assert gone == [short[1], short[2], long[1], long[2]]


def test_in_a_flood_those_go_that_came_with_it_and_are_at_their_first_knock() -> None:
    host = Host(SSH, limit=1000)
    host.hear(A, 1, source=b"slow")
    host.hear(A, 10, source=b"ahead")
    host.hear(B, 10, source=b"ahead")
    for number in range(200):
        host.hear(A, 10.2, source=b"flood%d" % number)
    host.hear(A, 10.9, source=b"fresh")
    assert host.tracker.thin(int(11.1 * SECOND), crowd=201, fresh=SECOND // 2) == 0
    assert host.tracker.thin(int(10.7 * SECOND), crowd=200, fresh=SECOND // 2) == 0
    assert host.tracker.thin(int(11.1 * SECOND), crowd=200, fresh=SECOND // 2) == 200
    assert host.callers() == {b"slow": 1, b"ahead": 2, b"fresh": 1}
    assert host.tracker.evicted == 200
    assert sum(len(room.queue) for room in host.tracker._rooms.values()) < 6  # the flood takes no memory
    for number in range(300):  # and what is left goes on as if nothing had been
        host.hear(A, 12, source=b"later%d" % number)
    host.hear(B, 12, source=b"fresh")
    host.hear(C, 12, source=b"fresh")
    host.hear(C, 12, source=b"ahead")
    assert len(host.callers()) == 301
    assert len(host.tracker.expire(61 * SECOND + 1)) == 1
    assert len(host.tracker.expire(72 * SECOND + 1)) == 300


def test_a_caller_moving_on_sends_nobody_away() -> None:
    host = Host(SSH, limit=2)
    host.hear(A, source=HOME)
    host.hear(A, source=WORK)
    host.hear(B, source=HOME)
    assert host.callers() == {HOME: 2, WORK: 1}


def test_a_caller_starting_over_sends_nobody_away() -> None:
    host = Host(SSH, expect("web", D, E), limit=2)
    host.hear(A, source=HOME)
    host.hear(A, source=WORK)
    assert host.hear(D, source=HOME) == Missed(1, 3, anew=True)
    assert host.callers() == {HOME: 1, WORK: 1}


def test_a_single_knock_needs_no_room() -> None:
    host = Host(SSH, expect("web", D), limit=1)
    host.hear(A, source=HOME)
    assert opened([host.hear(D, source=WORK)]) == ["web"]
    assert host.callers() == {HOME: 1}


def test_a_caller_sent_away_has_to_begin_again() -> None:
    host = Host(SSH, limit=1)
    host.hear(A, source=HOME)
    host.hear(A, source=WORK)
    assert host.hear(B, source=HOME) == Ignored()


def test_a_lower_limit_holds_from_the_next_caller_on() -> None:
    host = Host(SSH, limit=10)
    for number in range(10):
        host.hear(A, source=number.to_bytes(4, "big"))
    host.tracker.limit = 3
    host.hear(A, source=HOME)
    assert len(host.tracker) == 3


# Misses and shunning


def miss(host: Host, seconds: float, ns: int = 0, source: bytes = HOME) -> Verdict:
    host.hear(A, seconds, ns, source=source)
    return host.hear(E, source=source)


def test_one_miss_too_many_and_a_source_is_shunned() -> None:
    host = Host(SSH, misses=MISSES)
    assert [miss(host, second) for second in (0, 1, 2)] == [
        Missed(1, 3, anew=False),
        Missed(1, 3, anew=False),
        Missed(1, 3, anew=False, shunned_until=602 * SECOND),
    ]
    assert host.hear(A) == Shunned(602 * SECOND)


def test_misses_exactly_within_the_time_count() -> None:
    host = Host(SSH, misses=MISSES)
    miss(host, 0)
    miss(host, 50)
    verdict = miss(host, 100)
    assert isinstance(verdict, Missed)
    assert verdict.shunned_until == 700 * SECOND


def test_a_miss_too_long_ago_does_not_count() -> None:
    host = Host(SSH, misses=MISSES)
    miss(host, 0)
    miss(host, 50)
    assert miss(host, 100, ns=1) == Missed(1, 3, anew=False)
    assert host.tracker.misses_of(HOME, host.now) == 2


def test_old_misses_do_not_hide_the_new() -> None:
    host = Host(SSH, misses=MISSES)
    miss(host, 0)
    verdicts = [miss(host, second) for second in (101, 102, 103)]
    assert [isinstance(one, Missed) and one.shunned_until is not None for one in verdicts] == [
        False,
        False,
        True,
    ]


def test_the_misses_of_one_source_are_not_anothers() -> None:
    host = Host(SSH, misses=MISSES)
    for source in (HOME, WORK, AWAY):
        miss(host, 0, source=source)
        miss(host, 0, source=source)
    assert list(host.tracker.shunned(host.now)) == []


def test_a_limit_of_one_shuns_at_the_first_miss() -> None:
    host = Host(SSH, misses=Misses(1, SECOND, SECOND))
    assert miss(host, 0) == Missed(1, 3, anew=False, shunned_until=SECOND)


def test_the_miss_that_shuns_is_not_a_first_knock() -> None:
    host = Host(SSH, expect("web", D), misses=Misses(1, SECOND, SECOND))
    host.hear(A)
    assert host.hear(D) == Missed(1, 3, anew=False, shunned_until=SECOND)


def test_a_shunned_source_is_heard_again_exactly_at_the_end() -> None:
    host = Host(SSH, misses=Misses(1, SECOND, 10 * SECOND))
    miss(host, 0)
    assert host.hear(A, 10, ns=-1) == Shunned(10 * SECOND)
    assert host.hear(A, 10) == Advanced(1, 3)


def test_knocks_while_shunned_do_not_prolong_it() -> None:
    host = Host(SSH, misses=Misses(1, SECOND, 10 * SECOND))
    miss(host, 0)
    for second in range(1, 10):
        host.hear(A, second)
    assert host.hear(A, 10) == Advanced(1, 3)


def test_after_the_shunning_misses_are_counted_anew() -> None:
    host = Host(SSH, misses=Misses(2, 100 * SECOND, 10 * SECOND))
    miss(host, 0)
    miss(host, 0)
    assert miss(host, 10) == Missed(1, 3, anew=False)


def test_a_shunned_source_does_not_keep_others_out() -> None:
    host = Host(SSH, misses=Misses(1, SECOND, 10 * SECOND))
    miss(host, 0)
    assert opened(host.hear_all(A, B, C, source=WORK)) == ["ssh"]


def test_those_shunned_are_told_until_the_end() -> None:
    host = Host(SSH, misses=Misses(1, SECOND, 10 * SECOND))
    miss(host, 0)
    assert list(host.tracker.shunned(10 * SECOND - 1)) == [(HOME, 10 * SECOND)]
    assert list(host.tracker.shunned(10 * SECOND)) == []


def test_without_a_limit_nobody_is_shunned() -> None:
    host = Host(SSH)
    assert {miss(host, 0) for _ in range(1000)} == {Missed(1, 3, anew=False)}


def test_completing_does_not_make_up_for_misses() -> None:
    host = Host(SSH, misses=MISSES)
    miss(host, 0)
    host.hear_all(A, B, C)
    assert host.tracker.misses_of(HOME, host.now) == 1


def test_a_lower_limit_of_misses_holds_at_the_next_miss() -> None:
    host = Host(SSH, misses=Misses(5, 100 * SECOND, 10 * SECOND))
    for _ in range(3):
        miss(host, 0)
    host.tracker.misses = Misses(2, 100 * SECOND, 10 * SECOND)
    assert miss(host, 1) == Missed(1, 3, anew=False, shunned_until=11 * SECOND)


def test_a_higher_limit_of_misses_can_be_reached() -> None:
    host = Host(SSH, misses=Misses(3, 100 * SECOND, 10 * SECOND))
    miss(host, 0)
    miss(host, 0)
    host.tracker.misses = Misses(5, 100 * SECOND, 10 * SECOND)
    verdicts = [miss(host, 1) for _ in range(3)]
    assert [isinstance(one, Missed) and one.shunned_until for one in verdicts] == [None, None, 11 * SECOND]


def test_misses_and_shunnings_that_are_over_are_forgotten() -> None:
    host = Host(SSH, misses=Misses(2, 100 * SECOND, 10 * SECOND))
    miss(host, 0, source=HOME)
    for _ in range(2):
        miss(host, 0, source=WORK)
    host.tracker.expire(101 * SECOND)
    assert host.tracker.misses_of(HOME, 0) == 0
    assert list(host.tracker.shunned(0)) == []


def test_the_sources_with_misses_are_no_more_than_the_limit() -> None:
    host = Host(SSH, limit=10, misses=MISSES)
    for number in range(100):
        miss(host, 0, source=number.to_bytes(4, "big"))
    counts = [host.tracker.misses_of(number.to_bytes(4, "big"), 0) for number in range(100)]
    assert counts == [0] * 90 + [1] * 10


def test_the_sources_shunned_are_no_more_than_the_limit() -> None:
    host = Host(SSH, limit=10, misses=Misses(1, SECOND, 10 * SECOND))
    for number in range(100):
        miss(host, 0, source=number.to_bytes(4, "big"))
    assert [source for source, _ in host.tracker.shunned(0)] == [
        number.to_bytes(4, "big") for number in range(90, 100)
    ]


def test_only_what_is_over_is_forgotten() -> None:
    host = Host(SSH, misses=Misses(3, 10 * SECOND, 10 * SECOND))
    for second in (1, 2, 3):
        miss(host, second, source=HOME)  # shunned until 13 s
    for second in (7, 8, 9):
        miss(host, second, source=WORK)  # shunned until 19 s
    host.tracker.expire(13 * SECOND)
    assert dict(host.tracker.shunned(0)) == {WORK: 19 * SECOND}


def test_misses_are_kept_as_long_as_the_last_one_counts() -> None:
    host = Host(SSH, misses=Misses(3, 10 * SECOND, 10 * SECOND))
    miss(host, 1)
    miss(host, 9)
    host.tracker.expire(19 * SECOND)  # exactly within the time
    assert host.tracker.misses_of(HOME, 19 * SECOND) == 1
    host.tracker.expire(19 * SECOND + 1)
    assert host.tracker.misses_of(HOME, 19 * SECOND) == 0


def test_the_misses_that_are_over_go_and_younger_ones_of_others_stay() -> None:
    host = Host(SSH, misses=Misses(3, 10 * SECOND, 10 * SECOND))
    miss(host, 1, source=HOME)
    miss(host, 8, source=WORK)
    host.tracker.expire(12 * SECOND)
    assert [host.tracker.misses_of(one, 8 * SECOND) for one in (HOME, WORK)] == [0, 1]


def test_where_a_source_is_part_way_is_known_until_its_gap_is_over() -> None:
    host = Host(SSH)
    host.hear(A, 5)
    assert host.tracker.progress_of(HOME, 25 * SECOND) == (Advanced(1, 3), 40 * SECOND)
    assert host.tracker.progress_of(HOME, 65 * SECOND) == (Advanced(1, 3), 0)
    assert host.tracker.progress_of(HOME, 65 * SECOND + 1) is None
    assert host.tracker.progress_of(WORK, 25 * SECOND) is None


def test_until_when_a_source_is_shunned_is_known_until_then() -> None:
    host = Host(SSH, misses=Misses(1, SECOND, 10 * SECOND))
    miss(host, 2)
    assert host.tracker.shunned_until(HOME, 11 * SECOND) == 12 * SECOND
    assert host.tracker.shunned_until(HOME, 12 * SECOND) is None
    assert host.tracker.shunned_until(WORK, 11 * SECOND) is None
    assert list(host.tracker.shunned(12 * SECOND)) == []


def test_misses_count_exactly_as_long_as_they_say() -> None:
    host = Host(SSH, misses=Misses(3, 10 * SECOND, 10 * SECOND))
    miss(host, 5)
    assert [host.tracker.misses_of(HOME, at) for at in (15 * SECOND, 15 * SECOND + 1)] == [1, 0]


def test_who_is_shunned_again_is_forgotten_no_sooner_than_others() -> None:
    host = Host(SSH, limit=3, misses=Misses(1, SECOND, 10 * SECOND))
    for at, source in ((0, HOME), (5, WORK), (11, HOME), (12, AWAY)):
        miss(host, at, source=source)
    miss(host, 13, source=FAR)  # there is room for three: the one whose shunning ends first goes
    assert dict(host.tracker.shunned(0)) == {HOME: 21 * SECOND, AWAY: 22 * SECOND, FAR: 23 * SECOND}


def test_a_miss_below_the_limit_may_be_a_first_knock() -> None:
    host = Host(SSH, expect("web", D, E), misses=MISSES)
    host.hear(A)
    assert host.hear(D) == Missed(1, 3, anew=True)
    assert host.callers() == {HOME: 1}


def test_a_forgotten_source_begins_with_a_clean_sheet() -> None:
    host = Host(SSH, misses=MISSES)
    miss(host, 0)
    host.hear(A)
    host.tracker.forget(HOME)
    assert host.hear(B) == Ignored()
    assert host.tracker.misses_of(HOME, host.now) == 0


def test_a_forgotten_source_is_shunned_no_longer() -> None:
    host = Host(SSH, misses=Misses(1, SECOND, 10 * SECOND))
    miss(host, 0)
    host.tracker.forget(HOME)
    assert host.hear(A) == Advanced(1, 3)


def test_an_unknown_source_may_be_forgotten() -> None:
    host = Host(SSH)
    host.tracker.forget(HOME)
    assert len(host.tracker) == 0


# Bounded memory


def blocks_left(host: Host, knocks: Iterable[tuple[bytes, int]]) -> int:
    """How many more blocks of memory are in use after these knocks, all of one moment, than before."""
    before = sys.getallocatedblocks()
    for source, knock in knocks:
        host.tracker.hear(source, knock, host.now)
    return sys.getallocatedblocks() - before


def test_those_that_stay_are_not_swept_away_with_those_that_went() -> None:
    host = Host(SSH)
    for number in range(300):
        host.hear(A, source=b"%d" % number)
    for number in range(250):
        host.hear(B, source=b"%d" % number)
    assert len(host.callers()) == 300
    gone = host.tracker.expire(host.now + 61 * SECOND)
    assert len(gone) == 300 and host.callers() == {}


def test_a_source_that_restarts_a_million_times_costs_no_memory() -> None:
    host = Host(SSH, expect("web", D, E))
    assert blocks_left(host, ((HOME, knock) for _ in range(500_000) for knock in (A, D))) < 1000
    assert host.callers() == {HOME: 1}


def test_sources_that_come_and_go_cost_no_memory() -> None:
    host = Host(SSH)
    assert (
        blocks_left(host, ((n.to_bytes(4, "big"), knock) for n in range(50_000) for knock in (A, E))) < 1000
    )
    assert len(host.tracker) == 0


def test_what_others_leave_behind_is_not_kept_for_the_sake_of_an_old_caller() -> None:
    """The oldest state of each queue is living: what is behind it cannot just be dropped from the front."""
    host = Host(SSH)
    host.hear_all(A, B, source=FAR)
    host.hear(A, source=WORK)
    passing = ((n.to_bytes(4, "big"), knock) for n in range(50_000) for knock in (A, B, C))
    assert blocks_left(host, passing) < 1000
    assert host.callers() == {FAR: 2, WORK: 1}


@pytest.mark.parametrize("size", [4, 16], ids=["IPv4", "IPv6"])
@pytest.mark.parametrize("stages", [1, 1.5, 2])
def test_a_caller_takes_no_more_than_250_bytes(size: int, stages: float) -> None:
    """Also when half of them, or all, have moved on; time passes, so that no number is shared."""
    count = 20_000
    host = Host(SSH, limit=count)
    now = 10**15
    tracemalloc.start()
    try:
        for knock, callers in ((A, count), (B, int(count * (stages - 1)))):
            for number in range(callers):
                now = now + 1000
                host.tracker.hear(number.to_bytes(size, "big"), knock, now)
        assert tracemalloc.get_traced_memory()[0] / count <= 250
    finally:
        tracemalloc.stop()


# A reload without `misses:` after misses were counted


def test_without_misses_in_the_configuration_any_more_none_counts() -> None:
    host = Host(SSH, misses=MISSES)
    host.hear_all(A, F, A, F)
    assert host.tracker.misses_of(HOME, host.now) == 2
    host.tracker.misses = None
    assert host.tracker.misses_of(HOME, host.now) == 0
    for _ in range(9):
        host.hear(A)
        assert host.hear(F) == Missed(1, 3, anew=False)
    host.at(1000)
    host.tracker.expire(host.now)
    assert list(host.tracker.shunned(host.now)) == []
    assert opened(host.hear_all(A, B, C)) == ["ssh"]


def test_misses_counted_before_a_reload_without_them_count_again_only_while_they_are_young() -> None:
    host = Host(SSH, misses=MISSES)
    host.hear_all(A, F, A, F)
    host.tracker.misses = None
    host.hear_all(A, F)
    host.tracker.misses = MISSES
    assert host.tracker.misses_of(HOME, host.now) == 2
    host.at(101)
    host.tracker.expire(host.now)
    assert host.tracker.misses_of(HOME, host.now) == 0
    host.hear_all(A, F)
    assert list(host.tracker.shunned(host.now)) == []
