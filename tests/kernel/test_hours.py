"""Doors with hours, with real packets, both ways to decide."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import signal
import socket
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from lab import Daemon, daemon, sender, service, tcp_state, until, world, zones
from lab.portress import portress
from lab.space import halt
from portress import hours
from portress.clock import STEP
from portress.config.model import Rotating
from portress.durations import unix
from portress.knock import SECOND, TCP, UDP
from portress.sequence.rotating import derive

KNOCKS = ["tcp/4617", "udp/2953", "tcp/6381"]
SECRET = b"A" * 20
RULE = Rotating((20000, 30999), (TCP, UDP), 4, 10 * SECOND, 1)
BOTH = pytest.mark.parametrize("decide", ["kernel", "daemon"])


def window(begin: float, minutes: int) -> str:
    """Hours of so many whole minutes from the minute of `begin` on, by the clock of UTC."""
    first = datetime.fromtimestamp(begin, UTC)
    last = first + timedelta(minutes=minutes)
    return f'{{from: "{first:%H:%M}", to: "{last:%H:%M}", zone: UTC}}'


def later() -> str:
    """Hours that are not now, nor soon."""
    return window(time.time() + 6 * 3600, 60)


def now() -> str:
    return window(time.time() - 3600, 7 * 60)


def config(decide: str, of_door: str, more: str = "") -> str:
    return f"""
watch: packet
decide: {decide}
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    hours: {of_door}
    {more}
    fixed: {{knocks: [tcp/4617, udp/2953, tcp/6381], gap: 30s}}
    rotating: {{pool: 20000-30999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}}
"""


def ana(more: str = "") -> str:
    return f"- {{name: ana, doors: [ssh], secret: {base64.b32encode(SECRET).decode()}{more}}}\n"


def sequence(away: int = 0) -> list[str]:
    return [str(one) for one in derive(SECRET, "ssh", RULE, int(time.time() // STEP) + away).knocks]


@pytest.fixture
def any_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Hours may begin and end at any second, in zones of the lab's own."""
    monkeypatch.setenv("PYTHONTZPATH", zones.search_path(tmp_path))


def history(d: Daemon) -> list[Any]:
    return list(json.loads(d.verb("history", "--json").stdout)["admissions"])


def sleep_until(moment: float) -> None:
    """Until a little after that moment."""
    time.sleep(max(0.0, moment - time.time()) + 0.2)


def talks(session: socket.socket) -> bool:
    """Whether what is said comes back."""
    with contextlib.suppress(OSError):
        session.send(b"still there?")
        return session.recv(64) == b"still there?"
    return False


@BOTH
def test_a_closed_door_opens_to_no_sequence_and_everybody_is_told_when_it_does(decide: str) -> None:
    with (
        world() as w,
        daemon(w.host, config(decide, later()), keyholders=ana()) as d,
        sender(w.stranger) as send,
    ):
        send.knocks(w.stranger4, w.host4, KNOCKS)
        d.wait_for(f"{w.stranger4} knocked right, but ssh is closed; opens at")
        send.knocks(w.stranger6, w.host6, sequence())
        d.wait_for(f"{w.stranger6} knocked right (keyholder ana), but ssh is closed; opens at")
        assert tcp_state(w.stranger, w.host4, 22) == tcp_state(w.stranger, w.host6, 22) == "filtered"
        status = d.status()
        assert status["admissions"] == []
        assert status["knocks"]["closed"] == 2
        told = next(one for one in status["doors"] if one["name"] == "ssh")["hours"]
        assert not told["open"]
        assert 5 * 3600 < unix(told["opens"]) - time.time() < 7 * 3600
        assert "opens" in d.verb("status").stdout
        why = d.verb("why", w.stranger4).stdout
        assert "knocked right, but ssh opens at" in why.replace("\n", " ")


@BOTH
def test_an_open_door_opens_and_says_when_it_closes(decide: str) -> None:
    with (
        world() as w,
        daemon(w.host, config(decide, now()), keyholders=ana()) as d,
        sender(w.stranger) as send,
    ):
        send.knocks(w.stranger4, w.host4, KNOCKS)
        send.knocks(w.stranger6, w.host6, sequence())
        until(lambda: len(d.status()["admissions"]) == 2)
        assert tcp_state(w.stranger, w.host4, 22) == tcp_state(w.stranger, w.host6, 22) == "closed"
        told = next(one for one in d.status()["doors"] if one["name"] == "ssh")["hours"]
        assert told["open"]
        assert 5 * 3600 < unix(told["closes"]) - time.time() < 7 * 3600


@BOTH
def test_what_was_knocked_before_the_door_opens_cannot_be_repeated_when_it_does(decide: str) -> None:
    """Who listens hears a right sequence; some seconds later the door opens, and the sequence is in force."""
    with (
        world() as w,
        daemon(w.host, config(decide, later()), keyholders=ana()) as d,
        sender(w.stranger) as send,
    ):
        heard = sequence()
        send.knocks(w.stranger4, w.host4, heard)
        d.wait_for("but ssh is closed")
        d.configure(config(decide, now()))
        d.reload()
        d.wait_for("reloaded")
        send.knocks(w.stranger6, w.host6, heard)
        until(lambda d=d: d.status()["knocks"]["replayed"] == 1)
        assert tcp_state(w.stranger, w.host6, 22) == "filtered"
        d.restart()
        send.knocks(w.stranger6, w.host6, heard)
        time.sleep(0.5)
        assert tcp_state(w.stranger, w.host6, 22) == "filtered"


