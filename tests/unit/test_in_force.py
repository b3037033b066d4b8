"""What is in force at a moment: by the hour, on paper, and for how long a sequence can be under way."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from portress import hours
from portress.config.load import parse
from portress.config.model import Config
from portress.keyholders.keyholder import Keyholder, Sheet
from portress.knock import TIMELESS, Expected
from portress.sequence import fixed
from portress.sequence.in_force import SequencesInForce, few, furthest, still_to_come
from portress.sequence.trie import Trie
from portress.verdict import Closed, Completed

MORNING = datetime(2026, 1, 5, 7, 0, tzinfo=UTC).timestamp()  # a Monday
NOON, NIGHT = MORNING + 5 * 3600, MORNING + 16 * 3600
DAY = '{from: "08:00", to: "20:00", zone: UTC}'
CONFIG = parse(
    f"""\
doors:
  ssh: {{services: [tcp/22], fixed: {{knocks: [tcp/4617, udp/2953]}}}}
  wiki: {{services: [tcp/8443], hours: {DAY}, fixed: {{knocks: [tcp/4617, udp/2953, tcp/6381]}}}}
  vpn:
    services: [udp/51820]
    hours: {DAY}
    rotating: {{pool: 20000-29999, length: 4, skew: 1}}
    paper: {{sequences: 10}}
  code: {{services: [tcp/993], authenticator: {{base: 31000, skew: 2}}}}
