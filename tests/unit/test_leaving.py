"""Who leaves and comes back at a stroke: what is read at once may have come at one and the same moment."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from portress.knock import Source
from portress.run.leaving import Leaving

SOURCE = Source.parse("192.0.2.7")
LEAVES: Any = SimpleNamespace(door="ssh", keyholder="ana")


class House:
    """A doorkeeper with one admission, made or renewed at 100, whose guard knows nothing newer."""

    def __init__(self, decide: str = "kernel") -> None:
        self.held: Any = SimpleNamespace(keyholder="ana", last=100, door="ssh", source=SOURCE)
        self.ended = 0
        doorkeeper: Any = SimpleNamespace(
            register=SimpleNamespace(get=lambda door, source: self.held),
            config=SimpleNamespace(decide=decide),
            dismiss=self.dismiss,
        )
        table: Any = SimpleNamespace(find=lambda name, key: None)
        events: Any = SimpleNamespace()
        self.leaving = Leaving(doorkeeper, table, events, lambda: 100)

    def dismiss(self, *_: object) -> None:
        self.ended += 1

    def end(self, made: int | None) -> bool:
        return self.leaving.end(LEAVES, SOURCE, 100, made)


def test_an_admission_renewed_since_the_leaving_was_read_of_stays() -> None:
    house = House()
    house.held.last = 40
    made = house.leaving.made(LEAVES, SOURCE)
    house.held.last = 100  # read of next, and at the same moment as far as is known
    assert made == 40 and not house.end(made) and house.ended == 0


def test_one_made_since_then_stays_too() -> None:
    house = House()
    held, house.held = house.held, None
    made = house.leaving.made(LEAVES, SOURCE)
    house.held = held
    assert made == -1 and not house.end(made) and house.ended == 0


def test_one_made_before_at_the_same_moment_ends() -> None:
    house = House()
    assert house.end(house.leaving.made(LEAVES, SOURCE)) and house.ended == 1


def test_where_it_is_not_known_what_was_before_the_moments_decide() -> None:
    house = House()
    assert house.end(None) and house.ended == 1


def test_where_the_daemon_decides_both_wait_for_the_disk_in_the_order_of_the_knocks() -> None:
    house = House("daemon")
    assert house.end(-1) and house.ended == 1


def test_one_made_at_a_later_moment_stays_whatever_is_known_of_before() -> None:
    house = House()
    house.held.last = 101
    assert not house.end(None) and not house.end(101) and house.ended == 0
