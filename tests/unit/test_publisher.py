"""Metrics that cannot be served at once are tried again until they can, and only there."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from portress.errors import Mistake
from portress.run import metrics
from portress.run.metrics_server import Publisher

HERE, THERE = ("127.0.0.1", 9753), ("127.0.0.1", 9754)


class Ports:
    """Stands for what serves metrics: addresses in use, and those taken by others."""

    def __init__(self, _service: object) -> None:
        pass

    used: set[tuple[str, int]]
    taken: set[tuple[str, int]]

    def serve(self, *where: Any) -> Callable[[], None]:
        if where in self.taken:
            raise Mistake(f"{where[1]} is taken")
        self.used.add(where)
        return lambda: self.used.discard(where)


@pytest.fixture
def publisher(monkeypatch: pytest.MonkeyPatch) -> Publisher:
    Ports.used, Ports.taken = set(), set()
    monkeypatch.setattr(metrics, "Metrics", Ports)
    return Publisher(None)  # type: ignore[arg-type]


def test_what_is_taken_is_tried_until_it_is_free(publisher: Publisher) -> None:
    Ports.taken = {HERE}
    assert publisher.publish_if_possible(HERE) == "9753 is taken"
    for _ in range(3):
        publisher.try_again()
        assert Ports.used == set()
    Ports.taken = set()
    publisher.try_again()
    publisher.try_again()
    assert Ports.used == {HERE}


def test_they_are_served_in_one_place(publisher: Publisher) -> None:
    publisher.publish(HERE)
    publisher.publish(THERE)
    assert Ports.used == {THERE}
    publisher.publish(None)
    assert Ports.used == set()


def test_what_is_wanted_no_more_is_not_tried_again(publisher: Publisher) -> None:
    Ports.taken = {HERE}
    publisher.publish_if_possible(HERE)
    publisher.publish(None)
    Ports.taken = set()
    publisher.try_again()
    assert Ports.used == set()


def test_what_cannot_be_had_is_said_where_it_must_be(publisher: Publisher) -> None:
    Ports.taken = {THERE}
    publisher.publish(HERE)
    with pytest.raises(Mistake, match="9754 is taken"):
        publisher.publish(THERE)
    assert Ports.used == set()