""",
    "portress.yaml",
)
EARLY = (hours.window("06:00-12:00 Europe/Berlin"),)  # 05:00 to 11:00 UTC in January
ANA = Keyholder("ana", ("vpn",), b"A" * 20)
BEN = Keyholder("ben", ("vpn", "code"), b"B" * 20, hours=EARLY)
CLEO = Keyholder("cleo", ("code", "vpn"), b"C" * 20, "authenticator")


def of(door: str, keyholder: str | None = None) -> Expected:
    (sequence,) = (one.sequence for one in fixed.expected(CONFIG) if one.door == "ssh")
    return Expected(sequence, door, keyholder)


def everything(trie: Trie) -> set[tuple[str, str | None, int | None]]:
    """(door, keyholder, step) of all that can be completed in the tree, begun now or lately."""
    found: set[tuple[str, str | None, int | None]] = set()
    todo = [trie.root, *trie.over.values()]
    while todo:
        node = todo.pop()
        todo.extend(node.children.values())
        found |= {(one.door, one.keyholder, one.step) for one in node.endings}
    return found


@pytest.mark.parametrize(
    ("left", "whole", "wanted"), [(0, 0, True), (2, 10, True), (3, 10, False), (1, 4, False)]
)
def test_a_fifth_of_a_sheet_is_few(left: int, whole: int, wanted: bool) -> None:
    assert few(left, whole) is wanted


def test_a_step_is_still_to_come_if_no_skew_lets_both_be_in_force() -> None:
    """The furthest skew is 2: steps 4 apart can both be in force, steps 5 apart cannot."""
    assert still_to_come(CONFIG, 100, 105) is True
    assert still_to_come(CONFIG, 100, 104) is False
    assert still_to_come(CONFIG, 100, 90) is False


def test_without_a_door_that_rotates_no_other_step_is_in_force() -> None:
    without = parse("doors: {ssh: {services: [tcp/22], fixed: {knocks: [tcp/4617, udp/2953]}}}\n", "a.yaml")
    assert furthest(without) == 0 and furthest(CONFIG) == 2


# By the hour


def test_hours_are_kept_if_any_door_or_anybody_has_some() -> None:
    without = parse("doors: {ssh: {services: [tcp/22], fixed: {knocks: [tcp/4617, udp/2953]}}}\n", "a.yaml")
    assert SequencesInForce(CONFIG).keeps_hours is True
    assert SequencesInForce(without).keeps_hours is False
    assert SequencesInForce(without, (ANA,)).keeps_hours is False
    assert SequencesInForce(without, (BEN,)).keeps_hours is True


def test_a_sequence_opens_within_its_doors_hours_and_its_keyholders() -> None:
    sequences = SequencesInForce(CONFIG, (ANA, BEN))
    door = CONFIG.doors["wiki"].hours
    assert sequences.hours_of(of("ssh")) == []
    assert sequences.hours_of(of("wiki")) == sequences.hours_of(of("vpn", "ana")) == [door]
    assert sequences.hours_of(of("vpn", "ben")) == [door, EARLY]
    assert sequences.hours_of(of("code", "ben")) == sequences.hours_of(of("gone", "ben")) == [EARLY]
    assert (sequences.own_hours(of("vpn", "ben")), sequences.own_hours(of("vpn", "ana"))) == (EARLY, ())
    assert sequences.own_hours(of("ssh")) == ()
    open_at = {
        moment: [sequences.in_hours(one, moment) for one in (of("ssh"), of("vpn", "ana"), of("vpn", "ben"))]
        for moment in (MORNING, MORNING + 3600, NOON, NIGHT)
    }
    assert open_at == {
        MORNING: [True, False, False],
        MORNING + 3600: [True, True, True],
        NOON: [True, True, False],
        NIGHT: [True, False, False],
    }


def test_what_was_completed_is_judged_by_the_hour() -> None:
    sequences = SequencesInForce(CONFIG, (ANA, BEN))
    ssh, wiki, vpn = of("ssh"), of("wiki"), of("vpn", "ben")
    both = Completed((ssh, wiki), True)
    assert sequences.shut(both, NIGHT) == [wiki]
    assert sequences.shut(both, NOON) == []
    assert sequences.judged(both, [], NOON) is both
    assert sequences.judged(both, [wiki], NIGHT) == Completed((ssh,), True)
    # Nothing is left: when the first of them opens, by the clock of the first one's zone.
    tomorrow = MORNING + 25 * 3600
    assert sequences.judged(Completed((wiki, vpn), False), [wiki, vpn], NIGHT) == Closed(
        (wiki, vpn), tomorrow, "UTC"
    )
    assert sequences.closed([vpn], NOON) == Closed((vpn,), tomorrow, "UTC")
    assert sequences.closed([of("code", "ben")], NOON) == Closed(
        (of("code", "ben"),), MORNING + 22 * 3600, "Europe/Berlin"
    )
    assert sequences.closed([ssh], NOON) == Closed((ssh,), None, "UTC")


def test_of_several_windows_the_first_ones_zone_is_told() -> None:
    both = (*EARLY, hours.window("21:00-22:00 UTC"))
    told = SequencesInForce(CONFIG, (Keyholder("ben", ("code",), b"B" * 20, hours=both),)).closed(
        [of("code", "ben")], NOON
    )
    assert told.zone == "Europe/Berlin" and told.opens == NOON + 9 * 3600


def test_hours_that_never_meet_open_at_no_time() -> None:
    late = Keyholder("ben", ("vpn",), b"B" * 20, hours=(hours.window("21:00-22:00 UTC"),))
    vpn, wiki = of("vpn", "ben"), of("wiki")
    assert SequencesInForce(CONFIG, (late,)).closed([vpn], NOON) == Closed((vpn,), None, "UTC")
    assert SequencesInForce(CONFIG, (late,)).closed([vpn, wiki], NIGHT).opens == MORNING + 25 * 3600


# Steps


def daemons(config: str) -> Config:
    return parse(f"decide: daemon\n{config}", "portress.yaml")


def test_whose_and_how_far_off_steps_may_be_is_by_keyholder_and_door() -> None:
    sequences = SequencesInForce(CONFIG, (ANA, BEN, CLEO))
    assert sequences.keys == {
        ("ana", "vpn"),
        ("ben", "vpn"),
        ("ben", "code"),
        ("cleo", "code"),
        ("cleo", "vpn"),
    }
    # Of a keyholder's doors only those of the style count: codes open no derived door, nor the other way.
    assert sequences.skews() == {("ana", "vpn"): 1, ("ben", "vpn"): 1, ("cleo", "code"): 2}
    assert SequencesInForce(CONFIG, (Keyholder("dan", ("gone",), b"D" * 20),)).skews() == {}


def test_until_is_known_of_those_who_end() -> None:
    ends = Keyholder("dan", ("vpn",), b"D" * 20, until=3000.0)
    assert SequencesInForce(CONFIG, (ANA, ends)).until == {"dan": 3000.0}


@pytest.mark.parametrize(
    ("length", "gap", "before"),
    [
        (4, "10s", 1),  # three gaps: 30 s, one step
        (5, "10s", 2),  # 40 s: the second step has begun
        (2, "30s", 1),
        (4, "60s", 4),  # 180 s would be six: no more than four
    ],
)
def test_where_the_kernel_decides_what_was_begun_in_time_can_be_completed(
    length: int, gap: str, before: int
) -> None:
    rule = f"{{pool: 20000-29999, length: {length}, gap: {gap}, skew: 1}}"
    text = f"doors:\n  vpn: {{services: [udp/51820], rotating: {rule}}}\n"
    kernel = SequencesInForce(parse(text, "portress.yaml"), (ANA,)).trie(100)
    assert {step for _, _, step in everything(kernel)} == {*range(99 - before, 102)}
    daemon = SequencesInForce(daemons(text), (ANA,)).trie(100)
    assert {step for _, _, step in everything(daemon)} == {99, 100, 101}


# On paper

SHEET = {"vpn": Sheet(first=7, count=5, era="first")}
PRINTED = Keyholder("ana", ("vpn",), b"A" * 20, until=3030.0, paper=SHEET)
OTHER = Keyholder("ben", ("vpn",), b"B" * 20, paper={"vpn": Sheet(first=1, count=2, era="second")})


@pytest.mark.parametrize(
    ("era", "whose", "void"),
    [
        ("first", {"ana"}, [("ben", "vpn")]),
        ("second", {"ben"}, [("ana", "vpn")]),
        (None, {"ana", "ben"}, []),
        ("", set(), [("ana", "vpn"), ("ben", "vpn")]),
    ],
)
def test_paper_of_another_era_is_void(era: str | None, whose: set[str], void: list[tuple[str, str]]) -> None:
    sequences = SequencesInForce(CONFIG, (PRINTED, OTHER), era=era)
    assert {one.keyholder for one in sequences.paper} == whose
    assert sequences.void_paper == void
    assert sequences.paper is sequences.paper  # derived once
    on_paper = {keyholder for _, keyholder, step in everything(sequences.trie(10)) if step == TIMELESS}
    assert on_paper == whose


def test_paper_works_until_its_keyholder_ends() -> None:
    sequences = SequencesInForce(CONFIG, (PRINTED,), era="first")
    assert ("vpn", "ana", TIMELESS) in everything(sequences.trie(100))  # 3000 s
    assert ("vpn", "ana", TIMELESS) not in everything(sequences.trie(101))  # 3030 s, to the second


def test_what_is_left_of_paper_is_counted_by_keyholder_and_door() -> None:
    sequences = SequencesInForce(CONFIG, (PRINTED, OTHER), era=None)
    assert sequences.paper_left(set()) == {("ana", "vpn"): (5, 5), ("ben", "vpn"): (2, 2)}
    used = {PRINTED.paper_claim("vpn", 7), PRINTED.paper_claim("vpn", 9), OTHER.paper_claim("vpn", 1)}
    assert sequences.paper_left(used) == {("ana", "vpn"): (3, 5), ("ben", "vpn"): (1, 2)}
