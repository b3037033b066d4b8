"""The register counted again by other widths of addresses: a part at a time, whatever comes and goes."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from portress.admissions import Admission
from portress.config.load import parse
from portress.knock import SECOND, Source, Widths
from portress.register import Recount, Register

HOUR = 3600 * SECOND
PHASES = ("before", "counting", "adopted", "settled")
Step = Callable[[Register, Widths], None]


@pytest.mark.parametrize(
    ("source", "widths", "wanted"),
    [
        ("192.0.2.7", Widths(32, 128), "192.0.2.7"),
        ("192.0.2.7", Widths(24, 128), "192.0.2.0/24"),
        ("192.0.2.0/24", Widths(24, 128), "192.0.2.0/24"),
        ("192.0.2.0/24", Widths(32, 128), "192.0.2.0/24"),  # what more of it there is, nobody knows
        ("2001:db8::1", Widths(24, 64), "2001:db8::/64"),
        ("2001:db8::/64", Widths(24, 48), "2001:db8::/48"),
        ("2001:db8::1", Widths(24, 128), "2001:db8::1"),
    ],
)
def test_a_source_counts_by_no_more_of_an_address_than_is_looked_at(
    source: str, widths: Widths, wanted: str
) -> None:
    assert widths.counted(Source.parse(source)) == Source.parse(wanted)


def test_a_single_connection_stays_what_it_is() -> None:
    one = Source(Source.parse("192.0.2.7").packed, 32, 40000)
    assert Widths(24, 64).counted(one) is one


WIDE = Widths(30, 62)
sources = st.one_of(
    st.integers(0, 11).map(lambda number: Source.parse(f"192.0.2.{number}")),
    st.integers(0, 11).map(lambda number: Source.parse(f"2001:db8:0:{number:x}::/64")),
    st.integers(1, 3).map(lambda port: Source(Source.parse("192.0.2.5").packed, 32, port)),
)
keys = st.tuples(st.sampled_from(["ssh", "vpn"]), sources)
moves = st.one_of(
    st.tuples(st.just("put"), keys, st.integers(1, 40), st.sampled_from([None, "ana", "ben"])),
    st.tuples(st.just("renew"), keys, st.integers(1, 40)),
    st.tuples(st.just("end"), keys),
    st.tuples(st.just("expire"), st.integers(1, 15)),
)


class Both:
    """A register, and what is to be in it: by door and source, until when, and whose."""

    def __init__(self) -> None:
        self.register, self.model = Register(), dict[tuple[str, Source], tuple[int, str | None]]()
        self.wide = False
        self.now = 0

    def move(self, kind: str, *what: object) -> None:
        if kind == "expire":
            self.now += what[0] * SECOND  # type: ignore[operator]
            over = self.register.expire(self.now)
            gone = {key for key, (until, _) in self.model.items() if until <= self.now}
            assert sorted(map(repr, ((one.door, one.source) for one in over))) == sorted(map(repr, gone))
            self.model = {key: value for key, value in self.model.items() if key not in gone}
            return
        (door, source), *more = what  # type: ignore[misc]
        if self.wide:
            source = WIDE.counted(source)
        known = self.register.get(door, source)
        assert (known is not None) == ((door, source) in self.model)
        match kind:
            case "put":
                until = self.now + more[0] * SECOND
                self.register.put(Admission(door, source, self.now, until, more[1]))
                self.model[door, source] = (until, more[1])
            case "renew" if known is not None:
                known.until = max(known.until, self.now + more[0] * SECOND)
                self.register.put(known)
                self.model[door, source] = (known.until, known.keyholder)
            case "end":
                assert self.register.remove(door, source) is known
                self.model.pop((door, source), None)

    def widen(self) -> None:
        """Of those that are one source, the one that lasts longest stays."""
        self.wide = True
        wide: dict[tuple[str, Source], tuple[int, str | None]] = {}
        for (door, source), value in self.model.items():
            key = door, WIDE.counted(source)
            wide[key] = max(wide.get(key, (0, None)), value, key=lambda one: one[0])
        self.model = wide

    def check(self) -> None:
        found, register = list(self.register), self.register
        assert len(register) == len(self.model)
        assert {(one.door, one.source) for one in found} == set(self.model)
        for (door, source), (until, keyholder) in self.model.items():
            one = register.get(door, source)
            assert one is not None and one.until == until and one.source == source
            assert one in register.of(source.whole) and one in list(register.near(source))
            assert one in register.through(door)
            assert keyholder is None or one.keyholder is None or one in register.held_by(one.keyholder)
        for door in ("ssh", "vpn"):
            for family in (4, 6):
                count = sum(key[0] == door and key[1].family == family for key in self.model)
                assert register.count(door, family) == count


@given(st.lists(st.tuples(st.sampled_from(PHASES), moves), max_size=30), st.integers(1, 5))
def test_whatever_comes_and_goes_while_it_is_counted_again_is_right(
    doing: list[tuple[str, tuple[object, ...]]], size: int
) -> None:
    """Against a plain dictionary that is counted again at once."""
    both = Both()
    register = both.register

    def moves_of(phase: str, parts: int) -> list[list[tuple[object, ...]]]:
        chosen = [move for when, move in doing if when == phase]
        return [chosen[at :: parts + 1] for at in range(parts + 1)]

    def go_through(phase: str, work: Callable[[list[Admission]], None]) -> None:
        everybody = list(register)
        parts = [everybody[at : at + size] for at in range(0, len(everybody), size)]
        now, *later = moves_of(phase, len(parts))
        for part, then in zip(parts, later, strict=True):
            work(part)
            for move in then:
                both.move(*move)  # type: ignore[arg-type]
        for move in now:
            both.move(*move)  # type: ignore[arg-type]

    for move in moves_of("before", 0)[0]:
        both.move(*move)  # type: ignore[arg-type]
    recount: Recount = register.recount(WIDE)

    def count(part: list[Admission]) -> None:
        for one in part:
            if register.get(one.door, one.source) is one:
                recount.put(one)

    go_through("counting", count)
    both.check()
    register.adopt(recount)
    both.widen()
    go_through("adopted", register.settle)
    both.check()
    register.settled()
    register.forget(recount.merged.values())
    assert sum(map(len, register._ends.values())) == len(register)
    go_through("settled", lambda part: None)
    both.check()
    both.move("expire", 100)
    assert not len(register) and not register._ends


ANA, BEN, BOTH = (Source.parse(one) for one in ("192.0.2.4", "192.0.2.5", "192.0.2.4/30"))


CLOSES = parse(
    """\
