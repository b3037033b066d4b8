"""The stand-alone client's choice of address families and time steps, and how long its attempts live."""

from __future__ import annotations

import argparse
import json
import socket
from pathlib import Path
from typing import Any

import pytest

import client
import make_vectors

ALONE = client.load()
CARD: dict[str, Any] = {**make_vectors.KEYCARDS[0]["keycard"], "host": "host.example", "services": ["tcp/22"]}


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


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    return tmp_path


class Service:
    """The guarded port: opens for those families whose knocks arrive. `tries` are the families dialled."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, clock: Moving, *opens: int) -> None:
        self.tries: list[int] = []
        self.opens = opens
        self.clock = clock
        monkeypatch.setattr(ALONE, "connect", self.connect)

    def connect(self, where: list[Any], _port: int, patience: float, _: object) -> socket.socket | None:
        self.tries += [family for family, _ in where]
        if any(family in self.opens for family, _ in where):
            return socket.socket()
        self.clock.sleep(max(0.0, patience))
        return None


def knock(heard: Heard, clock: Moving, where: list[Any] = BOTH, plan: Any = PLAN) -> str:
    order = ALONE.in_order(where, plan.host, ALONE.time.time())
    said: str = ALONE.knock_rotating(plan, order, heard, clock)
    return said


@pytest.mark.parametrize("opens", [socket.AF_INET, socket.AF_INET6])
def test_the_second_family_gets_the_same_step_and_only_if_the_door_stays_shut(
    monkeypatch: pytest.MonkeyPatch, opens: int
) -> None:
    heard, clock = Heard(), Moving(3000.0)
    Service(monkeypatch, clock, opens)
    knock(heard, clock)
    order = [socket.AF_INET6, socket.AF_INET][: 1 if opens == socket.AF_INET6 else 2]
    assert heard.sent == [(family, PLAN.knocks(100)) for family in order]


def test_what_worked_is_remembered_for_that_host(monkeypatch: pytest.MonkeyPatch, home: Path) -> None:
    clock = Moving(3000.0)
    Service(monkeypatch, clock, socket.AF_INET)
    knock(Heard(), clock)
    again, other = Heard(), Heard()
    knock(again, clock)
    assert [family for family, _ in again.sent] == [socket.AF_INET]
    knock(other, clock, plan=PLAN._replace(host="another.example"))
    assert [family for family, _ in other.sent] == [socket.AF_INET6, socket.AF_INET]
    (kept,) = home.rglob("families.json")
    assert kept.stat().st_mode & 0o777 == 0o600 and kept.parent.stat().st_mode & 0o777 == 0o700


@pytest.mark.parametrize("content", ["", "[", "[]", '{"host.example": 7}', '{"host.example": [9, 0]}', "\0"])
def test_a_damaged_memory_does_no_harm(monkeypatch: pytest.MonkeyPatch, home: Path, content: str) -> None:
    (home / "portress-knock").mkdir()
    (home / "portress-knock/families.json").write_text(content)
    clock, heard = Moving(3000.0), Heard()
    Service(monkeypatch, clock, socket.AF_INET6)
    knock(heard, clock)
    assert [family for family, _ in heard.sent] == [socket.AF_INET6]


def test_a_home_that_cannot_be_written_does_no_harm(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", "/proc/nowhere")
    clock = Moving(3000.0)
    Service(monkeypatch, clock, socket.AF_INET6)
    knock(Heard(), clock)


def test_the_memory_is_bounded() -> None:
    for number in range(ALONE.HOSTS + 9):
        ALONE.remember(f"{number}.example", socket.AF_INET, 0)
    assert list(ALONE.remembered()) == [f"{number}.example" for number in range(9, ALONE.HOSTS + 9)]


def test_after_a_failure_the_next_run_begins_with_the_other_family(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, heard = Moving(3000.0), Heard()
    Service(monkeypatch, clock)
    with pytest.raises(
        ALONE.NotDone, match=r"2001:db8::7: tcp/22 did not open; 192\.0\.2\.7: tcp/22 did not"
    ):
        knock(heard, clock)
    with pytest.raises(ALONE.NotDone):
        knock(heard, clock)
    assert [family for family, _ in heard.sent] == [
        socket.AF_INET6,
        socket.AF_INET,
        socket.AF_INET,
        socket.AF_INET6,
    ]


def test_a_door_that_cannot_be_tried_is_knocked_on_over_one_family_and_another_run_takes_the_other() -> None:
    plan = ALONE.plan_of(json.dumps({**CARD, "services": ["udp/51820"]}))
    heard, clock = Heard(), Moving(3000.0)
    assert "sent over IPv6" in knock(heard, clock, plan=plan)
    assert "sent over IPv4" in knock(heard, clock, plan=plan)
    assert [family for family, _ in heard.sent] == [socket.AF_INET6, socket.AF_INET]


def test_one_family_is_not_tried_whether_it_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    heard, clock = Heard(), Moving(3000.0)
    service = Service(monkeypatch, clock)
    assert knock(heard, clock, BOTH[:1]) == ""
    assert (heard.sent, service.tries) == ([(socket.AF_INET6, PLAN.knocks(100))], [])


def test_a_fixed_sequence_goes_over_both_families() -> None:
    heard = Heard()
    fixed = [("tcp", 4617), ("udp", 2953)]
    ALONE.knock_fixed(ALONE.Plan("host", 60.0, tuple(fixed), {}, b""), BOTH, heard)
    assert heard.sent == [(family, fixed) for family, _ in BOTH]


def test_a_family_that_cannot_send_does_not_hinder_the_other(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    clock, heard = Moving(3000.0), Heard(deaf=(socket.AF_INET6,))
    Service(monkeypatch, clock, socket.AF_INET)
    knock(heard, clock)
    assert heard.sent == [(socket.AF_INET, PLAN.knocks(100))]
    ALONE.knock_fixed(ALONE.Plan("host", 60.0, (("tcp", 4617),), {}, b""), BOTH, heard)
    assert "warning: 2001:db8::7: no route" in capsys.readouterr().err


LEAVING = ALONE.plan_of(json.dumps({**CARD, "leaving": True}))


class Door:
    """A guarded port that is open over some families until the leaving sequence comes over them."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, clock: Moving, heard: Heard, *opens: int) -> None:
        self.clock, self.heard, self.opens = clock, heard, opens
        self.deaf = False
        monkeypatch.setattr(ALONE, "connect", self.connect)
        monkeypatch.setattr(ALONE, "addresses", lambda *_: BOTH)
        monkeypatch.setattr(ALONE.time, "sleep", clock.sleep)
        monkeypatch.setattr(ALONE.time, "monotonic", clock.now)

    def connect(self, where: list[Any], _port: int, patience: float, _: object) -> socket.socket | None:
        left = [family for family, _ in self.heard.sent]
        if any(family in self.opens and (self.deaf or family not in left) for family, _ in where):
            self.clock.sleep(0.1)
            return socket.socket()
        self.clock.sleep(patience)
        return None


