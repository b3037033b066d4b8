"""Used sequences (rule 9), and trees replaced while callers are under way."""

from __future__ import annotations

import gc

from attrs import evolve

from hearing import ANA, AWAY, HOME, MISSES, SSH, WORK, A, B, C, D, E, F, Host, ana, code, expect, opened
from portress.knock import SECOND
from portress.sequence.trie import Node
from portress.verdict import (
    Advanced,
    Completed,
    Doubted,
    Echoed,
    Ignored,
    Lapsed,
    Missed,
    Repeated,
    Replayed,
    Use,
)

QUICK, SLOW = expect("ssh", A, B, C, gap=10), expect("web", A, B, D, gap=60)

# Rule 9


def test_a_rotating_sequence_is_used_up_by_completing_it() -> None:
    host = Host(ana(7, A, B))
    host.hear_all(A, B)
    assert host.tracker.used == {ANA: Use(7, HOME, "vpn")}


def test_a_used_sequence_from_another_source_is_a_replay() -> None:
    host = Host(ana(7, A, B))
    host.hear_all(A, B)
    assert host.hear_all(A, B, source=AWAY)[-1] == Replayed(ana(7, A, B), Use(7, HOME, "vpn"))


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
    assert host.hear_all(A, B, source=AWAY)[-1] == Replayed(ana(7, A, B), Use(8, HOME, "vpn"))


def test_an_older_step_is_refused_to_the_same_source_too() -> None:
    host = Host(ana(7, A, B), ana(8, A, C))
    host.hear_all(A, C)
    assert isinstance(host.hear_all(A, B)[-1], Replayed)


def test_a_refused_completion_leaves_no_state() -> None:
    host = Host(ana(7, A, B), used={ANA: Use(7, AWAY, "vpn")})
    assert isinstance(host.hear_all(A, B)[-1], Replayed)
    assert len(host.tracker) == 0


def test_sequences_used_before_a_restart_are_refused_after_it() -> None:
    host = Host(ana(7, A, B), used={ANA: Use(7, HOME, "vpn")})
    assert isinstance(host.hear_all(A, B, source=AWAY)[-1], Replayed)
    assert isinstance(host.hear_all(A, B)[-1], Echoed)


def test_what_one_keyholder_used_is_not_used_up_for_another() -> None:
    ben = expect("vpn", A, C, keyholder="ben", step=7)
    assert opened(Host(ana(7, A, B), ben).hear_all(A, B, A, C)) == ["vpn", "vpn"]


def test_what_was_used_at_one_door_is_not_used_up_at_another() -> None:
    host = Host(ana(7, A, B), ana(7, A, C, door="web"))
    assert opened(host.hear_all(A, B, A, C)) == ["vpn", "web"]


def test_a_code_used_at_one_door_is_used_up_at_all_of_the_keyholders() -> None:
    """Who has seen it knows the ports of the other doors: they differ by the bases alone."""
    host = Host(code(7, A, B), code(7, A, C, door="web"), code(8, A, D, door="web"))
    assert opened(host.hear_all(A, B)) == ["vpn"]
    assert host.hear_all(A, C, source=AWAY)[-1] == Replayed(code(7, A, C, door="web"), Use(7, HOME, "vpn"))
    assert host.hear_all(A, C)[-1] == Replayed(code(7, A, C, door="web"), Use(7, HOME, "vpn"))
    assert opened(host.hear_all(A, D)) == ["web"]
    assert host.hear_all(A, B, source=AWAY)[-1] == Replayed(code(7, A, B), Use(8, HOME, "web"))


def test_a_sequence_used_stays_used_under_another_name() -> None:
    host = Host(ana(7, A, B))
    host.hear_all(A, B)
    renamed = evolve(ana(7, A, B), keyholder="anna")
    host.expect(renamed)
    assert host.hear_all(A, B, source=AWAY)[-1] == Replayed(renamed, Use(7, HOME, "vpn"))


def test_a_sequence_used_stays_used_after_another_secret() -> None:
    host = Host(ana(7, A, B))
    host.hear_all(A, B)
    host.expect(ana(7, C, D, secret=1))
    host.hear_all(C, D)
    host.expect(ana(7, A, B))
    assert isinstance(host.hear_all(A, B, source=AWAY)[-1], Replayed)


