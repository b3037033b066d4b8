"""The stand-alone client's choice of address families and time steps, and how long its attempts live."""

from __future__ import annotations

import argparse
import json
import socket
from typing import Any

import pytest

import client
import make_vectors

ALONE = client.load()
CARD: dict[str, Any] = {**make_vectors.KEYCARDS[0]["keycard"], "host": "host.example"}


class Heard:
    """A Knocker that sends nothing."""

    pause = 0.05

    def __init__(self, deaf: tuple[int, ...] = ()) -> None:
        self.sent: list[tuple[int, list[tuple[str, int]]]] = []
        self.rests: list[float] = []  # seconds
        self.deaf = deaf

    def send(self, address: tuple[int, Any], knocks: list[tuple[str, int]]) -> None:
        if address[0] in self.deaf:
            raise ALONE.NotDone("no route")
        self.sent.append((address[0], knocks))

    def rest(self, seconds: float) -> None:
        self.rests.append(seconds)

    def tidy(self, older: float = 0.0) -> None:
        pass


class Stopped:
    """A clock that stands at a step."""

    def __init__(self, step: int) -> None:
        self.at = step

    def step(self) -> int:
        return self.at


class Moving:
    """A clock that moves when somebody sleeps."""

    def __init__(self, at: float) -> None:
        self.at = at

    def now(self) -> float:
        return self.at

    def step(self) -> int:
        return int(self.at // 30)

    def sleep(self, seconds: float) -> None:
        self.at += seconds


BOTH = [(socket.AF_INET6, ("2001:db8::7", 1, 0, 0)), (socket.AF_INET, ("192.0.2.7", 1))]
PLAN = ALONE.plan_of(json.dumps(CARD))


@pytest.mark.parametrize("step", [100, 101])
def test_two_families_spend_two_steps_and_ipv4_takes_the_even_one(step: int) -> None:
    heard = Heard()
    ALONE.knock_all(PLAN, BOTH, heard, Stopped(step))
    taken = [(family, step + i) for i, (family, _) in enumerate(heard.sent)]
    assert [knocks for _, knocks in heard.sent] == [PLAN.knocks(step), PLAN.knocks(step + 1)]
    assert sorted((family, number % 2) for family, number in taken) == [
        (socket.AF_INET, 0),
        (socket.AF_INET6, 1),
    ]


def test_one_family_takes_the_present_step() -> None:
    heard = Heard()
    ALONE.knock_all(PLAN, BOTH[:1], heard, Stopped(100))
    assert heard.sent == [(socket.AF_INET6, PLAN.knocks(100))]


def test_a_fixed_sequence_goes_over_both_families() -> None:
    heard = Heard()
    fixed = [("tcp", 4617), ("udp", 2953)]
    ALONE.knock_all(ALONE.Plan("host", 60.0, tuple(fixed), {}, b""), BOTH, heard, Stopped(100))
    assert heard.sent == [(family, fixed) for family, _ in BOTH]


def test_a_family_that_cannot_send_does_not_hinder_the_other(capsys: pytest.CaptureFixture[str]) -> None:
    heard = Heard(deaf=(socket.AF_INET6,))
    ALONE.knock_all(PLAN, BOTH, heard, Stopped(101))
    assert [family for family, _ in heard.sent] == [socket.AF_INET]
    assert "warning: 2001:db8::7: no route" in capsys.readouterr().err


def test_no_family_that_can_send_is_a_failure() -> None:
    with pytest.raises(ALONE.NotDone, match="no route"):
        ALONE.knock_all(PLAN, BOTH, Heard(deaf=(socket.AF_INET, socket.AF_INET6)), Stopped(100))


def test_knocking_again_repeats_the_step_until_it_is_over() -> None:
    clock = Stopped(100)
    steps = ALONE.Steps(clock)
    first = [steps.take(socket.AF_INET6, False), steps.take(socket.AF_INET, False)]
    again = [steps.take(socket.AF_INET6, False), steps.take(socket.AF_INET, False)]
    assert (first, again) == ([100, 101], [100, 101])
    clock.at = 102
    assert [steps.take(socket.AF_INET6, True), steps.take(socket.AF_INET, True)] == [102, 103]


def test_a_relay_ends_with_a_step_not_yet_used(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twice in the same step, in case a knock was lost; then in the next, in case the step was used up. Each
    but the first at a moment of its own, or two clients that began together would collide each time."""
    clock, heard = Moving(1_900_000_000.0), Heard()
    monkeypatch.setattr(ALONE, "connect", lambda *_: None)
    monkeypatch.setattr(ALONE, "addresses", lambda *_: [(socket.AF_INET, ("192.0.2.7", 1))])
    monkeypatch.setattr(ALONE.time, "sleep", clock.sleep)
    args = argparse.Namespace(
        relay=("192.0.2.7", 22), families=(), timeout=60, quiet=True, progress=lambda text: None
    )
    with pytest.raises(ALONE.NotDone, match="port 22 did not open"):
        ALONE.opened(PLAN, args, clock, heard)
    step = 1_900_000_000 // 30
    taken = (step, step, step + 1, step + 1)
    assert [knocks for _, knocks in heard.sent] == [PLAN.knocks(number) for number in taken]
    assert len(set(heard.rests)) == 3 and all(0 <= rest <= ALONE.SPREAD for rest in heard.rests)
    assert clock.step() == step + 1


def test_a_relay_dials_the_very_address_it_knocked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    """A name server that turns many addresses round would have named another one by then."""
    turns = iter([[(socket.AF_INET, ("192.0.2.7", 1))], [(socket.AF_INET, ("192.0.2.8", 1))]])
    dialled: list[Any] = []
    monkeypatch.setattr(ALONE, "addresses", lambda *_: next(turns))

    def connect(where: Any, *_: Any) -> bool:
        dialled.append(where)
        return True

    monkeypatch.setattr(ALONE, "connect", connect)
    args = argparse.Namespace(
        relay=(PLAN.host, 22), families=(), timeout=60, quiet=True, progress=lambda text: None
    )
    assert ALONE.opened(PLAN, args, Stopped(100), Heard())
    assert dialled == [[(socket.AF_INET, ("192.0.2.7", 1))]]


def test_addresses_have_one_of_each_family_and_only_with_a_route(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [
        (socket.AF_INET, socket.SOCK_DGRAM, 17, "", (address, 1)) for address in ("127.0.0.1", "127.0.0.2")
    ]
    monkeypatch.setattr(ALONE.socket, "getaddrinfo", lambda *_, **__: rows)
    found = ALONE.addresses("two.example", (socket.AF_INET, socket.AF_INET6))
    assert found == [(socket.AF_INET, ("127.0.0.1", 1))]


def test_an_attempt_is_given_up_before_its_syn_would_be_repeated(monkeypatch: pytest.MonkeyPatch) -> None:
    """Linux sends a SYN again after 1 s (RFC 6298, section 2: the first time-out)."""
    clock = [100.0]
    monkeypatch.setattr(ALONE.time, "monotonic", lambda: clock[0])
    monkeypatch.setattr(ALONE.time, "sleep", lambda seconds: clock.__setitem__(0, clock[0] + seconds))
    knocker = ALONE.Knocker(2.0)
    lives: list[float] = []

    class Attempt(socket.socket):
        def close(self) -> None:
            if self.fileno() >= 0:
                lives.append(clock[0] - 100.0)
            super().close()

    monkeypatch.setattr(ALONE.socket, "socket", Attempt)
    knocker.knock((socket.AF_INET, ("127.0.0.1", 1)), ("tcp", 1))
    knocker.rest(2.0)
    assert len(lives) == 1
    assert lives[0] < 1
    assert knocker.attempts == []
