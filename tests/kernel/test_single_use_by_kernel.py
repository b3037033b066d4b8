"""Rotating sequences where the kernel decides: each works once, whoever completes it, daemon or none."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import threading
import time

import pytest

from lab import crowd, daemon, sender, tcp_state, until, world
from lab.space import halt
from portress.clock import STEP
from portress.config.model import Rotating
from portress.keyholders.secret import to_base32
from portress.knock import SECOND
from portress.ledger.ledger import Ledger
from portress.sequence.rotating import derive

SECRET = bytes(range(20))
CONFIG = """
decide: kernel
doors:
  vpn:
    services: [tcp/22]
    stay: 1h
    rotating: {pool: 20000-30000, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
"""
RULE = Rotating((20000, 30000), (6, 17), 4, 10 * SECOND, 1)
KEYHOLDERS = f"- {{name: ana, doors: [vpn], secret: {to_base32(SECRET)}, style: derived}}\n"


def sequence(away: int = 0) -> list[str]:
    """The knocks of the present step, or of one so many steps away."""
    step = int(time.time()) // STEP + away
    return [str(knock) for knock in derive(SECRET, "vpn", RULE, step, "").knocks]


def not_about_to_turn() -> None:
    """Wait for a moment that leaves the present step some seconds."""
    left = STEP - time.time() % STEP
    if left < 8:
        time.sleep(left + 0.5)


def test_a_sequence_works_once_and_an_older_one_not_at_all() -> None:
    with world() as w, daemon(w.host, CONFIG, keyholders=KEYHOLDERS) as d, sender(w.stranger) as send:
        not_about_to_turn()
        now, before = sequence(), sequence(-1)
        send.knocks(w.stranger4, w.host4, now)
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
        send.knocks(w.another4, w.host4, now)
        d.wait_for("replay of keyholder ana, used before")
        send.knocks(w.another4, w.host4, before)
        d.wait_for("older than the last one used")
        assert {one["source"] for one in d.status()["admissions"]} == {w.stranger4}
        assert tcp_state(w.another, w.host4, 22) == "filtered"


def test_what_was_used_while_the_daemon_was_dead_stays_used() -> None:
    with world() as w, daemon(w.host, CONFIG, keyholders=KEYHOLDERS) as d, sender(w.stranger) as send:
        not_about_to_turn()
        now = sequence()
        d.kill()
        send.knocks(w.stranger4, w.host4, now)
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
        send.knocks(w.another4, w.host4, now)
        assert tcp_state(w.another, w.host4, 22) == "filtered"
        d.start()
        assert {one["source"] for one in d.status()["admissions"]} == {w.stranger4}
        send.knocks(w.another4, w.host4, now)
        d.wait_for("replay of keyholder ana, used before")
        d.kill()
        w.host.run(["nft", "flush", "ruleset"])
        d.verb("guard")
        d.start()
        send.knocks(w.another4, w.host4, now)
        time.sleep(0.5)
        assert tcp_state(w.another, w.host4, 22) == "filtered"


@pytest.mark.parametrize("decide", ["kernel", "daemon"])
def test_what_is_heard_together_with_the_end_is_in_the_ledger(decide: str) -> None:
    """The report of an admission, and the signal to stop, wait for the daemon at the same moment."""
    config = CONFIG.replace("decide: kernel", f"decide: {decide}")
    for _ in range(5):
        with world() as w, daemon(w.host, config, keyholders=KEYHOLDERS) as d, sender(w.stranger) as send:
            not_about_to_turn()
            halt(d.pid)
            send.knocks(w.stranger4, w.host4, sequence())
            os.kill(d.pid, signal.SIGTERM)
            time.sleep(0.2)
            os.kill(d.pid, signal.SIGCONT)
            assert d.process is not None
            d.process.wait(20)
            with contextlib.closing(Ledger(d.state / "ledger.db", time.time())) as ledger:
                used = ledger.used()
            d.start()
            admitted = [one["source"] for one in d.status()["admissions"]]
            assert len(used) == len(admitted) or (used and not admitted), (used, admitted)
            if decide == "kernel":
                assert admitted == [w.stranger4]


def test_a_keyholder_renamed_while_the_daemon_was_dead_revives_nothing() -> None:
    with world() as w, daemon(w.host, CONFIG, keyholders=KEYHOLDERS) as d, sender(w.stranger) as send:
        not_about_to_turn()
        now = sequence()
        d.kill()
        send.knocks(w.stranger4, w.host4, now)
        (d.folder / "keyholders.yaml").write_text(KEYHOLDERS.replace("ana", "ben"))
        d.start()
        send.knocks(w.another4, w.host4, now)
        d.wait_for("replay of keyholder ben")
        (d.folder / "keyholders.yaml").write_text(KEYHOLDERS.replace("ana", "cleo"))
        d.reload()
        d.wait_for("reloaded")
        send.knocks(w.another4, w.host4, now)
        d.wait_for("replay of keyholder cleo")
        assert tcp_state(w.another, w.host4, 22) == "filtered"


def test_after_a_crash_that_lost_the_guards_record_the_guard_holds_nothing_that_may_have_been_used() -> None:
    """As after a power cut: the guard and the mark beside the socket are gone, and the ledger is behind."""
    with world() as w, daemon(w.host, CONFIG, keyholders=KEYHOLDERS) as d, sender(w.stranger) as send:
        not_about_to_turn()
        now = sequence()
        kept = {file: file.read_bytes() for file in d.state.iterdir() if file.is_file()}
        send.knocks(w.stranger4, w.host4, now)
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
        d.kill()
        w.host.run(["nft", "delete", "table", "inet", "portress"])
        d.socket.with_name("uses").unlink()
        for file in d.state.iterdir():
            file.unlink()
        for file, data in kept.items():
            file.write_bytes(data)
        d.verb("guard")
        d.start()
        ends = w.host.run(["nft", "list", "map", "inet", "portress", "ends"]).stdout
        assert "goto used" in ends
        send.knocks(w.another4, w.host4, now)
        time.sleep(0.5)
        assert tcp_state(w.another, w.host4, 22) == "filtered"
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"


def test_a_daemon_that_starts_while_the_kernel_clears_away_what_is_over_overlooks_no_use() -> None:
    """The kernel then leaves some of the map's elements out. A daemon that takes them for missing gives their
    sequences new numbers, by which they were never used. It is stopped again and again while it reads."""
    many = {f"k{number}": bytes((number >> 8, number & 255)) * 10 for number in range(300)}
    lines = [
        f"- {{name: {name}, doors: [vpn], secret: {to_base32(secret)}, style: derived}}\n"
        for name, secret in many.items()
    ]
    rng, sources = random.Random(5), crowd(600, 6)
    passing = [
        f"{5_000_000 + one} . tcp . 7 timeout {rng.randrange(300, 12_000)}ms : 1" for one in range(30_000)
    ]
    with world() as w, daemon(w.host, CONFIG, keyholders="".join(lines)) as d, sender(w.stranger) as send:
        step = int(time.time()) // STEP
        knocks = [
            [str(one) for one in derive(secret, "vpn", RULE, step, "").knocks] for secret in many.values()
        ]
        d.kill()
        for source, texts in zip(sources[:300], knocks, strict=True):
            send.knocks(source, w.host6, texts)
        file = d.folder / "passing"
        file.write_text(f"add element inet portress next {{ {', '.join(passing)} }}\n")
        w.host.run(["nft", "-f", str(file)])
        before, starting = d.process, threading.Thread(target=d.start, kwargs={"timeout": 60})
        starting.start()
        while starting.is_alive():
            if d.process is not None and d.process is not before:
                with contextlib.suppress(OSError):
                    halt(d.process.pid)
                    time.sleep(0.02)
                    os.kill(d.process.pid, signal.SIGCONT)
            time.sleep(0.003)
        assert {one["source"] for one in d.status()["admissions"]} == {*sources[:300]}
        for source, texts in zip(sources[300:], knocks, strict=True):
            send.knocks(source, w.host6, texts)
        inside = w.host.run(["nft", "list", "set", "inet", "portress", "vpn_6"]).stdout
        assert inside.count(" expires ") == 300, "used before, and opened again"


def test_a_thousand_sequences_sent_twice_at_once_admit_a_thousand_whenever_the_daemon_dies() -> None:
    """From two processors at the same time, each from two sources, while the daemon is killed and started."""
    rng = random.Random(4)
    many = {f"k{number}": bytes((number >> 8, number & 255)) * 10 for number in range(1000)}
    lines = [
        f"- {{name: {name}, doors: [vpn], secret: {to_base32(secret)}, style: derived}}\n"
        for name, secret in many.items()
    ]
    sources = crowd(2000, 6)
    with world() as w, daemon(w.host, CONFIG, keyholders="".join(lines)) as d, sender(w.stranger) as send:
        left = STEP - time.time() % STEP
        time.sleep(left + 0.5)
        step = int(time.time()) // STEP
        knocks = [
            [str(one) for one in derive(secret, "vpn", RULE, step, "").knocks] for secret in many.values()
        ]
        together = threading.Barrier(2)
        sent: dict[str, tuple[float, float]] = {}  # by source, when its first knock was sent and its last
        starts: list[tuple[float, float]] = []  # when the daemon was killed, and when it was there again

        def knock(half: int) -> None:
            os.sched_setaffinity(0, {sorted(os.sched_getaffinity(0))[half % os.cpu_count()]})  # type: ignore[operator]
            for number, texts in enumerate(knocks):
                if number % 10 == 0:
                    together.wait(30)
                source, begun = sources[2 * number + half], time.monotonic()
                send.knocks(source, w.host6, texts)
                sent[source] = begun, time.monotonic()

        def inside() -> set[str]:
            return {one["source"] for one in d.status()["admissions"]}

        threads = [threading.Thread(target=knock, args=(half,)) for half in (0, 1)]
        for each in threads:
            each.start()
        while any(each.is_alive() for each in threads):
            time.sleep(rng.uniform(0, 0.3))
            killed = time.monotonic()
            d.kill()
            d.start(told=False)
            starts.append((killed, time.monotonic()))
        for each in threads:
            each.join()
        assert int(time.time()) // STEP <= step + 1, "the machine was too busy to send all of it in time"
        with contextlib.suppress(AssertionError):
            until(lambda: len(inside()) >= len(knocks))
        admitted = inside()
        pairs = [sources[2 * number : 2 * number + 2] for number in range(len(knocks))]
        out = {
            number: [sent[one] for one in pair] for number, pair in enumerate(pairs) if not admitted & {*pair}
        }
        assert not out, (out, starts)
        assert len(admitted) == len(knocks)
        again = crowd(3000, 6)[2000:]
        for source, texts in zip(again, knocks, strict=True):
            send.knocks(source, w.host6, texts)
        time.sleep(1)
        assert {one["source"] for one in d.status()["admissions"]} == admitted
