"""A gateway's place in the fleet: whom the others hear of, and what counts where two words cross."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from attrs import evolve

from portress.admissions import Admission, Ending
from portress.config.model import Fleet
from portress.events import Events
from portress.fleet.gate import Gate
from portress.fleet.member import Outcome
from portress.fleet.records import Admitted, Spent
from portress.fleet.stops import Stops
from portress.knock import SECOND, Expected, Knock, Sequence, Source, Widths
from portress.run.catching_up import NOBODY

START = 1_800_000_000.0  # unix seconds
ANA = Source.parse("192.0.2.7")
ANAS = Expected(Sequence((Knock.parse("tcp/4617"),), SECOND), "vpn", "ana", 5)


class World:
    """A gateway, `edge-1`, with what the daemon has, and the clock. The store is never asked."""

    def __init__(self, folder: Path) -> None:
        (folder / "secret").write_bytes(bytes(range(32)))
        (folder / "secret").chmod(0o600)
        self.now = 100 * SECOND
        self.told: list[str] = []
        self.register: dict[tuple[str, Source], Admission] = {}
        door = SimpleNamespace(shared=True, claim="later")
        config = SimpleNamespace(doors={"vpn": door}, widths=Widths(32, 128))
        keeper = SimpleNamespace(register=self, dismiss=self.dismiss)
        self.loading = asyncio.Lock()
        there = SimpleNamespace(config=config, loading=self.loading)
        stops = cast(Stops, SimpleNamespace(in_force=there, doorkeeper=keeper))
        settings = Fleet("edge", ("http://127.0.0.1:1",), folder / "secret", "edge-1")
        events = Events(lambda _name, _kind, text, _fields: self.told.append(text), lambda: self.now)
        self.gate = Gate(settings, folder, events, lambda: self.now, self.unix, lambda: stops)
        self.gate._stops = stops
        self.store: tuple[Outcome, Spent | None] = (Outcome.FIRST, None)
        cast(Any, self.gate.member).claim = self.claim

    def unix(self) -> float:
        return START + self.now / SECOND

    async def claim(self, _spent: Spent, owe: bool = True) -> tuple[Outcome, Spent | None]:
        return self.store

    def __iter__(self) -> Iterator[Admission]:
        return iter(self.register.values())

    def opened(self) -> Admission:
        """The guard has let ana in, and the daemon knows."""
        one = Admission("vpn", ANA, self.now, self.now + 300 * SECOND, "ana", step=5, last=self.now)
        self.register["vpn", ANA] = one
        self.gate.admitted(one, self.unix() + 300, 5)
        return one

    def dismiss(self, source: Source, door: str, how: Ending) -> None:
        gone = self.register.pop((door, source), None)
        if gone is not None:
            self.gate.ended(gone, how)

    def used(self) -> None:
        asyncio.run(self.gate.used(ANAS, ANA))

    def waiting(self) -> Admitted | None:
        """What waits to be said of ana."""
        codec = self.gate.member.heard._codec
        return self.gate.member.outbox.record(codec.at(Admitted("vpn", ANA, 0.0, "", 0)))

    def take(self, one: Admitted) -> None:
        heard = self.gate.member.heard
        heard.take([heard._codec.written(one)])

    def hear(self, one: Admitted) -> None:
        async def work() -> None:
            self.take(one)

        asyncio.run(work())


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = World(tmp_path)
    yield made
    made.gate.member._pen.shutdown()
    made.gate.member._memory.close()


def test_a_dismissal_from_after_the_last_knock_counts_though_the_admission_is_said_later(
    world: World,
) -> None:
    """The store took the use, and its answer came late: in between another gateway ended the admission."""
    world.opened()
    world.now += SECOND
    between = round(world.unix() * 1000)
    world.now += SECOND
    world.used()
    assert world.waiting() is not None
    world.hear(Admitted("vpn", ANA, world.unix() + 300, "edge-2", between, None, "dismissed"))
    assert world.register == {} and world.waiting() is None


def test_a_dismissal_counts_though_the_guard_is_being_loaded_and_the_store_answers_meanwhile(
    world: World,
) -> None:
    async def work() -> None:
        world.opened()
        async with world.loading:
            world.now += SECOND
            version = round(world.unix() * 1000)
            world.take(Admitted("vpn", ANA, world.unix() + 300, "edge-2", version, None, "dismissed"))
            await world.gate.used(ANAS, ANA)
            assert world.waiting() is None
        while world.register:
            await asyncio.sleep(0)

    asyncio.run(asyncio.wait_for(work(), 10))
    assert world.waiting() is None


def test_a_dismissal_from_before_the_last_knock_ends_nothing(world: World) -> None:
    before = round(world.unix() * 1000)
    world.now += SECOND
    world.opened()
    world.now += SECOND
    world.used()
    world.hear(Admitted("vpn", ANA, world.unix() + 300, "edge-2", before, None, "dismissed"))
    assert [*world.register] == [("vpn", ANA)]
    waits = world.waiting()
    assert waits is not None and waits.ended is None


def test_whoever_is_not_known_to_be_first_is_not_named_to_a_store_made_anew(world: World) -> None:
    world.opened()
    assert [*world.gate.current()] == []
    world.used()
    assert [one.source for one in world.gate.current()] == [ANA]


@pytest.mark.parametrize(
    ("gateway", "by", "stays"),
    [("edge-1", NOBODY, True), ("edge-2", NOBODY, False), ("edge-1", Source.parse("192.0.2.8"), False)],
)
def test_the_use_that_was_read_from_the_guard_before_its_report_shuts_nobody_out(
    world: World, gateway: str, by: Source, stays: bool
) -> None:
    """The guard's record has no source: where reports are lost, the use may be claimed without one first."""
    world.opened()
    world.store = Outcome.TAKEN, Spent(ANAS.claim.hex(), "vpn", 5, gateway, by, world.unix(), 1)
    world.used()
    assert ([*world.register] == [("vpn", ANA)]) is stays
    assert (world.waiting() is not None) is stays
    assert any("used at" in text for text in world.told) is not stays


def test_whoever_comes_by_what_works_again_is_told_at_once(world: World) -> None:
    one = world.opened()
    world.gate.admitted(one, world.unix() + 300, None)
    assert world.waiting() is not None


@pytest.mark.parametrize("outcome", [Outcome.FIRST, Outcome.TAKEN])
def test_a_leaving_sequence_says_nothing_of_an_admission_and_is_told_where_it_was_used(
    world: World, outcome: Outcome
) -> None:
    world.opened()
    world.store = outcome, Spent(ANAS.claim.hex(), "vpn", 5, "edge-2", ANA, world.unix(), 1)
    asyncio.run(world.gate.used(evolve(ANAS, leaves=True), ANA))
    assert world.waiting() is None and [*world.register] == [("vpn", ANA)]
    assert any("used at edge-2" in text for text in world.told) is (outcome is Outcome.TAKEN)


def test_whose_knocks_reached_another_gateway_first_stays_in_and_is_named_from_then_on(world: World) -> None:
    world.opened()
    world.store = Outcome.TAKEN, Spent(ANAS.claim.hex(), "vpn", 5, "edge-2", ANA, world.unix(), 1)
    world.used()
    assert [one.source for one in world.gate.current()] == [ANA]
