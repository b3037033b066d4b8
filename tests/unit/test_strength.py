"""The arithmetic of guessing against brute force through the real tracker, and against other arithmetic."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Iterator
from fractions import Fraction
from itertools import permutations, product

import pytest
from attrs import evolve

from portress.config.model import Authenticator, Config, Door, Misses, Rotating
from portress.durations import YEAR, count, roughly
from portress.knock import SECOND, TCP, UDP, Expected, Knock, Sequence, Service
from portress.sequence.trie import Trie
from portress.strength import odds
from portress.strength.doors import Attack, Strength, assess, one_in
from portress.tracker import Tracker
from portress.verdict import Completed, Missed

SOURCE = bytes([192, 0, 2, 7])
MINUTE = 60 * SECOND


def knocks(number: int) -> list[Knock]:
    return [Knock.of(TCP, port) for port in range(1, number + 1)]


def tracker_of(*sequences: Iterable[Knock], gap: int = MINUTE, misses: Misses | None = None) -> Tracker:
    expected = [Expected(Sequence(tuple(one), gap), f"door{i}") for i, one in enumerate(sequences)]
    return Tracker(Trie(expected), misses=misses)


def opens(
    tracker: Tracker, stream: Iterable[int], pace: int = 1, silent: frozenset[int] = frozenset()
) -> bool:
    """Whether a source new to the tracker that sends `stream`, a packet every `pace` ns, is let in."""
    tracker.forget(SOURCE)
    verdicts = [
        tracker.hear(SOURCE, int(knock), now * pace)
        for now, knock in enumerate(stream)
        if knock not in silent
    ]
    return any(isinstance(verdict, Completed) for verdict in verdicts)


def test_of_all_tries_in_a_small_space_just_the_sequences_in_force_open() -> None:
    space = knocks(8)
    inside = [tuple(space[i] for i in chosen) for chosen in ((2, 0, 7), (2, 5, 1), (6, 3, 4))]
    tracker = tracker_of(*inside)
    tries = list(permutations(space, 3))
    opening = sum(opens(tracker, one) for one in tries)
    assert Fraction(opening, len(tries)) == Fraction(3, odds.falling(8, 3))


@pytest.mark.parametrize("silent", [(), (2,), (2, 3), (1, 5)])
def test_a_sweep_opens_just_the_sequences_brute_force_finds(silent: tuple[int, ...]) -> None:
    quiet = frozenset(Knock.of(TCP, port) for port in silent)
    space = [Knock.of(protocol, port) for protocol in (TCP, UDP) for port in range(1, 6)]
    sweeps = odds.sweeps((1, 5))
    found = 0
    for sequence in permutations([knock for knock in space if knock not in quiet], 3):
        for gap in (1, 2, 5):
            tracker = tracker_of(sequence, gap=gap)
            for sweep in sweeps:
                stride = sweep.stride(sequence, quiet)
                expected = stride is not None and stride <= gap
                found += expected
                assert opens(tracker, sweep, 1, quiet) is expected, (sweep, sequence, gap)
    assert found > 0


def test_a_sweep_without_end_opens_just_the_sequences_brute_force_finds() -> None:
    quiet = frozenset({Knock.of(TCP, 3)})
    space = [Knock.of(protocol, port) for protocol in (TCP, UDP) for port in range(1, 5)]
    only_again = 0
    for sequence in permutations([knock for knock in space if knock not in quiet], 3):
        tracker = tracker_of(sequence)
        for sweep in odds.sweeps((1, 4)):
            again = sweep.stride(sequence, quiet, again=True) is not None
            if len(sweep.protocols) == 1 and sweep.covers(Knock.of(TCP, 1)):
                continue  # as many ports as the sequence and the silent one have together
            only_again += again and sweep.stride(sequence, quiet) is None
            assert opens(tracker, list(sweep) * 4, 1, quiet) is again, (sweep, sequence)
    assert only_again > 0


def test_a_sweeps_positions_and_order_agree() -> None:
    for sweep in odds.sweeps((1, 6)):
        order = list(sweep)
        assert len(order) == sweep.size == len(set(order))
        assert [sweep.position(knock) for knock in order] == list(range(sweep.size))
        assert [sweep.at(position) for position in range(sweep.size)] == order


def test_the_windows_of_a_sweep_are_the_drawn_sequences_it_opens() -> None:
    pool = {Knock.of(protocol, port) for protocol in (TCP, UDP) for port in range(2, 6)}
    quiet = frozenset({Knock.of(TCP, 4), Knock.of(UDP, 2)})
    drawn = [tracker_of(one) for one in permutations(sorted(pool), 3)]
    for sweep in odds.sweeps((1, 6)):
        opening = sum(opens(tracker, sweep, 1, quiet) for tracker in drawn)
        assert sweep.windows(3, pool, quiet) == opening


def test_a_scan_in_random_order_opens_as_often_as_over_all_orders() -> None:
    space = knocks(8)
    tracker = tracker_of((space[4], space[1], space[6]))
    opening = sum(opens(tracker, order) for order in permutations(space))
    assert Fraction(opening, math.factorial(8)) == odds.random_scan(8, 3) == Fraction(1, 56)


@pytest.mark.parametrize(("n", "k", "scans"), [(4, 2, 3), (5, 3, 2), (4, 3, 3), (5, 4, 2)])
def test_scans_in_random_order_one_after_the_other_open_as_often_as_over_all_orders(
    n: int, k: int, scans: int
) -> None:
    space = knocks(n)
    tracker = tracker_of(space[:k])
    orders = list(permutations(space))
    opening = sum(opens(tracker, sum(run, ())) for run in product(orders, repeat=scans))
    assert Fraction(opening, len(orders) ** scans) == odds.random_scans(n, k, scans, Fraction)


def test_one_scan_of_many_is_one_scan() -> None:
    for n, k in ((5, 1), (6, 2), (9, 4)):
        assert odds.random_scans(n, k, 1, Fraction) == odds.random_scan(n, k)


def test_rounding_hardly_changes_a_hundred_scans() -> None:
    exact = odds.random_scans(60, 3, 100, Fraction)
    assert odds.random_scans(60, 3, 100, float) == pytest.approx(float(exact), rel=1e-9)


def test_a_stream_tests_at_most_one_sequence_a_packet_and_the_best_one_does() -> None:
    """All streams of 6 packets over 4 knocks against all sequences of 3, and all of 5 against those of 2."""
    space = knocks(4)
    for k, packets in ((3, 6), (2, 5)):
        trackers = [tracker_of(one) for one in permutations(space, k)]
        # Which knock is called which does not matter: each stream begins with the first.
        streams = ((space[0], *rest) for rest in product(space, repeat=packets - 1))
        best = max(sum(opens(tracker, stream) for tracker in trackers) for stream in streams)
        assert best == odds.guesses(packets, k)


def test_a_simulated_scan_opens_as_often_as_reckoned() -> None:
    """20,000 scans of 12 knocks, seeded; four standard errors of a binomial share."""
    rng, space, runs = random.Random(20260131), knocks(12), 20_000
    tracker = tracker_of((space[3], space[9]))
    share = sum(opens(tracker, rng.sample(space, 12)) for _ in range(runs)) / runs
    p = float(odds.random_scan(12, 2))
    assert share == pytest.approx(p, abs=4 * math.sqrt(p * (1 - p) / runs))


def test_scans_open_several_sequences_no_more_often_than_their_sum() -> None:
    """Exact over all orders of 7 knocks: what one sequence's miss costs another keeps it below."""
    space = knocks(7)
    inside = (space[0:3], space[2:5], (space[5], space[1], space[0]))
    joint = tracker_of(*inside)
    orders = list(permutations(space))
    share = Fraction(sum(opens(joint, order) for order in orders), len(orders))
    assert odds.random_scan(7, 3) < share <= 3 * odds.random_scan(7, 3)


