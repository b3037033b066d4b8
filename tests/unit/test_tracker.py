"""The tracker's rules, one by one, and the edges of each. Rule 1 is the watcher's, rule 11 the guard's."""

from __future__ import annotations

import gc
import sys
import tracemalloc
from collections.abc import Iterable

import pytest

from portress.config import Misses
from portress.knock import SECOND, Expected, Knock, Sequence
from portress.sequence.trie import Node, Trie
from portress.tracker import Tracker
from portress.verdict import (
    Advanced,
    Completed,
    Echoed,
    Ignored,
    Lapsed,
    Missed,
    Repeated,
    Replayed,
    Shunned,
    Use,
    Verdict,
)

A, B, C, D, E, F = (
    int(Knock.parse(text))
    for text in ("tcp/7101", "udp/9342", "tcp/8120", "udp/7101", "tcp/9000", "udp/9001")
)
HOME, WORK, AWAY, FAR = b"\xc6\x33\x64\x07", b"\xcb\x00\x71\x09", b"\xc0\x00\x02\x01", b"\xc0\x00\x02\x02"
MISSES = Misses(limit=3, within=100 * SECOND, shun=600 * SECOND)


def expect(
    door: str, *knocks: int, gap: float = 60, keyholder: str | None = None, step: int | None = None
) -> Expected:
    return Expected(Sequence(tuple(map(Knock, knocks)), int(gap * SECOND)), door, keyholder, step)


def ana(step: int, *knocks: int, door: str = "vpn", gap: float = 60) -> Expected:
    return expect(door, *knocks, gap=gap, keyholder="ana", step=step)


SSH = expect("ssh", A, B, C)


class Host:
    """A tracker and a clock: `hear` at a moment in seconds (and ns beyond it), or at the last one."""

    def __init__(
        self,
        *expected: Expected,
        limit: int = 65536,
        misses: Misses | None = None,
        used: dict[tuple[str, str], Use] | None = None,
    ) -> None:
        self.tracker = Tracker(Trie(expected), limit=limit, misses=misses, used=used)
        self.now = 0

    def at(self, seconds: float, ns: int = 0) -> None:
        now = int(seconds * SECOND) + ns
        assert now >= self.now, "time does not go back"
        self.now = now

    def hear(self, knock: int, seconds: float | None = None, ns: int = 0, source: bytes = HOME) -> Verdict:
        if seconds is not None:
            self.at(seconds, ns)
        return self.tracker.hear(source, knock, self.now)

    def hear_all(self, *knocks: int, source: bytes = HOME) -> list[Verdict]:
        return [self.hear(knock, source=source) for knock in knocks]

    def expect(self, *expected: Expected) -> None:
        self.tracker.replace(Trie(expected))

    def callers(self) -> dict[object, int]:
        """Who stands at which stage."""
        return {source: where.stage for source, where, _ in self.tracker.callers(self.now)}


def opened(verdicts: Iterable[Verdict]) -> list[str]:
    return [one.door for verdict in verdicts if isinstance(verdict, Completed) for one in verdict.openings]


# Rule 2


def test_a_knock_that_opens_no_sequence_is_ignored() -> None:
    assert Host(SSH).hear(E) == Ignored()


def test_a_knock_that_opens_no_sequence_leaves_no_state() -> None:
    host = Host(SSH, misses=MISSES)
    host.hear_all(B, C, D, E)
    assert len(host.tracker) == 0
    assert host.tracker.misses_of(HOME, host.now) == 0


def test_with_nothing_in_force_every_knock_is_ignored() -> None:
    assert Host().hear_all(A, B) == [Ignored(), Ignored()]


# Rule 3


def test_right_knocks_move_a_caller_on() -> None:
    assert Host(SSH).hear_all(A, B) == [Advanced(1, 3), Advanced(2, 3)]


def test_a_right_knock_restarts_the_gap() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    host.hear(B, 60)
    assert isinstance(host.hear(C, 120), Completed)


def test_the_verdict_names_the_doors_ahead() -> None:
    verdict = Host(SSH, expect("web", A, D)).hear(A)
    assert isinstance(verdict, Advanced)
    assert verdict.doors == ("ssh", "web")


