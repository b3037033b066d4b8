"""The tracker's rules 2 to 8, one by one, and the edges of each. Rule 1 is the watcher's."""

from __future__ import annotations

import pytest

from hearing import HOME, MISSES, SSH, WORK, A, B, C, D, E, F, Host, ana, expect, opened
from portress.knock import SECOND
from portress.verdict import (
    Advanced,
    Completed,
    Ignored,
    Lapsed,
    Missed,
    Repeated,
)

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


def test_the_pause_of_a_late_knock_is_counted_from_the_last_right_one() -> None:
    host = Host(SSH)
    host.hear(A, 10)
    late = host.hear(B, 71)
    assert isinstance(late, Lapsed) and (late.pause, late.gap) == (61 * SECOND, 60 * SECOND)


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
