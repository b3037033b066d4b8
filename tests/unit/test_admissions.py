"""The register of admissions: in force by door and source, over in the order of their ends."""

from __future__ import annotations

import random

import pytest
from attrs import evolve

from hearing import A, B, ana
from portress.admissions import Admission, Grant, How, everywhere, shuts, stay_of
from portress.config.load import parse
from portress.knock import SECOND, TIMELESS, Source
from portress.register import Register

HOUR = 3600 * SECOND
FRIDAY = 1_800_000_000.0 - 1_800_000_000 % 86_400  # 2027-01-15, 00:00 UTC
CONFIG = parse(
    """doors:
  ssh: {services: [tcp/22], stay: 2h, fixed: {knocks: [tcp/4617]}}
  vpn:
    services: [tcp/23]
    stay: 8h
    fixed: {knocks: [tcp/4618]}
    hours: {days: mon-fri, from: "06:00", to: "20:00", zone: UTC}
    at_closing: end
  wiki: {services: [tcp/24], stay: 8h, fixed: {knocks: [tcp/4619]}, at_closing: stay,
    hours: {days: mon-fri, from: "06:00", to: "20:00", zone: UTC}}
  code: {services: [tcp/25], stay: 8h, fixed: {knocks: [tcp/4620]}, at_closing: end,
    hours: {from: "00:00", to: "24:00", zone: UTC}}
""",
    "portress.yaml",
)
ANA, BEN = Source.parse("192.0.2.7"), Source.parse("2001:db8::7")


def filled(*admissions: tuple[str, Source, int]) -> Register:
    register = Register()
    for door, source, until in admissions:
        register.put(Admission(door, source, 0, until))
    return register


def test_an_admission_is_in_force_until_its_moment_and_then_over() -> None:
    register = filled(("ssh", ANA, 100))
    assert register.expire(99) == [] and len(register) == 1
    assert [one.source for one in register.expire(100)] == [ANA]
    assert register.get("ssh", ANA) is None


def test_those_that_are_over_come_in_the_order_of_their_ends() -> None:
    register = filled(("ssh", ANA, 300), ("vpn", ANA, 100), ("ssh", BEN, 200))
    assert [one.until for one in register.expire(1000)] == [100, 200, 300]


def test_a_renewed_admission_ends_at_its_new_moment_only() -> None:
    register = filled(("ssh", ANA, 100), ("ssh", ANA, 500))
    assert register.expire(100) == []
    assert len(register) == 1
    assert [one.until for one in register.expire(500)] == [500]


def test_one_that_was_taken_out_does_not_come_up_again() -> None:
    register = filled(("ssh", ANA, 100))
    assert register.remove("ssh", ANA) is not None
    assert register.remove("ssh", ANA) is None
    assert register.expire(1000) == []


def test_sources_and_doors_are_told_apart() -> None:
    register = filled(("ssh", ANA, 100), ("vpn", ANA, 100), ("ssh", BEN, 100))
    assert {one.door for one in register.of(ANA)} == {"ssh", "vpn"}
    assert register.counts() == {"ssh": 2, "vpn": 1}


def test_renewing_without_end_keeps_the_memory_of_ends_bounded() -> None:
    register = Register()
    admission = Admission("ssh", ANA, 0, 0)
    for until in range(0, 10_000 * SECOND, SECOND):
        admission.until = until
        register.put(admission)
    assert len(register._ends) == 1 and len(register._seconds) <= 70
    assert register.expire(9_999 * SECOND - 1) == []
    assert len(register.expire(9_999 * SECOND)) == 1


def test_admitting_and_dismissing_without_end_keeps_the_memory_of_ends_bounded() -> None:
    register = Register()
    for until in range(0, 10_000 * SECOND, SECOND):
        register.put(Admission("ssh", ANA, 0, until))
        register.remove("ssh", ANA)
    assert len(register._ends) == 0 and len(register._seconds) <= 70


def test_very_many_that_end_at_once_are_taken_out_a_part_at_a_time() -> None:
    sources = [Source.of(number.to_bytes(4, "big")) for number in range(5000)]
    register = filled(*(("ssh", one, 7 * SECOND + number % 3) for number, one in enumerate(sources)))
    assert register.expire(7 * SECOND - 1, 256) == []
    parts = []
    while part := register.expire(7 * SECOND + 1, 256):
        parts.append(part)
    assert max(map(len, parts)) == 256
    assert {one.source for part in parts for one in part} == {
        one for number, one in enumerate(sources) if number % 3 < 2
    }
    left = len(register)
    assert len(register.expire(9 * SECOND, 100)) == 100 and len(register.expire(9 * SECOND)) == left - 100


