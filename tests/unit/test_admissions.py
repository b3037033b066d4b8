"""The register of admissions: in force by door and source, over in the order of their ends."""

from __future__ import annotations

import random

from portress.admissions import Admission, Register
from portress.knock import Source

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
    for until in range(10_000):
        admission.until = until
        register.put(admission)
    assert len(register._ends) <= 70
    assert len(register.expire(9_998)) == 0 and len(register.expire(9_999)) == 1


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


def test_any_order_of_deeds_agrees_with_a_plain_dictionary() -> None:
    seeded = random.Random(2026)
    register, plain = Register(), dict[tuple[str, Source], int]()
    sources = [Source.parse(f"192.0.2.{number}") for number in range(8)]
    now = 0
    for _ in range(3000):
        door, source = seeded.choice(("ssh", "vpn")), seeded.choice(sources)
        match seeded.randrange(3):
            case 0:
                until = now + seeded.randrange(1, 50)
                register.put(Admission(door, source, now, until))
                plain[door, source] = until
            case 1:
                gone = register.remove(door, source)
                assert (gone is None) == (plain.pop((door, source), None) is None)
            case _:
                now += seeded.randrange(10)
                over = {(one.door, one.source) for one in register.expire(now)}
                assert over == {key for key, until in plain.items() if until <= now}
                plain = {key: until for key, until in plain.items() if until > now}
        assert len(register) == len(plain)