def test_callers_do_not_disturb_one_another() -> None:
    host = Host(SSH)
    for knock in (A, B):
        host.hear(knock, source=HOME)
        host.hear(knock, source=WORK)
    assert host.hear(D, source=WORK) == Missed(2, 3, anew=False)
    assert isinstance(host.hear(C, source=HOME), Completed)


def test_callers_are_told_with_the_time_they_have_left() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    host.hear(B, 10)
    assert list(host.tracker.callers(40 * SECOND)) == [(HOME, Advanced(2, 3), 30 * SECOND)]


# Rule 4


def test_a_repeated_knock_does_not_cost_the_stage() -> None:
    host = Host(SSH)
    assert host.hear_all(A, A, B, A, B) == [
        Advanced(1, 3),
        Repeated(1),
        Advanced(2, 3),
        Repeated(2),
        Repeated(2),
    ]
    assert isinstance(host.hear(C), Completed)


def test_a_repeated_knock_does_not_restart_the_gap() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    host.hear(A, 59)
    assert host.hear(B, 61) == Lapsed(1, 3, 61 * SECOND, 60 * SECOND, anew=False)


def test_a_repeated_knock_is_no_miss() -> None:
    host = Host(SSH, misses=MISSES)
    host.hear_all(A, *[A] * 100)
    assert host.tracker.misses_of(HOME, host.now) == 0


def test_a_knock_repeated_exactly_at_the_gap_changes_nothing() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    assert host.hear(A, 60) == Repeated(1)
    assert host.hear(B, 60) == Advanced(2, 3)


def test_a_knock_repeated_after_the_gap_is_a_first_knock() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    assert host.hear(A, 60, ns=1) == Lapsed(1, 3, 60 * SECOND + 1, 60 * SECOND, anew=True)
    assert host.hear(B, 120, ns=1) == Advanced(2, 3)


def test_a_knock_right_in_the_last_run_is_not_one_repeated_in_this() -> None:
    host = Host(SSH, expect("web", D, E))
    host.hear_all(A, B)
    assert host.hear(D) == Missed(2, 3, anew=True)
    assert host.hear(B) == Missed(1, 2, anew=False)


# Rule 5


def test_a_wrong_knock_costs_the_stage() -> None:
    host = Host(SSH)
    host.hear_all(A, B)
    assert host.hear(D) == Missed(2, 3, anew=False)
    assert len(host.tracker) == 0
    assert host.hear(C) == Ignored()


def test_a_right_knock_out_of_turn_costs_the_stage() -> None:
    host = Host(SSH)
    host.hear(A)
    assert host.hear(C) == Missed(1, 3, anew=False)


def test_a_wrong_knock_that_begins_a_sequence_begins_it() -> None:
    host = Host(SSH, expect("web", D, E))
    host.hear_all(A, B)
    assert host.hear(D) == Missed(2, 3, anew=True)
    assert opened([host.hear(E)]) == ["web"]


def test_a_sequence_begun_anew_has_its_whole_gap() -> None:
    host = Host(SSH, expect("web", D, E))
    host.hear(A, 0)
    host.hear(D, 50)
    assert opened([host.hear(E, 110)]) == ["web"]


def test_a_wrong_knock_that_is_a_whole_sequence_completes_it() -> None:
    host = Host(SSH, expect("web", D))
    host.hear_all(A, B)
    assert opened([host.hear(D)]) == ["web"]
    assert len(host.tracker) == 0


def test_knocks_of_two_sequences_mixed_open_neither() -> None:
    host = Host(expect("ssh", A, B, C), expect("web", D, E, F))
    assert opened(host.hear_all(A, D, B, E, C, F)) == []


def test_a_sequence_hidden_in_another_does_not_count() -> None:
    """B D is heard on the way, but B was taken as the second knock of A B C."""
    host = Host(SSH, expect("web", B, D))
    assert opened(host.hear_all(A, B, D)) == []


def test_the_miss_names_the_doors_that_were_ahead() -> None:
    host = Host(SSH)
    host.hear(A)
    verdict = host.hear(D)
    assert isinstance(verdict, Missed)
    assert verdict.doors == ("ssh",)


# Rule 6