def test_a_random_stream_makes_a_miss_as_often_as_it_hits_a_first_knock() -> None:
    """200,000 knocks out of 60, seeded: one in 60 begins a guess; 3 parts in 60, and four standard errors."""
    rng, space, packets = random.Random(7), knocks(60), 200_000
    tracker = tracker_of(space[:3])
    misses = sum(isinstance(tracker.hear(SOURCE, rng.choice(space), now), Missed) for now in range(packets))
    expected = packets / 60
    assert misses == pytest.approx(expected, abs=3 / 60 * expected + 4 * math.sqrt(expected))


@pytest.mark.parametrize(("limit", "within", "shun"), [(1, 3, 4), (2, 3, 2), (2, 4, 9), (3, 4, 3), (3, 6, 1)])
def test_no_pattern_of_misses_beats_the_rate_that_shunning_leaves(limit: int, within: int, shun: int) -> None:
    """Every choice of when to miss, over 14 moments, through the real tracker."""
    space, moments = knocks(3), 14
    tracker = tracker_of(space[:2], misses=Misses(limit, within, shun))
    rate, most = odds.miss_rate(limit, within, shun), 0
    for pattern in product((False, True), repeat=moments):
        tracker.forget(SOURCE)
        made = 0
        for now, wanted in enumerate(pattern):
            if wanted:
                tracker.hear(SOURCE, space[0], now)
                made += isinstance(tracker.hear(SOURCE, space[2], now), Missed)
        most = max(most, made)
    # A moment longer than `within` counts as one more: exactly at the end of `within` a miss still counts.
    assert moments / (within + 1) * (limit - 1) <= most <= moments * rate + 2 * limit - 1


