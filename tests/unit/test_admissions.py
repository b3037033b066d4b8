"""The register of admissions: in force by door and source, over in the order of their ends."""

from __future__ import annotations

import random

import pytest

from portress.admissions import Admission, Register
from portress.knock import SECOND, Source

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