def test_a_knock_exactly_at_the_gap_is_in_time() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    assert host.hear(B, 60) == Advanced(2, 3)


def test_a_late_knock_starts_over() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    assert host.hear(B, 60, ns=1) == Lapsed(1, 3, 60 * SECOND + 1, 60 * SECOND, anew=False)
    assert len(host.tracker) == 0


def test_a_late_knock_is_looked_at_as_a_first_one() -> None:
    host = Host(SSH, expect("web", B, D))
    host.hear(A, 0)
    assert host.hear(B, 60, ns=1) == Lapsed(1, 3, 60 * SECOND + 1, 60 * SECOND, anew=True)
    assert opened([host.hear(D)]) == ["web"]


def test_a_late_knock_that_is_a_whole_sequence_completes_it() -> None:
    host = Host(SSH, expect("web", D))
    host.hear(A, 0)
    assert opened([host.hear(D, 61)]) == ["web"]


def test_a_late_wrong_knock_is_no_miss() -> None:
    host = Host(SSH, misses=MISSES)
    host.hear(A, 0)
    assert host.hear(D, 60, ns=1) == Lapsed(1, 3, 60 * SECOND + 1, 60 * SECOND, anew=False)
    assert host.tracker.misses_of(HOME, host.now) == 0


def test_a_wrong_knock_exactly_at_the_gap_is_a_miss() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    assert host.hear(D, 60) == Missed(1, 3, anew=False)


def test_exactly_at_the_gap_a_caller_is_not_forgotten() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    assert host.tracker.expire(60 * SECOND) == []
    assert host.callers() == {HOME: 1}


def test_after_the_gap_a_caller_is_forgotten() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    assert host.tracker.expire(60 * SECOND + 1) == [(HOME, Advanced(1, 3))]
    assert len(host.tracker) == 0


def test_a_caller_whose_gap_is_over_is_not_told_of() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    assert len(list(host.tracker.callers(60 * SECOND))) == 1
    assert list(host.tracker.callers(60 * SECOND + 1)) == []


def test_a_caller_that_moved_on_is_forgotten_by_its_new_gap() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    host.hear(B, 30)
    assert host.tracker.expire(90 * SECOND) == []
    assert host.tracker.expire(90 * SECOND + 1) == [(HOME, Advanced(2, 3))]


# Rules 6 and 8: shared beginnings, each sequence with its own gap

QUICK, SLOW = expect("ssh", A, B, C, gap=10), expect("web", A, B, D, gap=60)


@pytest.mark.parametrize(("last", "door"), [(C, "ssh"), (D, "web")])
def test_a_shared_beginning_leads_to_either_door(last: int, door: str) -> None:
    assert opened(Host(QUICK, SLOW).hear_all(A, B, last)) == [door]


def test_the_longer_gap_holds_for_the_sequence_that_has_it() -> None:
    host = Host(QUICK, SLOW)
    host.hear(A, 0)
    host.hear(B, 60)
    assert opened([host.hear(D, 120)]) == ["web"]


def test_the_shorter_gap_holds_for_the_sequence_that_has_it() -> None:
    host = Host(QUICK, SLOW)
    host.hear_all(A, B)
    assert host.hear(C, 10, ns=1) == Lapsed(2, 3, 10 * SECOND + 1, 10 * SECOND, anew=False)


def test_a_pause_too_long_for_one_sequence_is_not_forgiven_further_on() -> None:
    host = Host(QUICK, SLOW)
    host.hear(A, 0)
    host.hear(B, 10, ns=1)
    assert opened([host.hear(C)]) == []


def test_a_pause_exactly_at_the_shorter_gap_keeps_both_sequences() -> None:
    host = Host(QUICK, SLOW)
    host.hear(A, 0)
    host.hear(B, 10)
    assert opened([host.hear(C)]) == ["ssh"]


def test_a_pause_too_long_for_one_sequence_leaves_the_other() -> None:
    host = Host(QUICK, SLOW)
    host.hear(A, 0)
    host.hear(B, 10, ns=1)
    assert opened([host.hear(D)]) == ["web"]


def test_what_the_slow_can_no_longer_complete_is_a_miss() -> None:
    host = Host(QUICK, SLOW)
    host.hear(A, 0)
    host.hear(B, 11)
    assert host.hear(C) == Missed(2, 3, anew=False)