def test_the_mean_of_a_search_without_repeats_is_that_over_all_orders() -> None:
    places = [min(order.index(0), order.index(1)) + 1 for order in permutations(range(6))]
    assert odds.mean_guesses(6, 2, renewed=False) == pytest.approx(sum(places) / len(places))
    within = sum(place <= 3 for place in places) / len(places)
    # Drawn with replacement from a large space it is the same as without; here 2 of 6 are drawn apart.
    apart = 1 - (1 - 3 / 6) ** 2
    assert odds.chance_within(3, 6, 2, renewed=False) == pytest.approx(apart)
    assert apart < within
    assert odds.chance_within(3, 6, 1, renewed=False) == pytest.approx(3 / 6)


def test_the_geometric_law_holds_for_renewed_sequences() -> None:
    """Feller, An Introduction to Probability Theory and Its Applications, vol. 1, VI.8 (from memory)."""
    p = Fraction(3, 40)
    for tries in (1, 2, 10, 50):
        exact = sum(p * (1 - p) ** (turn - 1) for turn in range(1, tries + 1))
        assert odds.chance_within(tries, 40, 3, renewed=True) == pytest.approx(float(exact))
    mean = Fraction(odds.mean_guesses(40, 3, renewed=True)).limit_denominator(1000)
    assert mean == 1 + (1 - p) * mean


def test_a_chance_far_below_a_floats_grain_is_not_lost() -> None:
    assert odds.chance_within(10, 10**30, 3, renewed=True) == pytest.approx(3e-29)
    assert odds.any_two_alike(3000, 10**30) == pytest.approx(3000 * 2999 / 2 / 1e30)


def test_the_birthday_formula_gives_the_textbooks_values() -> None:
    """Feller, vol. 1, II.3 (from memory): 23 people are more likely than not to share a birthday, 0.507."""
    assert odds.any_two_alike(23, 365) == pytest.approx(0.5073, abs=5e-5)
    assert odds.any_two_alike(22, 365) < 0.5
    apart = math.prod((Fraction(20 - i, 20) for i in range(7)), start=Fraction(1))
    assert odds.any_two_alike(7, 20) == pytest.approx(float(1 - apart))
    assert odds.any_two_alike(21, 20) == 1