def test_a_guard_alone_keeps_hours_over_their_end(any_second: None) -> None:
    """No daemon runs: the guard itself closes the door at the end of its hours, and opens it at the next."""
    closes = int(time.time()) + 15  # time to knock before the door closes
    opens = closes + 15
    hole = f"[{zones.hours(closes - 3600, closes)}, {zones.hours(opens, opens + 3600)}]"
    with world() as w, daemon(w.host, config("kernel", hole)) as d, sender(w.stranger) as send:
        d.kill()
        send.knocks(w.stranger4, w.host4, KNOCKS)
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
        assert time.time() < closes
        sleep_until(closes)
        send.knocks(w.stranger6, w.host6, KNOCKS)
        assert tcp_state(w.stranger, w.host6, 22) == "filtered"
        assert time.time() < opens
        sleep_until(opens)
        send.knocks(w.stranger6, w.host6, KNOCKS)
        assert tcp_state(w.stranger, w.host6, 22) == "closed"


def test_a_guard_that_is_loaded_without_a_daemon_knows_the_hours() -> None:
    for of_door, state in ((later(), "filtered"), (now(), "closed")):
        with world() as w, daemon(w.host, config("kernel", of_door)) as d, sender(w.stranger) as send:
            d.kill()
            portress(w.host, "unguard", *d.options, check=True)
            portress(w.host, "guard", *d.options, check=True)
            send.knocks(w.stranger4, w.host4, KNOCKS)
            assert tcp_state(w.stranger, w.host4, 22) == state


@BOTH
def test_a_keyholders_own_hours(decide: str) -> None:
    for own, state in ((later(), "filtered"), (now(), "closed")):
        with (
            world() as w,
            daemon(w.host, config(decide, now()), keyholders=ana(f", hours: {own}")) as d,
            sender(w.stranger) as send,
        ):
            heard = sequence()
            send.knocks(w.stranger4, w.host4, heard)
            d.wait_for(
                "admitted to ssh" if state == "closed" else "knocked right (keyholder ana), but ssh is closed"
            )
            assert tcp_state(w.stranger, w.host4, 22) == state
            send.knocks(w.stranger6, w.host6, heard)  # used up either way
            until(lambda d=d: d.status()["knocks"]["replayed"] == 1)
            assert tcp_state(w.stranger, w.host6, 22) == "filtered"


def test_a_keyholders_end_counts_where_the_guard_is_alone() -> None:
    """Begun in time, completed after the keyholder's end, and no daemon runs."""
    for ends_in, state in ((4.0, "filtered"), (3600.0, "closed")):
        end = datetime.fromtimestamp(time.time() + ends_in, UTC).isoformat()
        with (
            world() as w,
            daemon(w.host, config("kernel", now()), keyholders=ana(f', until: "{end}"')) as d,
            sender(w.stranger) as send,
        ):
            d.kill()
            knocks = sequence()
            send.knocks(w.stranger4, w.host4, knocks[:3])
            time.sleep(5)
            send.knocks(w.stranger4, w.host4, knocks[3:])
            assert tcp_state(w.stranger, w.host4, 22) == state


def test_an_admission_ends_when_the_door_closes_though_the_daemon_heard_of_it_late(any_second: None) -> None:
    closes = int(time.time()) + 14
    text = config("kernel", zones.hours(closes - 3600, closes), "at_closing: end")
    with world() as w, daemon(w.host, text) as d, sender(w.stranger) as send:
        halt(d.pid)
        send.knocks(w.stranger4, w.host4, KNOCKS)
        time.sleep(3)
        os.kill(d.pid, signal.SIGCONT)
        until(lambda: len(d.status()["admissions"]) == 1)
        assert tcp_state(w.stranger, w.host4, 22) == "closed" and time.time() < closes
        d.wait_for("admission to ssh ended: closed")
        assert time.time() > closes - 0.1
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"


@BOTH
@pytest.mark.parametrize(("how", "state"), [("end", "filtered"), ("stay", "closed")])
def test_admissions_stay_or_end_when_the_door_closes(
    decide: str, how: str, state: str, any_second: None
) -> None:
    closes = int(time.time()) + 15  # time to knock before the door closes
    of_door = zones.hours(closes - 3600, closes)
    text = config(decide, of_door, f"at_closing: {how}").replace("22]", "22, tcp/8022]")
    with world() as w, service(w.host, "tcp/8022"), daemon(w.host, text) as d, sender(w.stranger) as send:
        send.knocks(w.stranger4, w.host4, KNOCKS)
        until(lambda: len(d.status()["admissions"]) == 1)
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
        with w.stranger.enter():
            session = socket.create_connection((w.host4, 8022), 3)
        assert session.recv(64)
        assert time.time() < closes
        sleep_until(closes)
        if how == "end":
            d.wait_for("admission to ssh ended: closed")
        assert tcp_state(w.stranger, w.host4, 22) == state
        session.settimeout(2)
        assert talks(session) == (how == "stay")
        session.close()
        if how == "end":
            until(lambda: [one["ending"] for one in history(d)] == ["closed"])
        d.verb("admit", w.stranger6, "ssh")  # by hand, also while it is closed
        time.sleep(2.1)
        assert tcp_state(w.stranger, w.host6, 22) == "closed"


def test_the_guard_is_told_of_two_weeks() -> None:
    with world() as w, daemon(w.host, config("kernel", now())):
        listed = w.host.run(["nft", "-j", "list", "set", "inet", "portress", "hours_ssh"]).stdout
        ranges = next(one["set"]["elem"] for one in json.loads(listed)["nftables"] if "set" in one)
        assert 14 <= len(ranges) <= 16
        assert hours.AHEAD == 14 * 86400