def test_a_beginning_with_a_shorter_gap_is_not_completed_late() -> None:
    host = Host(expect("ssh", A, B, gap=10), expect("web", A, B, C, gap=60))
    host.hear(A, 0)
    assert host.hear(B, 10, ns=1) == Advanced(2, 3)
    assert opened([host.hear(C)]) == ["web"]


def test_every_one_of_several_gaps_is_held() -> None:
    doors = {10: C, 20: D, 30: E}
    for pause in (10, 20, 30):
        for gap, last in doors.items():
            host = Host(*(expect(f"door{gap}", A, B, last, gap=gap) for gap, last in doors.items()))
            host.hear(A, 0)
            host.hear(B, pause)
            assert opened([host.hear(last)]) == ([f"door{gap}"] if pause <= gap else []), (pause, gap)


def test_after_the_longest_of_several_gaps_all_is_lost() -> None:
    host = Host(QUICK, SLOW)
    host.hear(A, 0)
    assert host.hear(B, 60, ns=1) == Lapsed(1, 3, 60 * SECOND + 1, 60 * SECOND, anew=False)


# Rule 7


def test_the_last_knock_completes() -> None:
    assert Host(SSH).hear_all(A, B, C)[-1] == Completed((SSH,), carries_on=False)


def test_after_completing_the_state_is_gone() -> None:
    host = Host(SSH)
    host.hear_all(A, B, C)
    assert len(host.tracker) == 0
    assert host.hear(C) == Ignored()


def test_a_fixed_sequence_completes_again_and_again() -> None:
    assert opened(Host(SSH).hear_all(*[A, B, C] * 3)) == ["ssh"] * 3


def test_a_single_knock_completes_at_once_and_leaves_no_state() -> None:
    host = Host(expect("ssh", A))
    assert opened(host.hear_all(A, A)) == ["ssh", "ssh"]
    assert len(host.tracker) == 0


def test_a_single_knock_that_begins_another_sequence_carries_on() -> None:
    short, long = expect("ssh", A), expect("web", A, B)
    host = Host(short, long)
    assert host.hear_all(A, B) == [Completed((short,), carries_on=True), Completed((long,), carries_on=False)]


def test_a_sequence_that_begins_another_opens_its_door_on_the_way() -> None:
    host = Host(expect("ssh", A, B), expect("web", A, B, C))
    assert opened(host.hear_all(A, B, C)) == ["ssh", "web"]


def test_a_sequence_that_begins_another_restarts_the_gap() -> None:
    host = Host(expect("ssh", A, B), expect("web", A, B, C))
    host.hear(A, 0)
    host.hear(B, 60)
    assert opened([host.hear(C, 120)]) == ["web"]


def test_the_knocks_of_a_beginning_completed_are_repetitions_while_it_carries_on() -> None:
    host = Host(expect("ssh", A, B), expect("web", A, B, C))
    host.hear_all(A, B)
    assert host.hear_all(A, B) == [Repeated(2), Repeated(2)]


def test_the_verdict_names_keyholder_and_time_step() -> None:
    verdict = Host(ana(7, A, B)).hear_all(A, B)[-1]
    assert isinstance(verdict, Completed)
    assert [(one.keyholder, one.step) for one in verdict.openings] == [("ana", 7)]


# Rule 9


def test_a_rotating_sequence_is_used_up_by_completing_it() -> None:
    host = Host(ana(7, A, B))
    host.hear_all(A, B)
    assert host.tracker.used == {("ana", "vpn"): Use(7, HOME)}


def test_a_used_sequence_from_another_source_is_a_replay() -> None:
    host = Host(ana(7, A, B))
    host.hear_all(A, B)
    assert host.hear_all(A, B, source=AWAY)[-1] == Replayed(ana(7, A, B), Use(7, HOME))


def test_a_used_sequence_from_the_same_source_is_an_echo() -> None:
    host = Host(ana(7, A, B))
    host.hear_all(A, B)
    assert host.hear_all(A, B)[-1] == Echoed(ana(7, A, B))


