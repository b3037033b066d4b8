"""`leaving`: a sequence that ends one's own admission, nobody else's. Real packets, both ways to decide."""

from __future__ import annotations

import base64
import json
import os
import signal
import sys
import time
from pathlib import Path

import pytest

from lab import Sender, crowd, daemon, punctual, sender, service, sshd, tcp_state, until, world
from lab.portress import REPOSITORY, Daemon
from lab.space import halt
from portress.clock import STEP
from portress.config.model import Rotating
from portress.knock import SECOND, TCP, UDP
from portress.sequence.rotating import derive, leaving

CLIENT = [sys.executable, "-I", str(REPOSITORY / "scripts" / "portress-knock")]
SECRETS = {"ana": b"A" * 20, "ben": b"B" * 20}
RULE = Rotating((20000, 30999), (TCP, UDP), 4, 10 * SECOND, 10)
KEYHOLDERS = "".join(
    f"- {{name: {name}, doors: [vpn], secret: {base64.b32encode(secret).decode()}}}\n"
    for name, secret in SECRETS.items()
)
IN = ["tcp/4617", "udp/2953", "tcp/6381"]
OUT = ["udp/3571", "tcp/7193", "udp/5749"]
LEAVING = "{knocks: [udp/3571, tcp/7193, udp/5749], replayable: true}"
BOTH = pytest.mark.parametrize("decide", ["kernel", "daemon"])


def config(decide: str, more: str = "") -> str:
    return f"""
decide: {decide}
doors:
  vpn:
    services: [tcp/22]
    stay: 1h
    leaving: true
    {more}
    rotating: {{pool: 20000-30999, length: 4, gap: 10s, skew: 10}}
  web:
    services: [tcp/8443]
    stay: 1h
    leaving: {LEAVING}
    fixed: {{knocks: [{", ".join(IN)}], gap: 30s}}
"""


