"""`places`: how many sources one keyholder may have admitted at a time. Real packets, both ways to decide."""

from __future__ import annotations

import base64
import contextlib
import json
import re
import socket
import time
from collections.abc import Iterator

import pytest

from lab import Namespace, crowd, daemon, sender, service, until, world
from portress.clock import STEP
from portress.config.model import Rotating
from portress.knock import SECOND, TCP, UDP
from portress.sequence.rotating import derive

SECRETS = {"ana": b"A" * 20, "ben": b"B" * 20}
RULE = Rotating((20000, 30999), (TCP, UDP), 4, 10 * SECOND, 10)


def config(decide: str, places: int) -> str:
    return f"""
decide: {decide}
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    places: {places}
    rotating: {{pool: 20000-30999, length: 4, gap: 10s, skew: 10}}
"""


KEYHOLDERS = "".join(
    f"- {{name: {name}, doors: [ssh], secret: {base64.b32encode(secret).decode()}}}\n"
    for name, secret in SECRETS.items()
)


def sequence(name: str, away: int) -> list[str]:
    return [str(one) for one in derive(SECRETS[name], "ssh", RULE, int(time.time() // STEP) + away).knocks]


@pytest.mark.parametrize("decide", ["kernel", "daemon"])
@pytest.mark.parametrize("places", [1, 2])
def test_the_newest_admission_of_a_keyholder_ends_the_oldest(decide: str, places: int) -> None:
    with (
        world() as w,
        daemon(w.host, config(decide, places), keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
    ):

        def admitted() -> set[str]:
            return {one["source"] for one in d.status()["admissions"]}

        sources = crowd(4)
        ben, *anas = sources
        send.knocks(ben, w.host4, sequence("ben", 0))
        until(lambda: admitted() == {ben})
        for number, source in enumerate(anas):
            send.knocks(source, w.host4, sequence("ana", number))
            wanted = {ben, *anas[max(0, number + 1 - places) : number + 1]}
            until(lambda wanted=wanted: admitted() == wanted)
        moved = d.wait_for(f"ana moved from {anas[2 - places]} to {anas[2]} at ssh, for 1h")
        assert moved
        assert f"{anas[2]} admitted" not in d.log
        assert f"{anas[2 - places]}'s admission" not in d.log

        def moves() -> int:
            found = json.loads(d.verb("history", "--json").stdout)["admissions"]
            return [one["ending"] for one in found].count("moved")

        until(lambda: moves() == 3 - places)
        held = w.host.run(["nft", "list", "set", "inet", "portress", "ssh_4"]).stdout
        assert {one for one in sources if f"{one} " in held} == {ben, *anas[3 - places :]}


@contextlib.contextmanager
def session(ns: Namespace, host: str) -> Iterator[socket.socket]:
    with ns.enter():
        made = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    with made:
        made.settimeout(3)
        made.connect((host, 22))
        assert made.recv(64)  # the greeting
        yield made


def talks(made: socket.socket) -> bool:
    """Whether what is said comes back."""
    with contextlib.suppress(OSError):
        made.send(b"still there?")
        return made.recv(64) == b"still there?"
    return False


@pytest.mark.parametrize("decide", ["kernel", "daemon"])
def test_the_sessions_of_the_place_that_was_left_are_cut_and_no_others(decide: str) -> None:
    with (
        world() as w,
        service(w.host, "tcp/22"),
        daemon(w.host, config(decide, 1), keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
        sender(w.another) as other,
    ):
        send.knocks(w.stranger4, w.host4, sequence("ana", 0))
        d.wait_for("admitted to ssh", w.stranger4)
        send.knocks(w.stranger6, w.host6, sequence("ben", 0))
        d.wait_for("admitted to ssh", w.stranger6)
        with session(w.stranger, w.host4) as anas, session(w.stranger, w.host6) as bens:
            assert talks(anas) and talks(bens)
            other.knocks(w.another4, w.host4, sequence("ana", 1))
            d.wait_for(f"ana moved from {w.stranger4} to {w.another4}")
            with session(w.another, w.host4) as new:
                assert talks(new) and talks(bens)
                assert not talks(anas)
        until(lambda: re.search("ended .*: moved", " ".join(d.verb("why", w.stranger4).stdout.split())))
        assert "1 place each" in d.verb("status").stdout


@pytest.mark.parametrize("decide", ["kernel", "daemon"])
def test_one_step_over_both_families_is_one_place_and_ends_nothing(decide: str) -> None:
    """Browsers send a sequence over both families. The next step over the other family is a move."""
    with (
        world() as w,
        daemon(w.host, config(decide, 1), keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
    ):

        def admitted() -> list[str]:
            return [one["source"] for one in d.status()["admissions"]]

        both = sequence("ana", 0)
        for knock in both:
            send.knock(w.stranger4, w.host4, knock)
            send.knock(w.stranger6, w.host6, knock)
        until(admitted)
        time.sleep(0.5)
        first = admitted()
        assert len(first) == 1 and first[0] in (w.stranger4, w.stranger6)
        assert "moved" not in d.log
        source, host = (w.stranger6, w.host6) if first[0] == w.stranger4 else (w.stranger4, w.host4)
        send.knocks(source, host, sequence("ana", 1))
        d.wait_for(f"ana moved from {first[0]} to {source}")
        until(lambda: admitted() == [source])


@pytest.mark.parametrize("decide", ["kernel", "daemon"])
def test_paper_takes_a_place_a_command_takes_none_and_a_smaller_number_counts_from_the_next_admission(
    decide: str,
) -> None:
    text = config(decide, 2).replace("    places", "    paper: {}\n    places")
    with world() as w, daemon(w.host, text, keyholders=KEYHOLDERS) as d, sender(w.stranger) as send:

        def admitted() -> set[str]:
            return {one["source"] for one in d.status()["admissions"]}

        one, two, three, four, five = crowd(5)
        words = ["enrol", "ana", "--door", "ssh", "--paper", "--host", "gate.example", "--json"]
        sheet = json.loads(d.verb(*words).stdout)["paper"][0]["sequences"]
        d.verb("admit", five, "ssh")
        send.knocks(one, w.host4, sequence("ana", 0))
        until(lambda: admitted() == {five, one})
        send.knocks(two, w.host4, sheet[0])
        until(lambda: admitted() == {five, one, two})
        send.knocks(three, w.host4, sheet[1])
        d.wait_for(f"ana moved from {one} to {three}")
        until(lambda: admitted() == {five, two, three})
        d.configure(text.replace("places: 2", "places: 1"))
        d.reload()
        d.wait_for("reloaded")
        assert admitted() == {five, two, three}
        send.knocks(four, w.host4, sequence("ana", 1))
        d.wait_for(f"ana moved from {two}, {three} to {four}")
        until(lambda: admitted() == {five, four})


@pytest.mark.parametrize("decide", ["kernel", "daemon"])
def test_places_are_known_again_after_the_daemon_was_killed(decide: str) -> None:
    with (
        world() as w,
        daemon(w.host, config(decide, 1), keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
    ):
        one, two = crowd(2)
        send.knocks(one, w.host4, sequence("ana", 0))
        d.wait_for("admitted to ssh", one)
        until(lambda: json.loads(d.verb("history", "--json", check=False).stdout)["admissions"])
        d.kill()
        d.start()
        send.knocks(two, w.host4, sequence("ana", 1))
        d.wait_for(f"ana moved from {one} to {two}")
        until(lambda: [each["source"] for each in d.status()["admissions"]] == [two])