def test_a_replay_does_not_make_the_replayer_the_user() -> None:
    host = Host(ana(7, A, B))
    host.hear_all(A, B)
    host.hear_all(A, B, source=AWAY)
    assert isinstance(host.hear_all(A, B, source=AWAY)[-1], Replayed)
    assert isinstance(host.hear_all(A, B)[-1], Echoed)


def test_a_later_step_completes_after_an_earlier_one() -> None:
    host = Host(ana(7, A, B), ana(8, A, C))
    assert opened(host.hear_all(A, B, A, C)) == ["vpn", "vpn"]


def test_a_step_older_than_the_last_one_used_is_refused() -> None:
    host = Host(ana(7, A, B), ana(8, A, C))
    host.hear_all(A, C)
    assert host.hear_all(A, B, source=AWAY)[-1] == Replayed(ana(7, A, B), Use(8, HOME))


def test_an_older_step_is_refused_to_the_same_source_too() -> None:
    host = Host(ana(7, A, B), ana(8, A, C))
    host.hear_all(A, C)
    assert isinstance(host.hear_all(A, B)[-1], Replayed)


def test_a_refused_completion_leaves_no_state() -> None:
    host = Host(ana(7, A, B), used={("ana", "vpn"): Use(7, AWAY)})
    assert isinstance(host.hear_all(A, B)[-1], Replayed)
    assert len(host.tracker) == 0


def test_sequences_used_before_a_restart_are_refused_after_it() -> None:
    host = Host(ana(7, A, B), used={("ana", "vpn"): Use(7, HOME)})
    assert isinstance(host.hear_all(A, B, source=AWAY)[-1], Replayed)
    assert isinstance(host.hear_all(A, B)[-1], Echoed)


def test_what_one_keyholder_used_is_not_used_up_for_another() -> None:
    ben = expect("vpn", A, C, keyholder="ben", step=7)
    assert opened(Host(ana(7, A, B), ben).hear_all(A, B, A, C)) == ["vpn", "vpn"]


def test_what_was_used_at_one_door_is_not_used_up_at_another() -> None:
    host = Host(ana(7, A, B), ana(7, A, C, door="web"))
    assert opened(host.hear_all(A, B, A, C)) == ["vpn", "web"]


def test_of_two_keyholders_with_one_sequence_the_unused_one_is_let_in() -> None:
    ben = expect("vpn", A, B, keyholder="ben", step=7)
    host = Host(ana(7, A, B), ben, used={("ana", "vpn"): Use(7, AWAY)})
    assert host.hear_all(A, B)[-1] == Completed((ben,), carries_on=False)


def test_a_replay_as_a_wrong_knock_is_still_told() -> None:
    host = Host(SSH, ana(7, D), used={("ana", "vpn"): Use(7, AWAY)})
    host.hear(A)
    assert isinstance(host.hear(D), Replayed)


def test_a_used_beginning_still_leads_on() -> None:
    host = Host(ana(7, A, B), expect("web", A, B, C), used={("ana", "vpn"): Use(7, AWAY)})
    assert opened(host.hear_all(A, B, C)) == ["web"]


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


# Trees replaced while callers are under way


def test_a_caller_keeps_its_place_in_a_new_tree() -> None:
    host = Host(SSH)
    host.hear_all(A, B)
    host.expect(SSH, expect("web", D, E))
    assert opened([host.hear(C)]) == ["ssh"]


def test_a_caller_may_go_on_in_what_came_into_force_meanwhile() -> None:
    host = Host(SSH)
    host.hear_all(A, B)
    host.expect(SSH, expect("web", A, B, D))
    assert opened([host.hear(D)]) == ["web"]


def test_a_step_gone_by_can_be_completed_by_whoever_had_begun_it() -> None:
    host = Host(ana(7, A, B, C), ana(8, D, E, F))
    host.hear(A)
    host.expect(ana(8, D, E, F), ana(9, E, F, A))
    assert opened(host.hear_all(B, C)) == ["vpn"]


def test_a_step_gone_by_cannot_be_begun() -> None:
    host = Host(ana(7, A, B, C), ana(8, D, E, F))
    host.expect(ana(8, D, E, F), ana(9, E, F, A))
    assert host.hear(A) == Ignored()