def test_a_gigabit_line_carries_1_488_095_minimum_frames_a_second() -> None:
    """IEEE 802.3: 64 bytes of frame, 8 of preamble and delimiter, 12 of interframe gap."""
    assert int(odds.frames(1e9)) == 1_488_095


def test_the_likeliest_code_is_one_of_those_that_31_bits_reach_once_more() -> None:
    whole, rest = divmod(2**31, 10**8)
    assert rest > 0
    assert odds.likeliest_code() == Fraction(whole + 1, 2**31)


def door(name: str, *sequence: str, gap: int = MINUTE) -> Door:
    fixed = Sequence(tuple(Knock.parse(one) for one in sequence), gap)
    return Door(name, (Service.parse("tcp/22"),), 8 * 3600 * SECOND, fixed=fixed)


VPN = Door(
    "vpn",
    (Service.parse("udp/51820"),),
    24 * 3600 * SECOND,
    rotating=Rotating((20000, 51999), (TCP, UDP), 4, 10 * SECOND, 1),
)
MISSES = Misses(5, 10 * MINUTE, 30 * MINUTE)


def only(config: Config, attack: Attack = Attack(), **keyholders: int) -> Strength:  # noqa: B008
    (found,) = assess(config, {("vpn", style): number for style, number in keyholders.items()}, attack)
    return found


def test_a_fixed_door_is_reckoned_over_all_knocks_and_over_those_people_pick() -> None:
    found = only(Config({"ssh": door("ssh", "tcp/4617", "udp/2953", "tcp/6381")}))
    everything, picked = found.searches
    assert everything.possible == 131070 * 131069 * 131068
    assert picked.possible == 18000 * 17999 * 17998
    assert found.one_try == Fraction(1, 131070 * 131069 * 131068)
    assert found.scans.opening == ()


def test_knocks_outside_what_people_pick_are_not_reckoned_among_them() -> None:
    found = only(Config({"ssh": door("ssh", "tcp/4617", "udp/29342", "tcp/6381")}))
    assert len(found.searches) == 1


def test_a_rotating_door_counts_all_keyholders_and_steps_in_force() -> None:
    found = only(Config({"vpn": VPN}), derived=7)
    (search,) = found.searches
    assert (search.possible, search.in_force) == (64000 * 63999 * 63998 * 63997, 7 * 3)
    assert found.one_try == Fraction(21, search.possible)
    assert found.alike == pytest.approx(21 * 20 / 2 / search.possible)
    swept = Fraction(
        21 * (64000 - 4 - 3), search.possible
    )  # 4 in the pool's silent ports? none but udp/51820
    assert found.scans.upwards == pytest.approx(swept, rel=1e-3)


def test_more_keyholders_do_not_help_a_stranger_who_is_shunned() -> None:
    config = Config({"vpn": VPN}, misses=MISSES)
    few, many = only(config, derived=1).searches[0], only(config, derived=100).searches[0]
    attack = Attack(rate=1e6)
    means = [one.mean(one.pace(attack, 1, shunning=True)) for one in (few, many)]
    assert means[1] == pytest.approx(means[0], rel=0.01)


def test_shunning_leaves_a_source_the_misses_below_the_limit() -> None:
    found = only(Config({"ssh": door("ssh", "tcp/4617", "udp/2953", "tcp/6381")}, misses=MISSES))
    search = found.searches[0]
    # 4 misses in 10 minutes, each after 131,070 packets on average
    assert search.pace(Attack(rate=1e6), 1, shunning=True) == pytest.approx(4 / 600 * 131070)
    assert search.pace(Attack(rate=100), 1, shunning=True) == 100
    assert search.pace(Attack(rate=1e6), 1, shunning=False) == 1e6