doors:
  ssh:
    services: [tcp/22]
    hours: {from: '00:00', to: '00:01', zone: UTC}
    at_closing: end
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}
""",
    "portress.yaml",
).doors["ssh"]


def _two() -> tuple[Register, Admission, Admission]:
    register = Register()
    first, second = Admission("ssh", ANA, 0, 2 * HOUR), Admission("ssh", BEN, 0, HOUR)
    register.put(first)
    register.put(second)
    return register, first, second


def test_who_is_part_of_another_and_renews_for_longer_is_the_one_that_stays() -> None:
    register, first, second = _two()
    recount = register.recount(WIDE)
    recount.put(first)
    recount.put(second)
    assert list(recount.merged.values()) == [second]
    second.until = 3 * HOUR
    register.put(second)
    assert list(recount.merged.values()) == [first]
    register.adopt(recount)
    register.forget(recount.merged.values())
    assert list(register) == [second]
    assert register.expire(2 * HOUR) == [] and register.expire(3 * HOUR) == [second]


def test_where_the_shorter_of_two_that_are_one_would_have_ended_nobody_does() -> None:
    register, first, second = _two()
    recount = register.recount(WIDE)
    recount.put(first)
    recount.put(second)
    register.adopt(recount)
    assert register.expire(HOUR) == [] and list(register) == [first]
    register.forget([second])
    register.settled()
    assert register.expire(2 * HOUR) == [first]


def test_who_ends_while_he_is_part_of_another_is_nothing_any_more() -> None:
    register, first, second = _two()
    recount = register.recount(WIDE)
    recount.put(first)
    recount.put(second)
    assert register.remove("ssh", BEN) is second
    assert not recount.merged and list(recount) == [first]
    assert register.remove("ssh", ANA) is first
    assert not len(recount)


def test_who_is_found_is_of_the_source_that_counts_however_he_is_found() -> None:
    for find in (
        lambda register: register.get("ssh", ANA),
        lambda register: register.of(BOTH)[0],
        lambda register: next(register.near(BOTH)),
        lambda register: register.held_by("ana")[0],
        lambda register: register.remove("ssh", BOTH),
        lambda register: register.remove("ssh", ANA),
        lambda register: register.expire(HOUR)[0],
        lambda register: register.overdue(CLOSES, 1_900_000_000.0, 30 * 24 * HOUR)[0],
    ):
        register, one = Register(), Admission("ssh", ANA, 0, HOUR, "ana")
        register.put(one)
        recount = register.recount(WIDE)
        recount.put(one)
        register.adopt(recount)
        assert one.source == ANA
        assert find(register) is one and one.source == BOTH