def test_a_step_gone_by_outlasts_several_steps() -> None:
    steps = [ana(7, A, B, C), ana(8, D, E, F), ana(9, E, F, D), ana(10, F, D, E)]
    host = Host(*steps[:2])
    host.hear(A)
    host.expect(*steps[1:3])
    host.hear(B)
    host.expect(*steps[2:])
    assert opened([host.hear(C)]) == ["vpn"]


def test_a_place_is_kept_where_old_and_new_sequences_share_more_knocks() -> None:
    """B leads on in the new tree as well, yet not to where the caller was going."""
    host = Host(ana(7, A, B, C, D), ana(8, E, F, A, B))
    host.hear(A)
    host.expect(ana(8, E, F, A, B), ana(9, A, B, E, F))
    assert opened(host.hear_all(B, C, D)) == ["vpn"]


def test_a_step_gone_by_is_used_up_all_the_same() -> None:
    host = Host(ana(7, A, B), ana(8, C, D))
    for source in (HOME, AWAY):
        host.hear(A, source=source)
    host.expect(ana(8, C, D), ana(9, D, C))
    assert opened([host.hear(B, source=HOME)]) == ["vpn"]
    assert host.hear(B, source=AWAY) == Replayed(ana(7, A, B), Use(7, HOME))


def test_a_step_gone_by_is_refused_after_a_later_one_was_used() -> None:
    host = Host(ana(7, A, B), ana(8, C, D))
    host.hear(A, source=AWAY)
    host.expect(ana(8, C, D), ana(9, D, C))
    host.hear_all(C, D)
    assert host.hear(B, source=AWAY) == Replayed(ana(7, A, B), Use(8, HOME))


def test_a_keyholder_disenrolled_half_way_is_refused() -> None:
    ben = expect("vpn", C, D, keyholder="ben", step=7)
    host = Host(ana(7, A, B), ben)
    host.hear(A)
    host.expect(ben)
    assert host.hear(B) == Ignored()
    assert len(host.tracker) == 0


def test_a_keyholder_who_lost_one_door_half_way_is_refused_there() -> None:
    web = ana(7, C, D, door="web")
    host = Host(ana(7, A, B), web)
    host.hear(A)
    host.expect(web)
    assert opened(host.hear_all(B)) == []


def test_a_keyholder_enrolled_again_does_not_revive_the_old_secret() -> None:
    host = Host(ana(7, A, B))
    host.hear(A)
    host.expect()
    host.expect(ana(7, C, D))
    assert opened([host.hear(B)]) == []


def test_a_secret_exchanged_half_way_does_not_open_any_more() -> None:
    host = Host(ana(7, A, B), ana(8, B, A))
    host.hear(A)
    host.expect(ana(7, C, D), ana(8, D, C))
    assert opened([host.hear(B)]) == []


def test_a_secret_exchanged_as_its_step_goes_by_does_not_open_either() -> None:
    host = Host(ana(7, A, B), ana(8, B, A))
    host.hear(A)
    host.expect(ana(8, D, C), ana(9, C, D))
    host.expect(ana(9, C, D), ana(10, C, E))
    assert opened([host.hear(B)]) == []


def test_without_skew_a_step_gone_by_can_be_completed_too() -> None:
    host = Host(ana(7, A, B, C))
    host.hear(A)
    host.expect(ana(8, D, E, F))
    assert opened(host.hear_all(B, C)) == ["vpn"]


def test_without_skew_a_secret_exchanged_half_way_does_not_open_any_more() -> None:
    host = Host(ana(7, A, B))
    host.hear(A)
    host.expect(ana(7, C, D))
    host.expect(ana(8, D, C))
    assert opened([host.hear(B)]) == []


def test_a_new_secret_opens_at_once() -> None:
    host = Host(ana(7, A, B))
    host.expect(ana(7, C, D))
    assert opened(host.hear_all(C, D)) == ["vpn"]


def test_a_fixed_sequence_no_longer_in_force_is_not_completed() -> None:
    host = Host(SSH)
    host.hear_all(A, B)
    host.expect(expect("web", D, E))
    assert host.hear(C) == Ignored()
    assert len(host.tracker) == 0


