"""Rotating sequences where the kernel decides: each works once, whoever completes it, daemon or none."""

from __future__ import annotations

import time

from lab import daemon, sender, tcp_state, world
from portress.config.model import Rotating
from portress.keyholders.secret import to_base32
from portress.knock import SECOND
from portress.sequence.rotating import STEP, derive

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
