"""Warnings about the choice of knocks: each is given where it is due, and a good choice has none."""

from __future__ import annotations

from itertools import permutations

import pytest
from attrs import evolve

from portress.config.model import Authenticator, Config, Door, Misses, Rotating
from portress.config.pitfalls import Pitfall, Surroundings, pitfalls
from portress.knock import SECOND, TCP, UDP, Knock, Sequence, Service

GOOD = ("tcp/4617", "udp/2953", "tcp/6381")
HOST = Surroundings(
    services={
        Knock.parse("tcp/3306"): "mysql",
        Knock.parse("udp/5353"): "mdns",
        Knock.parse("tcp/20012"): "x",
    },
    ephemeral=(32768, 60999),
    refused=frozenset({6000, 6667, 10080}),
)
ROTATING = Rotating((20000, 29999), (TCP, UDP), 4, 10 * SECOND, 1)


def fixed(*knocks: str, name: str = "ssh", gap: int = 60 * SECOND) -> Door:
    sequence = Sequence(tuple(Knock.parse(knock) for knock in knocks), gap)
    return Door(name, (Service.parse("tcp/22"),), SECOND, fixed=sequence)


def vpn(rotating: Rotating | None = None, authenticator: Authenticator | None = None) -> Door:
    return Door("vpn", (Service.parse("udp/51820"),), SECOND, rotating=rotating, authenticator=authenticator)


def warned(*doors: Door, surroundings: Surroundings = HOST) -> tuple[Pitfall, ...]:
    return pitfalls(Config({door.name: door for door in doors}), surroundings)


DOOR_AT_THE_ENDS = fixed("tcp/32768", "udp/4617", "udp/60999", "tcp/61001", "udp/32766")


def told(*doors: Door) -> str:
    """The one warning there is."""
    (pitfall,) = warned(*doors)
    assert pitfall.why
    return pitfall.what


def test_a_good_choice_draws_no_warning() -> None:
    assert warned(fixed(*GOOD), fixed("udp/2950", "tcp/9412", "udp/4711", name="web"), vpn(ROTATING)) == ()


@pytest.mark.parametrize(
    ("knocks", "word"),
    [
        (("tcp/2953", "udp/4617", "tcp/6381"), "ascending"),
        (("tcp/6381", "udp/4617", "tcp/2953"), "descending"),
    ],
)
def test_knocks_in_the_order_of_a_sweep_are_warned_of(knocks: tuple[str, ...], word: str) -> None:
    assert told(fixed(*knocks)) == f"the knocks are {word}"


def test_of_six_orders_of_three_knocks_two_are_warned_of() -> None:
    assert sum(bool(warned(fixed(*order))) for order in permutations(GOOD)) == 2


@pytest.mark.parametrize("other", ["tcp/4618", "tcp/4616", "udp/4617", "udp/4618"])
def test_neighbours_are_warned_of_whatever_their_protocol(other: str) -> None:
    assert told(fixed("tcp/4617", "udp/2953", other, "tcp/2950")).startswith("neighbours: tcp/4617 and ")


def test_well_known_ports_are_warned_of_by_their_name() -> None:
    assert told(fixed("tcp/4617", "tcp/3306", "udp/5353")) == (
        "well-known ports: tcp/3306 (mysql), udp/5353 (mdns)"
    )
    assert warned(fixed("tcp/4617", "udp/3306", "tcp/5353")) == ()


def test_the_ephemeral_range_is_warned_of_to_its_very_ends() -> None:
    what = told(DOOR_AT_THE_ENDS)
    assert what == "in this host's ephemeral range, 32768 to 60999: tcp/32768, udp/60999"


def test_ports_that_browsers_refuse_are_warned_of_for_tcp_only() -> None:
    assert told(fixed("tcp/6000", "tcp/4617", "udp/6667")) == "browsers refuse tcp/6000"


def test_less_than_three_knocks_are_too_few() -> None:
    assert told(fixed("tcp/2953")) == "1 knock"
    assert "2 knocks" in [pitfall.what for pitfall in warned(fixed("tcp/2953", "udp/4617"))]


def test_a_gap_longer_than_a_minute_is_too_long() -> None:
    assert told(fixed(*GOOD, gap=61 * SECOND)) == "a gap of 61 s"
    assert warned(fixed(*GOOD, gap=60 * SECOND)) == ()