def test_a_fixed_sequence_no_longer_in_force_is_no_way_to_another() -> None:
    host = Host(SSH, expect("web", A, D))
    host.hear(A)
    host.expect(expect("web", A, D))
    assert host.hear(B) == Missed(1, 2, anew=False)


def test_a_knock_is_a_first_one_where_the_callers_place_is_gone() -> None:
    host = Host(SSH)
    host.hear(A)
    host.expect(expect("web", B, D))
    assert host.hear(B) == Advanced(1, 2)


def test_the_loss_of_a_place_is_no_miss() -> None:
    host = Host(SSH, misses=MISSES)
    host.hear(A)
    host.expect(expect("web", D, E))
    host.hear(B)
    assert host.tracker.misses_of(HOME, host.now) == 0


def test_a_repeated_knock_is_one_in_a_new_tree_too() -> None:
    host = Host(SSH)
    host.hear_all(A, B)
    host.expect(SSH)
    assert host.hear(A) == Repeated(2)
    assert opened([host.hear(C)]) == ["ssh"]


def test_the_gap_goes_on_while_trees_change() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    host.at(60, ns=1)
    host.expect(SSH)
    assert host.hear(B) == Lapsed(1, 3, 60 * SECOND + 1, 60 * SECOND, anew=False)


def test_exactly_at_the_gap_is_in_time_in_a_new_tree_too() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    host.expect(SSH, expect("web", A, D))
    assert opened([host.hear(D, 60)]) == ["web"]


def test_a_place_is_looked_up_in_each_new_tree_again() -> None:
    host = Host(SSH)
    host.hear(A)
    host.expect(SSH, expect("web", A, D))
    host.hear(A)
    host.expect(SSH)
    assert opened([host.hear(D)]) == []


def test_a_shorter_gap_holds_as_soon_as_it_is_in_force() -> None:
    host = Host(SSH)
    host.hear(A, 0)
    host.expect(expect("ssh", A, B, C, gap=10))
    assert host.hear(B, 11) == Lapsed(1, 3, 11 * SECOND, 10 * SECOND, anew=False)


def test_a_longer_gap_does_not_prolong_a_stage_reached_before() -> None:
    host = Host(expect("ssh", A, B, C, gap=10))
    host.hear(A, 0)
    host.expect(SSH)
    assert host.hear(B, 11) == Lapsed(1, 3, 11 * SECOND, 10 * SECOND, anew=False)


def test_a_pause_too_long_for_one_sequence_is_not_forgiven_by_a_new_tree() -> None:
    host = Host(QUICK, SLOW)
    host.hear(A, 0)
    host.hear(B, 11)
    host.expect(QUICK, SLOW)
    assert opened([host.hear(C)]) == []


def test_a_new_tree_leaves_the_slow_what_they_can_complete() -> None:
    host = Host(QUICK, SLOW)
    host.hear(A, 0)
    host.hear(B, 11)
    host.expect(QUICK, SLOW)
    assert opened([host.hear(D)]) == ["web"]


def test_callers_of_old_trees_go_in_the_same_order() -> None:
    host = Host(SSH, limit=2)
    host.hear(A, 0, source=HOME)
    host.expect(SSH)
    host.hear(A, 1, source=WORK)
    host.hear(A, 2, source=AWAY)
    assert host.callers() == {WORK: 1, AWAY: 1}


def test_trees_long_replaced_are_not_kept() -> None:
    """A source stands in every one of them for a while."""
    host = Host(SSH)
    for _ in range(30):
        host.expect(*(expect(f"door{i}", A, 6 << 16 | 1000 + i, B) for i in range(100)))
        host.tracker.expire(host.now)
        host.hear_all(A, A, B)
    nodes = [one for one in gc.get_objects() if isinstance(one, Node) and len(one.children) == 100]
    assert len({one.age for one in nodes}) <= 2


# Bounded memory


def blocks_left(host: Host, knocks: Iterable[tuple[bytes, int]]) -> int:
    """How many more blocks of memory are in use after these knocks, all of one moment, than before."""
    before = sys.getallocatedblocks()
    for source, knock in knocks:
        host.tracker.hear(source, knock, host.now)
    return sys.getallocatedblocks() - before


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
    count = 100_000
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