def test_those_near_a_network_are_found_without_a_walk_through_all_others() -> None:
    texts = ("192.0.2.7", "192.0.3.1", "198.51.100.1", "2001:db8:c::7", "2001:db8:c:9::1", "2001:db8:d::/40")
    register = filled(*(("ssh", Source.parse(text), 100) for text in texts))

    def near(text: str) -> set[str]:
        return {str(one.source) for one in register.near(Source.parse(text))}

    assert near("192.0.2.7") == {"192.0.2.7", "192.0.3.1"}  # and its neighbours of the same /16
    assert near("192.0.0.0/8") == {"192.0.2.7", "192.0.3.1"}
    assert near("198.51.100.0/24") == {"198.51.100.1"}
    assert near("0.0.0.0/0") == {"192.0.2.7", "192.0.3.1", "198.51.100.1"}
    assert near("2001:db8:c::7") == {"2001:db8:c::7", "2001:db8:c:9::1", "2001:db8::/40"}
    assert near("2001:db8::/44") == near("2001:db8::/32") == near("2001:db8:c::7")
    assert near("203.0.113.1") == set()
    for text in texts:
        register.remove("ssh", Source.parse(text))
    assert near("::/0") == near("0.0.0.0/0") == set()
    assert not register._around


def test_the_admissions_through_a_door_are_found_by_it() -> None:
    register = filled(("ssh", ANA, 100), ("vpn", ANA, 100), ("ssh", BEN, 100))
    assert [one.source for one in register.through("ssh")] == [ANA, BEN]
    assert register.through("wiki") == []
    register.remove("ssh", ANA)
    assert [one.source for one in register.through("ssh")] == [BEN]


def test_one_that_is_shorter_now_ends_at_its_new_moment() -> None:
    register = filled(("ssh", ANA, 500))
    known = register.get("ssh", ANA)
    assert known is not None
    known.until = 100
    register.put(known)
    assert [one.source for one in register.expire(100)] == [ANA]
    register.put(Admission("ssh", ANA, 0, 900))
    assert register.expire(500) == []
    assert [one.until for one in register.expire(900)] == [900]


