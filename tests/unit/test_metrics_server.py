"""Metrics that cannot be served at once are tried again until they can, and only there."""

from __future__ import annotations

import pytest

from portress.errors import Mistake
from portress.run import metrics_server
from portress.run.http import Answer, Asked, Page
from portress.run.metrics_server import MetricsServer

HERE, THERE = ("127.0.0.1", 9753), ("127.0.0.1", 9754)


class Ports:
    """Stands for the server: addresses in use, and those taken by others."""

    used: set[tuple[str, int]]
    taken: set[tuple[str, int]]

    def __init__(self, address: str, port: int, answer: Answer) -> None:
        if (address, port) in self.taken:
            raise Mistake(f"{port} is taken")
        assert answer(Asked("/metrics", {})).body == b"all is well"
        self.where = (address, port)
        self.used.add(self.where)

    def close(self) -> None:
        self.used.discard(self.where)


@pytest.fixture
def publisher(monkeypatch: pytest.MonkeyPatch) -> MetricsServer:
    Ports.used, Ports.taken = set(), set()
    monkeypatch.setattr(metrics_server, "HttpServer", Ports)
    return MetricsServer(lambda: lambda _: Page("text/plain", b"all is well"))


def test_what_is_taken_is_tried_until_it_is_free(publisher: MetricsServer) -> None:
    Ports.taken = {HERE}
    assert publisher.publish_if_possible(HERE) == "9753 is taken"
    for _ in range(3):
        publisher.try_again()
        assert Ports.used == set()
    Ports.taken = set()
    publisher.try_again()
    publisher.try_again()
    assert Ports.used == {HERE}


def test_they_are_served_in_one_place(publisher: MetricsServer) -> None:
    publisher.publish(HERE)
    publisher.publish(THERE)
    assert Ports.used == {THERE}
    publisher.publish(None)
    assert Ports.used == set()


def test_what_is_wanted_no_more_is_not_tried_again(publisher: MetricsServer) -> None:
    Ports.taken = {HERE}
    publisher.publish_if_possible(HERE)
    publisher.publish(None)
    Ports.taken = set()
    publisher.try_again()
    assert Ports.used == set()


def test_what_cannot_be_had_is_said_where_it_must_be(publisher: MetricsServer) -> None:
    Ports.taken = {THERE}
    publisher.publish(HERE)
    with pytest.raises(Mistake, match="9754 is taken"):
        publisher.publish(THERE)
    assert Ports.used == set()