def leave(heard: Heard, clock: Moving, plan: Any = LEAVING) -> None:
    args = argparse.Namespace(families=(), progress=lambda _: None, quiet=False)
    ALONE.leave(plan, args, clock, heard)


def test_leaving_goes_over_the_family_by_which_the_door_is_open(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    clock, heard = Moving(3000.0), Heard()
    Door(monkeypatch, clock, heard, socket.AF_INET)
    leave(heard, clock)
    assert heard.sent == [(socket.AF_INET, LEAVING.knocks(100, ALONE.LEAVES))]
    assert heard.sent[0][1] != LEAVING.knocks(100)
    assert "left door" in capsys.readouterr().err


def test_to_leave_over_both_families_takes_the_next_step_too(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, heard = Moving(3000.0), Heard()
    Door(monkeypatch, clock, heard, socket.AF_INET, socket.AF_INET6)
    leave(heard, clock)
    assert heard.sent == [
        (family, LEAVING.knocks(step, ALONE.LEAVES))
        for family, step in ((socket.AF_INET6, 100), (socket.AF_INET, 101))
    ]


def test_a_door_that_stays_open_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, heard = Moving(3000.0), Heard()
    Door(monkeypatch, clock, heard, socket.AF_INET).deaf = True
    with pytest.raises(ALONE.NotDone, match=r"192\.0\.2\.7: tcp/22 is still open"):
        leave(heard, clock)


def test_a_keycard_without_leaving_sends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, heard = Moving(3000.0), Heard()
    Door(monkeypatch, clock, heard, socket.AF_INET)
    with pytest.raises(ALONE.NotDone, match="names no leaving sequence"):
        leave(heard, clock, PLAN)
    assert heard.sent == []


@pytest.mark.parametrize("words", [["--to", "host", "tcp/4617"], ["card", "--relay", "host", "22"]])
def test_leaving_goes_with_a_keycard_alone(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert ALONE.main([*words, "--leave"]) == 2
    assert "--leave goes with a keycard alone" in capsys.readouterr().err


@pytest.mark.parametrize("plan", [PLAN, ALONE.Plan("host", 60.0, (("tcp", 4617),), {}, b"")])
def test_no_family_that_can_send_is_a_failure(plan: Any) -> None:
    deaf = Heard(deaf=(socket.AF_INET, socket.AF_INET6))
    with pytest.raises(ALONE.NotDone, match="no route"):
        if plan.card:
            knock(deaf, Moving(3000.0), plan=plan)
        else:
            ALONE.knock_fixed(plan, BOTH, deaf)


@pytest.mark.parametrize("failing", [1, 2, 3])
def test_when_one_knock_cannot_be_sent_the_rest_are_not_and_it_is_named(failing: int) -> None:
    tried: list[Any] = []

    class Failing(ALONE.Knocker):  # type: ignore[name-defined, misc]
        def knock(self, address: Any, one: Any) -> None:
            tried.append(one)
            if len(tried) == failing:
                raise OSError(1, "Operation not permitted")

    knocks = [("tcp", 4617), ("udp", 2953), ("tcp", 6381)]
    with pytest.raises(
        ALONE.NotDone, match=f"knock {failing} of 3 could not be sent: Operation not permitted"
    ):
        Failing(0.0).send(BOTH[0], knocks)
    assert tried == knocks[:failing]


def relayed(monkeypatch: pytest.MonkeyPatch, heard: Heard, clock: Moving, timeout: float = 60) -> None:
    """Run the relay to its end at a door that stays shut for the families of `Service`."""
    monkeypatch.setattr(ALONE, "addresses", lambda *_: BOTH)
    monkeypatch.setattr(ALONE.time, "sleep", clock.sleep)
    monkeypatch.setattr(ALONE.time, "monotonic", clock.now)
    args = argparse.Namespace(
        relay=("192.0.2.7", 22), families=(), timeout=timeout, quiet=True, progress=lambda text: None
    )
    ALONE.opened(PLAN, args, clock, heard)


def test_the_relay_repeats_a_step_over_both_families_before_the_next_begins_with_the_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clock, heard = Moving(1_900_000_020.0), Heard()
    Service(monkeypatch, clock)
    began = clock.now()
    with pytest.raises(ALONE.NotDone, match="port 22 did not open within 60 s"):
        relayed(monkeypatch, heard, clock)
    step, v4, v6 = 1_900_000_020 // 30, socket.AF_INET, socket.AF_INET6
    turns = [(v6, step), (v4, step)] * 2 + [(v4, step + 1), (v6, step + 1)] * 2
    assert heard.sent[:8] == [(family, PLAN.knocks(number)) for family, number in turns]
    assert 59.5 < clock.now() - began < 61
    assert len(set(heard.rests)) == len(heard.rests) and all(
        0 <= rest <= ALONE.SPREAD for rest in heard.rests
    )


def test_a_relay_that_comes_in_over_the_first_family_sends_nothing_over_the_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clock, heard = Moving(3000.0), Heard()
    service = Service(monkeypatch, clock, socket.AF_INET6)
    relayed(monkeypatch, heard, clock)
    assert heard.sent == [(socket.AF_INET6, PLAN.knocks(100))]
    service.opens = (socket.AF_INET,)
    relayed(monkeypatch, heard, clock)
    heard.sent.clear()
    relayed(monkeypatch, heard, clock)
    assert [family for family, _ in heard.sent] == [socket.AF_INET]


def test_a_sequence_too_late_to_be_of_use_is_not_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    """The next step begins half a second before the time is over."""
    clock, heard = Moving(3000.0), Heard()
    Service(monkeypatch, clock)
    with pytest.raises(ALONE.NotDone):
        relayed(monkeypatch, heard, clock, timeout=30.5)
    assert all(knocks == PLAN.knocks(100) for _, knocks in heard.sent)


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