@pytest.mark.parametrize("unit", [1, SECOND // 7, SECOND, 90 * SECOND])  # ns
def test_any_order_of_deeds_agrees_with_a_plain_dictionary(unit: int) -> None:
    seeded = random.Random(2026)
    register, plain = Register(), dict[tuple[str, Source], int]()
    sources = [Source.parse(f"192.0.2.{number}") for number in range(8)]
    now = 0
    for _ in range(4000):
        door, source = seeded.choice(("ssh", "vpn")), seeded.choice(sources)
        until = now + seeded.randrange(1, 50) * unit
        match seeded.randrange(4):
            case 0:
                register.put(Admission(door, source, now, until))
                plain[door, source] = until
            case 1:
                gone = register.remove(door, source)
                assert (gone is None) == (plain.pop((door, source), None) is None)
            case 2:
                known = register.get(door, source)
                if known is not None:
                    known.until = plain[door, source] = until
                    register.put(known)
            case _:
                now += seeded.randrange(10) * unit
                over, most = list[Admission](), seeded.choice((None, 1, 3))
                while part := register.expire(now, most):
                    over += part
                    assert most is None or len(part) <= most
                assert {(one.door, one.source) for one in over} == {
                    key for key, end in plain.items() if end <= now
                }
                plain = {key: end for key, end in plain.items() if end > now}
        assert len(register) == len(plain)
        assert sum(map(len, register._ends.values())) == len(plain)


def test_who_completed_a_sequence_is_granted_what_it_opens_and_known_by_its_step() -> None:
    one = ana(5, A, B)
    assert Grant.of(one, ANA, 7) == Grant("vpn", ANA, 0, "ana", 5, How.KNOCK, "", one, 7)
    paper = evolve(one, step=TIMELESS, paper=(3, 10))  # is of no time step
    assert Grant.of(paper, ANA, 7) == Grant("vpn", ANA, 0, "ana", None, How.KNOCK, "paper 3 of 10", paper, 7)


def test_by_command_a_source_is_admitted_everywhere_for_the_stay_of_each() -> None:
    grants = [(one.door, one.source, one.stay // HOUR, one.how) for one in everywhere(CONFIG, ANA)]
    stays = (("ssh", 2), ("vpn", 8), ("wiki", 8), ("code", 8))
    assert grants == [(door, ANA, stay, "command") for door, stay in stays]


@pytest.mark.parametrize(
    ("door", "until", "at", "stay"),  # hours, of the day
    [
        ("ssh", None, 19, 2),
        ("ssh", 20, 19, 1),
        ("ssh", 22, 19, 2),
        ("ssh", 18, 19, -1),
        ("vpn", None, 8, 8),
        ("vpn", None, 19, 1),
        ("vpn", 19.5, 19, 0.5),
        ("vpn", None, 21, 0),  # closed: not at all
        ("wiki", None, 19, 8),  # stays when it closes
        ("code", None, 19, 8),  # never closes
    ],
)
def test_a_stay_ends_with_the_doors_hours_and_the_keyholders(
    door: str, until: float | None, at: float, stay: float
) -> None:
    end = None if until is None else FRIDAY + until * 3600
    assert stay_of(CONFIG.doors[door], end, FRIDAY + at * 3600) == round(stay * HOUR)


def test_a_door_shuts_at_the_end_of_its_hours_within_a_second() -> None:
    at = {-1.5: False, -1: True, 0: True, 3600: True}
    for door, moments in {"vpn": at, "wiki": {}, "ssh": {}, "code": {}, "gone": {}}.items():
        for moment in at:
            assert shuts(CONFIG, door, FRIDAY + 20 * 3600 + moment) is moments.get(moment, False)


def held(door: str, source: str, last: int, step: int | None = None, keyholder: str = "ana") -> Admission:
    return Admission(door, Source.parse(source), 0, HOUR, keyholder, step=step, last=last)


def test_who_has_to_make_room_at_a_door_is_whoever_was_renewed_longest_ago() -> None:
    register = Register()
    there = [held("vpn", f"192.0.2.{number}", last) for number, last in ((1, 30), (2, 10), (3, 20))]
    for one in [*there, held("ssh", "192.0.2.4", 1), held("vpn", "192.0.2.5", 1, keyholder="ben")]:
        register.put(one)
    new = held("vpn", "192.0.2.9", 40)
    for places, gone in ((1, [2, 3, 1]), (2, [2, 3]), (3, [2]), (4, []), (5, []), (9, [])):
        wanted = [f"192.0.2.{number}" for number in gone]
        assert [str(one.source) for one in register.beyond(new, places)] == wanted
    register.put(new)
    assert [str(one.source) for one in register.beyond(new, 3)] == ["192.0.2.2"]
    assert [str(one.source) for one in register.beyond(there[1], 4)] == []


def test_both_families_of_one_step_are_one_place_and_two_of_one_family_are_not() -> None:
    register = Register()
    for one in (held("vpn", "192.0.2.1", 10, 7), held("vpn", "2001:db8::1", 10, 7)):
        register.put(one)
    assert register.beyond(held("vpn", "192.0.2.9", 20, 8), 2) == []
    assert len(register.beyond(held("vpn", "192.0.2.9", 20, 8), 1)) == 2
    again = register.beyond(held("vpn", "192.0.2.9", 20, 7), 5)  # the same step from another address
    assert [str(one.source) for one in again] == ["192.0.2.1"]
    assert register.beyond(register.of(Source.parse("192.0.2.1"))[0], 1) == []


def test_those_that_are_left_after_very_many_were_taken_out_end_in_order() -> None:
    register = Register()
    sources = [Source.of(number.to_bytes(4, "big")) for number in range(300)]
    for number, one in reversed(list(enumerate(sources))):
        register.put(Admission("ssh", one, 0, number * SECOND))
    for one in sources[50:]:
        register.remove("ssh", one)
    assert [one.source for one in register.expire(9 * SECOND)] == sources[:10]


def test_the_room_of_those_who_are_gone_is_free_again() -> None:
    register = filled(("ssh", ANA, 100), ("ssh", BEN, 100), ("vpn", ANA, 100))
    register.put(Admission("ssh", Source.parse("192.0.2.8"), 0, 500))
    assert [register.count("ssh", family) for family in (4, 6)] == [2, 1]
    assert register.full(["ssh", "vpn"], 2) == ["ssh over IPv4"]
    assert register.full(["ssh", "vpn"], 1) == ["ssh over IPv4", "ssh over IPv6", "vpn over IPv4"]
    register.remove("ssh", ANA)
    assert register.count("ssh", 4) == 1 and register.full(["ssh", "vpn"], 2) == []
    register.expire(100)
    assert register.counts() == {"ssh": 1}
    assert [register.count(door, family) for door in ("ssh", "vpn") for family in (4, 6)] == [1, 0, 0, 0]


def test_a_part_is_no_larger_however_many_seconds_it_spans() -> None:
    ends = (1, 1, 2, 2, 2, 4, 4, 4, 4)
    register = filled(*(("ssh", Source.of(bytes((9, 9, 9, n))), end * SECOND) for n, end in enumerate(ends)))
    assert [one.until // SECOND for one in register.expire(4 * SECOND, 4)] == [1, 1, 2, 2]
    assert [one.until // SECOND for one in register.expire(4 * SECOND, 4)] == [2, 4, 4, 4]
    assert len(register.expire(4 * SECOND, 4)) == 1


def test_with_the_doors_hours_those_end_who_came_before_it_closed() -> None:
    now, closed = 90 * HOUR, FRIDAY + 20 * 3600
    register = Register()
    for number, hours_ago in ((1, 2.0), (2, 1.0), (3, 0.5)):  # it closed an hour ago
        for door in CONFIG.doors:
            since = now - round(hours_ago * HOUR)
            register.put(Admission(door, Source.parse(f"192.0.2.{number}"), since, now + HOUR))
    over = {name: register.overdue(door, closed + 3600, now) for name, door in CONFIG.doors.items()}
    assert {name: [str(one.source) for one in some] for name, some in over.items()} == {
        "ssh": [],
        "vpn": ["192.0.2.1"],
        "wiki": [],
        "code": [],
    }
    assert register.overdue(CONFIG.doors["vpn"], closed - 1, now) == []