def test_no_number_of_sources_sends_more_than_the_line_carries() -> None:
    search = only(Config({"vpn": VPN}, misses=MISSES), derived=1).searches[0]
    attack = Attack(rate=1e5, link=1e9)
    assert search.pace(attack, 10**6, shunning=False) == attack.line
    assert search.pace(attack, None, shunning=True) == attack.line


def test_neighbours_with_a_guarded_port_between_them_are_opened_by_a_sweep() -> None:
    found = only(Config({"ssh": door("ssh", "tcp/21", "tcp/23", "tcp/24")}))
    assert found.scans.opening == ("tcp, upwards", "tcp then udp, upwards", "udp then tcp, upwards")
    assert found.scans.upwards == 1
    assert found.scans.downwards == 0
    assert found.grade == "open to a sweep"
    assert "sweep" in found.verdict


def test_a_scan_slower_than_the_gap_opens_nothing() -> None:
    config = Config({"ssh": door("ssh", "tcp/23", "tcp/24", "tcp/25", gap=SECOND)})
    assert only(config, Attack(rate=1)).scans.upwards == 1
    slow = only(config, Attack(rate=0.9)).scans
    assert slow.too_slow
    assert slow.upwards == slow.random == 0


def test_a_door_for_authenticators_is_as_strong_as_eight_digits() -> None:
    vpn = Door(
        "vpn", (Service.parse("udp/51820"),), SECOND, authenticator=Authenticator(21000, 30 * SECOND, 1)
    )
    found = only(Config({"vpn": vpn}), authenticator=2)
    (search,) = found.searches
    assert found.one_try == 6 * odds.likeliest_code()
    assert search.pace(Attack(rate=400), 1, shunning=False) == 100  # four packets a code
    assert search.mean(100) == pytest.approx(2**31 / 22 / 6 / 100)


def test_a_door_without_keyholders_is_reckoned_for_one_and_says_so() -> None:
    found = only(Config({"vpn": VPN}))
    assert (found.opener.keyholders, found.opener.in_force) == (0, 3)


def test_what_no_length_protects_from_is_said_of_every_door() -> None:
    fixed = only(Config({"ssh": door("ssh", "tcp/4617", "udp/2953")})).not_against
    drawn = only(Config({"vpn": VPN})).not_against
    assert "read a fixed sequence and replay it" in fixed[0]
    for said in (fixed, drawn):
        assert any("NAT" in line for line in said)
        assert any("alter traffic on the path" in line for line in said)


def test_the_grade_follows_the_chance_within_a_year() -> None:
    config = Config({"vpn": VPN}, misses=MISSES)
    strong = only(config, Attack(sources=10, rate=100), derived=1)
    assert (strong.grade, strong.year < 1e-6) == ("strong", True)
    search = strong.searches[0]
    pace = search.pace(Attack(sources=10, rate=100), 10, shunning=True)
    assert strong.year == pytest.approx(pace * YEAR * 3 / search.possible)


def words() -> Iterator[tuple[str, str]]:
    yield one_in(0), "never"
    yield one_in(1), "certain"
    yield one_in(Fraction(1, 17)), "1 in 17"
    yield one_in(0.34), "34 %"
    yield one_in(Fraction(1, 2_251_000_000_000_000)), "1 in 2.3e15"
    yield count(131070), "131,070"
    yield count(1e12), "1 trillion"
    yield count(999_900), "999,900"
    yield count(999_999_999), "1 billion"
    yield count(Fraction(2_340_000)), "2.3 million"
    yield count(9.99e14), "1.0e15"
    yield roughly(40), "40 seconds"
    yield roughly(7200), "2 hours"
    yield roughly(36 * YEAR), "36 years"
    yield roughly(1.24e9 * YEAR), "1.2 billion years"


def test_chances_counts_and_times_are_told_in_words() -> None:
    for said, expected in words():
        assert said == expected