def test_up_to_the_floor_nobody_knows_what_was_used() -> None:
    host = Host(ana(7, A, B), ana(8, A, C), ana(9, A, D), floor=8)
    assert host.hear_all(A, B)[-1] == Doubted(ana(7, A, B), 8)
    assert host.hear_all(A, C)[-1] == Doubted(ana(8, A, C), 8)
    assert host.tracker.used == {} and len(host.tracker) == 0
    assert opened(host.hear_all(A, D)) == ["vpn"]


def test_without_a_floor_step_0_counts_too() -> None:
    assert opened(Host(ana(0, A, B)).hear_all(A, B)) == ["vpn"]
    assert host_verdict(Host(ana(0, A, B), floor=0)) == Doubted(ana(0, A, B), 0)


def host_verdict(host: Host) -> object:
    return host.hear_all(A, B)[-1]


def test_below_the_floor_what_is_known_to_be_used_is_told_as_such() -> None:
    host = Host(ana(7, A, B), used={ANA: Use(7, HOME, "vpn")}, floor=8)
    assert isinstance(host.hear_all(A, B)[-1], Echoed)
    assert isinstance(host.hear_all(A, B, source=AWAY)[-1], Replayed)


def test_the_floor_is_not_for_fixed_sequences() -> None:
    assert opened(Host(SSH, floor=1 << 63).hear_all(A, B, C)) == ["ssh"]


def test_what_is_doubted_as_a_wrong_knock_is_still_told() -> None:
    host = Host(SSH, ana(7, D), floor=7)
    host.hear(A)
    assert isinstance(host.hear(D), Doubted)


def test_of_two_keyholders_with_one_sequence_the_unused_one_is_let_in() -> None:
    ben = expect("vpn", A, B, keyholder="ben", step=7)
    host = Host(ana(7, A, B), ben, used={ANA: Use(7, AWAY, "vpn")})
    assert host.hear_all(A, B)[-1] == Completed((ben,), carries_on=False)


def test_a_replay_as_a_wrong_knock_is_still_told() -> None:
    host = Host(SSH, ana(7, D), used={ANA: Use(7, AWAY, "vpn")})
    host.hear(A)
    assert isinstance(host.hear(D), Replayed)


def test_a_used_beginning_still_leads_on() -> None:
    host = Host(ana(7, A, B), expect("web", A, B, C), used={ANA: Use(7, AWAY, "vpn")})
    assert opened(host.hear_all(A, B, C)) == ["web"]


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
    assert host.hear(B, source=AWAY) == Replayed(ana(7, A, B), Use(7, HOME, "vpn"))


def test_a_step_gone_by_is_refused_after_a_later_one_was_used() -> None:
    host = Host(ana(7, A, B), ana(8, C, D))
    host.hear(A, source=AWAY)
    host.expect(ana(8, C, D), ana(9, D, C))
    host.hear_all(C, D)
    assert host.hear(B, source=AWAY) == Replayed(ana(7, A, B), Use(8, HOME, "vpn"))


def test_a_keyholder_unenrolled_half_way_is_refused() -> None:
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
    host.expect(ana(7, C, D, secret=1))
    assert opened([host.hear(B)]) == []


def test_a_secret_exchanged_half_way_does_not_open_any_more() -> None:
    host = Host(ana(7, A, B), ana(8, B, A))
    host.hear(A)
    host.expect(ana(7, C, D, secret=1), ana(8, D, C, secret=1))
    assert opened([host.hear(B)]) == []


def test_a_secret_exchanged_as_its_step_goes_by_does_not_open_either() -> None:
    host = Host(ana(7, A, B), ana(8, B, A))
    host.hear(A)
    host.expect(ana(8, D, C, secret=1), ana(9, C, D, secret=1))
    host.expect(ana(9, C, D, secret=1), ana(10, C, E, secret=1))
    assert opened([host.hear(B)]) == []


def test_without_skew_a_step_gone_by_can_be_completed_too() -> None:
    host = Host(ana(7, A, B, C))
    host.hear(A)
    host.expect(ana(8, D, E, F))
    assert opened(host.hear_all(B, C)) == ["vpn"]


def test_without_skew_a_secret_exchanged_half_way_does_not_open_any_more() -> None:
    host = Host(ana(7, A, B))
    host.hear(A)
    host.expect(ana(7, C, D, secret=1))
    host.expect(ana(8, D, C, secret=1))
    assert opened([host.hear(B)]) == []


def test_a_new_secret_opens_at_once() -> None:
    host = Host(ana(7, A, B))
    host.hear_all(A, B)
    host.expect(ana(7, C, D, secret=1))
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
