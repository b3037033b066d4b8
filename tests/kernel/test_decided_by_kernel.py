"""`decide: kernel` with the whole daemon around it: real packets, and the daemon there, killed, or back."""

from __future__ import annotations

import time

from lab import daemon, sender, tcp_state, world

KNOCKS = ["tcp/4617", "udp/2953", "tcp/6381"]
CONFIG = """
watch: packet
decide: kernel
doors:
  ssh: {services: [tcp/22], stay: 1h, fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 30s}}
"""


def test_a_client_without_a_pause_is_in_with_its_first_syn() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        send.knocks(w.stranger4, w.host4, KNOCKS)
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
        d.wait_for("admitted to ssh for 1h")
        assert [one["source"] for one in d.status()["admissions"]] == [w.stranger4]


def test_a_door_opens_while_the_daemon_is_dead_and_is_found_by_the_next_one() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        d.kill()
        send.knocks(w.stranger6, w.host6, KNOCKS)
        assert tcp_state(w.stranger, w.host6, 22) == "closed"
        send.knocks(w.stranger4, w.host4, KNOCKS[:2])
        time.sleep(1)
        d.start()
        assert [one["source"] for one in d.status()["callers"]["listed"]] == [w.stranger4]
        assert {one["source"] for one in d.status()["admissions"]} == {w.stranger6}
        send.knocks(w.stranger4, w.host4, KNOCKS[2:])
        d.wait_for(f"{w.stranger4} admitted to ssh")