def test_the_figures_of_a_fixed_door_are_those_of_a_search_without_repeats() -> None:
    """Half of all sequences on average, and a share of them a year, by hand (Feller VI.8 does not apply)."""
    sequence = ("tcp/4617", "udp/29342", "tcp/6381")
    (search,) = only(Config({"ssh": door("ssh", *sequence)})).searches
    everything = 131070 * 131069 * 131068
    assert search.mean(1e6) == pytest.approx((everything + 1) / 2 / 1e6, rel=1e-12)
    assert search.chance(1e6, 365.25 * 86400) == pytest.approx(1e6 * 365.25 * 86400 / everything, rel=1e-9)
    assert search.chance(1.0, everything) == 1.0
    assert search.chance(1.0, everything / 2) == pytest.approx(0.5)


def test_where_shunning_is_what_slows_a_stranger_the_year_is_reckoned_with_it() -> None:
    """4 misses in 10 minutes, one in 18,000 guesses is one: 120 guesses/s a source, of 1000 sent."""
    found = only(Config({"ssh": door("ssh", "tcp/4617", "udp/2953", "tcp/6381")}, misses=MISSES))
    picked = 18000 * 17999 * 17998
    assert found.year == pytest.approx(1000 * 120 * 365.25 * 86400 / picked, rel=1e-3)
    # With a short shunning it is better to be shunned again and again: 5 misses a minute.
    often = Misses(5, 3600 * SECOND, MINUTE)
    hasty = only(Config({"ssh": door("ssh", "tcp/4617", "udp/29342", "tcp/6381")}, misses=often)).searches[0]
    assert hasty.pace(Attack(rate=1e6), 1, shunning=True) == pytest.approx(5 / 60 * 131070)


def test_a_random_scan_of_a_fixed_door_is_the_closed_form() -> None:
    """n = 131,069 knocks (one port is guarded), 3 in a row in their order: 1 / (n (n - 1))."""
    scans = only(Config({"ssh": door("ssh", "tcp/4617", "udp/2953", "tcp/6381")}, misses=MISSES)).scans
    assert scans.random == Fraction(1, 131069 * 131068)
    assert scans.random_many == pytest.approx(100 / (131069 * 131068), rel=0.01)


def test_chances_at_and_just_below_one() -> None:
    assert odds.chance_within(10, 10, 1, renewed=False) == 1.0
    assert odds.chance_within(9, 10, 1, renewed=False) == pytest.approx(0.9)
    assert odds.chance_within(11, 10, 1, renewed=False) == 1.0
    assert odds.chance_within(1, 10, 10, renewed=True) == 1.0
    assert odds.chance_within(0.5, 10, 10, renewed=True) == 0.0
    assert odds.chance_within(1, 10, 9, renewed=True) == pytest.approx(0.9)
    assert odds.chance_within(2, 10, 9, renewed=True) == pytest.approx(0.99)
    assert odds.any_two_alike(10, 10) == pytest.approx(1 - 3628800 / 10**10)
    assert odds.any_two_alike(11, 10) == 1.0
    told = [one_in(chance) for chance in (1, 0.9999999, 0.991, 0.99, 0.985)]
    assert told == ["certain", "over 99 %", "over 99 %", "99 %", "98 %"]


def test_what_forging_can_do_is_said_truthfully() -> None:
    config = Config({"vpn": evolve(VPN, fixed=door("ssh", "tcp/4617", "udp/2953", "tcp/6381").fixed)})
    fixed, rotating = assess(config, {("vpn", "derived"): 1}, Attack())
    assert any("forging it as the source" in one for one in fixed.not_against)
    assert any("shares the admission" in one for one in fixed.not_against)
    assert any("spoil a sequence with one packet" in one for one in rotating.not_against)
    alone = evolve(VPN, rotating=evolve(VPN.rotating, admits="connection"))
    (one,) = assess(Config({"vpn": alone}), {("vpn", "derived"): 1}, Attack())
    assert not any("shares the admission" in each for each in one.not_against)
    assert any("takes its place" in each for each in one.not_against)
    assert "forged addresses" in fixed.in_short and "listens and forges" in rotating.in_short