@pytest.mark.parametrize(
    ("others", "reason"),
    [
        (("tcp/6381", "udp/2953", "tcp/4617"), "the same ones in another order"),
        (("tcp/4617", "udp/2953", "tcp/4711"), "2 of 3 are the same in the same places"),
        (("tcp/4617", "tcp/4711", "udp/2953"), "they start the same and share all but one"),
        (("tcp/4617", "udp/2953", "tcp/6381", "tcp/2950"), "3 of 3 are the same in the same places"),
    ],
)
def test_doors_with_knocks_too_alike_are_warned_of(others: tuple[str, ...], reason: str) -> None:
    what = told(fixed(*GOOD), fixed(*others, name="web"))
    assert what == f"doors ssh and web have knocks too alike: {reason}"


def test_doors_that_share_one_knock_are_not_too_alike() -> None:
    assert warned(fixed(*GOOD), fixed("tcp/4617", "tcp/2950", "udp/4711", name="web")) == ()


def test_a_pool_is_warned_of_by_the_share_of_sequences_that_meet_a_drawback() -> None:
    pool = evolve(ROTATING, pool=(32668, 32867), protocols=(TCP,), length=3)
    what = [pitfall.what for pitfall in warned(vpn(pool))]
    clear = 100 * 99 * 98 / (200 * 199 * 198)
    assert what[0].startswith(
        f"{100 * (1 - clear):.0f} % of the sequences of the pool 32668 to 32867 use this host's"
    )


def test_a_pool_with_ports_that_browsers_refuse_is_warned_of_however_few() -> None:
    pool = evolve(ROTATING, pool=(6000, 29999), protocols=(TCP,))
    assert (
        told(vpn(pool))
        == "1 in 2,000 sequences of the pool 6000 to 29999 use one of 3 ports that browsers refuse"
    )
    assert warned(vpn(evolve(pool, protocols=(UDP,)))) == ()


def test_a_pool_with_a_single_port_that_browsers_refuse_says_so() -> None:
    pool = evolve(ROTATING, pool=(6000, 6100), protocols=(TCP,))
    assert any(
        one.what.endswith("of the pool 6000 to 6100 use a port that browsers refuse")
        for one in warned(vpn(pool))
    )


def test_a_pool_too_small_is_warned_of_by_the_time_a_line_takes_to_try_it() -> None:
    pool = evolve(ROTATING, pool=(20000, 20099), protocols=(UDP,))
    (pitfall,) = warned(vpn(pool))
    assert pitfall.what == "94,109,400 sequences in all"
    assert "a gigabit line carries as many packets in 63 seconds" in pitfall.why


def test_shunning_is_advised_where_nobody_is_shunned() -> None:
    config = Config({"vpn": vpn(authenticator=Authenticator(21000, 30 * SECOND, 1))}, prefix_6=64)
    for misses, advised in ((None, True), (Misses(5, SECOND, SECOND), False)):
        (pitfall,) = pitfalls(evolve(config, misses=misses), HOST)
        assert ("so that guessing gets shunned" in pitfall.why) == advised


def test_pauses_longer_than_a_sequence_is_in_force_are_warned_of() -> None:
    assert warned(vpn(evolve(ROTATING, gap=30 * SECOND))) == ()
    (pitfall,) = warned(vpn(evolve(ROTATING, gap=31 * SECOND)))
    assert "which is 90 s" in pitfall.why


def test_eight_digits_are_warned_of_as_too_few() -> None:
    assert told(vpn(authenticator=Authenticator(21000, 30 * SECOND, 1))) == "100,000,000 sequences in all"


def test_an_authenticators_ports_are_warned_of_as_a_range() -> None:
    found = [pitfall.what for pitfall in warned(vpn(authenticator=Authenticator(32400, 30 * SECOND, 1)))]
    assert found[0] == "tcp/32400 to 32799 reach into this host's ephemeral range, 32768 to 60999"
    found = [pitfall.what for pitfall in warned(vpn(authenticator=Authenticator(6600, 30 * SECOND, 1)))]
    assert found[0] == "browsers refuse tcp ports 6667"


def test_shunning_single_ipv6_addresses_is_warned_of() -> None:
    config = Config({"ssh": fixed(*GOOD)}, misses=Misses(5, SECOND, SECOND), prefix_6=128)
    (pitfall,) = pitfalls(config, HOST)
    assert (pitfall.door, pitfall.what) == (None, "source_prefix.ipv6 is 128")
    assert pitfalls(evolve(config, prefix_6=64), HOST) == ()
    assert pitfalls(evolve(config, misses=None), HOST) == ()


def test_nothing_is_said_of_a_host_of_which_nothing_is_known() -> None:
    assert warned(DOOR_AT_THE_ENDS, vpn(ROTATING), surroundings=Surroundings()) == ()