def comes(name: str, away: int = 0) -> list[str]:
    step = int(time.time() // STEP) + away
    return [str(one) for one in derive(SECRETS[name], "vpn", RULE, step).knocks]


def leaves(name: str, away: int = 0) -> list[str]:
    step = int(time.time() // STEP) + away
    return [str(one) for one in leaving(SECRETS[name], "vpn", RULE, step).knocks]


def inside(d: Daemon) -> set[tuple[str, str, str | None]]:
    return {(one["source"], one["door"], one["keyholder"]) for one in d.status()["admissions"]}


def let_in(d: Daemon, send: Sender, source: str, name: str, host: str, away: int = 0) -> None:
    send.knocks(source, host, comes(name, away))
    until(lambda: (source, "vpn", name) in inside(d))


def conclusion(d: Daemon, source: str) -> str:
    return " ".join(json.loads(d.verb("why", "--json", source).stdout)["conclusion"])


def endings(d: Daemon) -> list[str | None]:
    return [one["ending"] for one in json.loads(d.verb("history", "--json").stdout)["admissions"]]


@BOTH
def test_the_client_leaves_and_its_session_is_cut(decide: str) -> None:
    """Enrolled, in with ssh, out with --leave; the session's flow is cut, and the door closed."""
    with world() as w, sshd(w.host) as server, daemon(w.host, config(decide)) as d:
        card = d.folder / "ana.keycard"
        d.verb("enrol", "ana", "--door", "vpn", "--host", w.host4, "--keycard", str(card))
        assert json.loads(card.read_text())["leaving"] is True
        w.stranger.run([*CLIENT, str(card)])
        d.wait_for("admitted", w.stranger4, "keyholder ana")
        assert server.ssh(w.stranger, w.host4, "echo", "in").stdout == "in\n"
        with server.session(w.stranger, w.host4) as session:
            said = w.stranger.run([*CLIENT, str(card), "--leave"]).stderr
            assert "left door vpn" in said
            assert "the door is closed" in said
            told = d.wait_for(f"{w.stranger4}'s admission to vpn ended: left", "flow")
            assert "cut" in told
            assert session.poll() is None or session.returncode != 0
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        assert inside(d) == set()
        until(lambda: endings(d) == ["left"])
        assert "It left vpn by its own sequence at" in conclusion(d, w.stranger4)
        said = d.verb("why", w.stranger4).stdout
        assert "complete: leaves vpn (keyholder ana)" in said
        assert d.status()["knocks"]["left"] == 1


@BOTH
def test_a_leaving_sequence_overheard_is_refused_and_told_also_after_a_crash(decide: str) -> None:
    with (
        world() as w,
        daemon(w.host, config(decide), keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
    ):
        thieves = crowd(4)
        let_in(d, send, w.stranger4, "ana", w.host4)
        heard = leaves("ana")
        send.knocks(w.stranger4, w.host4, heard)
        d.wait_for(f"{w.stranger4}'s admission to vpn ended: left")
        let_in(d, send, w.stranger4, "ana", w.host4, 1)

        def again(source: str) -> None:
            send.knocks(source, w.host4, heard)

        again(thieves[0])
        d.wait_for("refused at vpn", thieves[0], "replay of keyholder ana, leaving sequence, used before")
        again(w.stranger4)  # forged: an echo, as a keyholder's own repeated packets would be
        d.restart()
        again(thieves[1])
        d.wait_for("refused at vpn", thieves[1])
        d.kill()
        again(thieves[2])
        d.start()
        again(thieves[3])
        d.wait_for("refused at vpn", thieves[3])
        again(w.stranger4)
        time.sleep(0.5)
        assert inside(d) == {(w.stranger4, "vpn", "ana")}
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
        # An older one, never used, is worth nothing either.
        older = leaves("ana", -4)  # also if steps have gone by since
        send.knocks(w.stranger4, w.host4, older)
        d.wait_for("refused at vpn", w.stranger4, "older than the last one used")
        assert inside(d) == {(w.stranger4, "vpn", "ana")}
        # And it takes nothing from the sequences that open, nor they from it.
        send.knocks(w.stranger4, w.host4, leaves("ana", 1))
        until(lambda: inside(d) == set())


@BOTH
def test_nobody_ends_what_somebody_else_holds(decide: str) -> None:
    """From another source, by another keyholder of the same source, over the other family."""
    with (
        world() as w,
        daemon(w.host, config(decide), keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
    ):
        let_in(d, send, w.stranger4, "ana", w.host4)
        let_in(d, send, w.stranger6, "ana", w.host6, 1)
        everybody = inside(d)
        send.knocks(w.another4, w.host4, leaves("ana"))
        d_said = "knocked the leaving sequence of keyholder ana for vpn, where it was not admitted"
        until(lambda: d_said in conclusion(d, w.another4))
        assert inside(d) == everybody
        send.knocks(w.stranger4, w.host4, leaves("ben"))
        until(lambda: "which somebody else holds: it ended nothing" in conclusion(d, w.stranger4))
        assert inside(d) == everybody
        send.knocks(w.stranger6, w.host6, leaves("ana", 1))
        until(lambda: inside(d) == {(w.stranger4, "vpn", "ana")})
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
        assert tcp_state(w.stranger, w.host6, 22) == "filtered"
        # Another door is another matter, and so is who came in by the fixed sequence of another one.
        send.knocks(w.stranger4, w.host4, IN)
        until(lambda: len(inside(d)) == 2)
        send.knocks(w.stranger4, w.host4, leaves("ana", 2))
        until(lambda: inside(d) == {(w.stranger4, "web", None)})
        until(lambda: endings(d).count("left") == 2)


@BOTH
def test_a_fixed_door_is_left_by_its_own_sequence(decide: str) -> None:
    with (
        world() as w,
        service(w.host, "tcp/8443"),
        daemon(w.host, config(decide)) as d,
        sender(w.stranger) as send,
    ):
        for turn in range(3):  # it stays the same
            send.knocks(w.stranger4, w.host4, IN)
            until(lambda: inside(d) == {(w.stranger4, "web", None)})
            assert tcp_state(w.stranger, w.host4, 8443) == "open"
            send.knocks(w.stranger4, w.host4, OUT)
            until(lambda: inside(d) == set())
            assert tcp_state(w.stranger, w.host4, 8443) == "filtered", turn
        until(lambda: endings(d) == ["left"] * 3)
        assert "It left web by its own sequence" in conclusion(d, w.stranger4)
        send.knocks(w.another4, w.host4, OUT)
        until(lambda: "where it was not admitted: it ended nothing" in conclusion(d, w.another4))


@BOTH
def test_what_a_keyholder_holds_is_not_ended_by_the_fixed_sequence_of_the_same_door(decide: str) -> None:
    both = config(decide).replace("fixed: {knocks", "rotating: {}\n    fixed: {knocks")
    keyholders = KEYHOLDERS.replace("[vpn]", "[web]")
    rule = Rotating((10100, 32767), (TCP, UDP), 4, 10 * SECOND, 1)
    with world() as w, daemon(w.host, both, keyholders=keyholders) as d, sender(w.stranger) as send:
        now = int(time.time() // STEP)
        send.knocks(
            w.stranger4, w.host4, [str(one) for one in derive(SECRETS["ana"], "web", rule, now).knocks]
        )
        until(lambda: inside(d) == {(w.stranger4, "web", "ana")})
        send.knocks(w.stranger4, w.host4, OUT)
        until(lambda: "which somebody else holds" in conclusion(d, w.stranger4))
        assert inside(d) == {(w.stranger4, "web", "ana")}


def test_whoever_left_and_came_back_before_the_daemon_read_of_it_is_in() -> None:
    """The daemon stands still while a keyholder leaves and comes in again: the guard lets in by itself."""
    with (
        world() as w,
        sshd(w.host) as server,
        daemon(w.host, config("kernel"), keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
    ):
        let_in(d, send, w.stranger4, "ana", w.host4)
        halt(d.pid)
        try:
            send.knocks(w.stranger4, w.host4, leaves("ana"))
            time.sleep(0.8)
            send.knocks(w.stranger4, w.host4, comes("ana", 1))
            with server.session(w.stranger, w.host4) as session:
                os.kill(d.pid, signal.SIGCONT)
                until(lambda: d.status()["knocks"].get("completed", 0) == 2)
                time.sleep(0.5)
                assert inside(d) == {(w.stranger4, "vpn", "ana")}
                assert session.poll() is None
                assert server.ssh(w.stranger, w.host4, "echo", "in").stdout == "in\n"
        finally:
            os.kill(d.pid, signal.SIGCONT)


def test_who_leaves_and_comes_in_at_a_stroke_is_in_and_the_other_way_round_out() -> None:
    """Without a pause in between, so that the daemon reads of both at once, many times over."""
    for decide in ("kernel", "daemon"):
        with (
            world() as w,
            daemon(w.host, config(decide), keyholders=KEYHOLDERS) as d,
            sender(w.stranger) as send,
        ):
            sources = crowd(6)
            for away, source in enumerate(sources):
                send.knocks(source, w.host4, [*comes("ana", away - 5), *leaves("ana", away - 5)])
            d.wait_for(f"{sources[-1]}'s admission to vpn ended: left")
            assert inside(d) == set()
            let_in(d, send, w.stranger4, "ben", w.host4, -8)
            for away in range(-7, -3):
                send.knocks(w.stranger4, w.host4, [*leaves("ben", away), *comes("ben", away)])
                time.sleep(1.2)  # the kernel's hash tables take a key again some ten times a second
            until(lambda: d.status()["knocks"]["completed"] == 6 + 1 + 4)
            until(lambda: inside(d) == {(w.stranger4, "vpn", "ben")})
            time.sleep(0.5)
            assert inside(d) == {(w.stranger4, "vpn", "ben")}
            held = w.host.run(["nft", "list", "set", "inet", "portress", "vpn_4"]).stdout
            assert w.stranger4 in held
            assert tcp_state(w.stranger, w.host4, 22) == "closed"
            for source in crowd(20):
                send.knocks(source, w.host4, [*IN, *OUT])
            until(lambda: d.status()["knocks"]["left"] == 6 + 4 + 20)
            until(lambda: inside(d) == {(w.stranger4, "vpn", "ben")})


def test_whoever_came_back_is_put_back_where_the_daemon_reads_of_it_after_ending_the_admission() -> None:
    """Between leaving and coming back the guard reports more than the daemon reads at once. Who comes back a
    quarter of a second later has plainly been let in since, and is not put out first."""
    with (
        world() as w,
        daemon(w.host, config("kernel"), keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
    ):
        let_in(d, send, w.stranger4, "ana", w.host4)
        many, out, back = crowd(420)[20:], leaves("ana"), comes("ana", 1)
        halt(d.pid)
        try:
            with punctual():
                send.knocks(w.stranger4, w.host4, out)
                for source in many:
                    send.knock(source, w.host4, IN[0])
                send.knocks(w.stranger4, w.host4, back)
        finally:
            os.kill(d.pid, signal.SIGCONT)
        d.wait_for(f"{w.stranger4}'s admission to vpn ended: left")
        d.wait_for(f"{w.stranger4} admitted to vpn", since=len(d.lines) - 2)
        assert inside(d) == {(w.stranger4, "vpn", "ana")}
        held = w.host.run(["nft", "list", "set", "inet", "portress", "vpn_4"]).stdout
        assert w.stranger4 in held
        assert tcp_state(w.stranger, w.host4, 22) == "closed"


def test_left_while_no_daemon_runs_is_used_up_and_ends_nothing() -> None:
    with (
        world() as w,
        daemon(w.host, config("kernel"), keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
    ):
        let_in(d, send, w.stranger4, "ana", w.host4)
        time.sleep(0.5)  # until the ledger and the mark beside it agree
        d.kill()
        heard = leaves("ana")
        send.knocks(w.stranger4, w.host4, heard)
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
        d.start()
        assert inside(d) == {(w.stranger4, "vpn", "ana")}
        send.knocks(w.another4, w.host4, heard)
        d.wait_for("refused at vpn", w.another4, "leaving sequence, used before")
        send.knocks(w.stranger4, w.host4, leaves("ana", 1))
        until(lambda: inside(d) == set())


@BOTH
def test_leaving_makes_room_where_places_are_few_and_works_at_any_hour(decide: str) -> None:
    now = time.localtime()
    shut = f'"{(now.tm_hour + 12) % 24:02}:00", to: "{(now.tm_hour + 13) % 24:02}:00"'
    places = config(decide, "places: 1")
    closed = config(decide, f"places: 1\n    hours: {{from: {shut}, zone: UTC}}")
    with world() as w, daemon(w.host, places, keyholders=KEYHOLDERS) as d, sender(w.stranger) as send:
        let_in(d, send, w.stranger4, "ana", w.host4)
        send.knocks(w.stranger4, w.host4, leaves("ana"))
        until(lambda: inside(d) == set())
        let_in(d, send, w.another4, "ana", w.host4, 1)
        assert "moved" not in d.log
        d.configure(closed)
        d.reload()
        d.wait_for("reloaded")
        assert inside(d) == {(w.another4, "vpn", "ana")}
        send.knocks(w.another4, w.host4, leaves("ana", 1))
        until(lambda: inside(d) == set())
        # The keyholder's own hours do not keep anybody in, either.
        d.configure(places)
        d.reload()
        until(lambda: d.log.count("reloaded") == 2)
        let_in(d, send, w.stranger4, "ana", w.host4, 2)
        own = KEYHOLDERS.replace("name: ana", f"name: ana, hours: {{from: {shut}, zone: UTC}}")
        (d.folder / "keyholders.yaml").write_text(own)
        d.reload()
        until(lambda: d.log.count("reloaded") == 3)
        send.knocks(w.stranger4, w.host4, leaves("ana", 2))
        until(lambda: inside(d) == set())


@BOTH
def test_metrics_and_status_count_who_left(decide: str) -> None:
    with_metrics = config(decide) + 'metrics: {listen: "127.0.0.1:9753"}\n'
    with world() as w, daemon(w.host, with_metrics, keyholders=KEYHOLDERS) as d, sender(w.stranger) as send:
        let_in(d, send, w.stranger4, "ana", w.host4)
        send.knocks(w.stranger4, w.host4, leaves("ana"))
        until(lambda: inside(d) == set())
        told = w.host.run(["curl", "-s", "http://127.0.0.1:9753/metrics"]).stdout
        assert 'portress_left_total{door="vpn"} 1.0' in told
        assert 'portress_left_total{door="web"} 0.0' in told
        doors = {one["name"]: one.get("leaving") for one in d.status()["doors"]}
        assert doors == {"vpn": "rotating", "web": "fixed"}


def test_a_card_of_a_door_that_cannot_be_left_says_so(tmp_path: Path) -> None:
    with world() as w, daemon(w.host, config("kernel").replace("leaving: true", "leaving: false")) as d:
        card = d.folder / "ana.keycard"
        d.verb("enrol", "ana", "--door", "vpn", "--host", w.host4, "--keycard", str(card))
        assert "leaving" not in json.loads(card.read_text())
        done = w.stranger.run([*CLIENT, str(card), "--leave"], check=False)
        assert done.returncode == 1
        assert "names no leaving sequence for door vpn" in done.stderr
        assert len(done.stderr.splitlines()) == 1
