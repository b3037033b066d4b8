"""`decide: kernel` with the whole daemon around it: real packets, and the daemon there, killed, or back."""

from __future__ import annotations

import json
import re
import time
from datetime import datetime

from lab import World, crowd, daemon, punctual, sender, tcp_state, until, world

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
        assert [one["source"] for one in d.status()["callers"]] == [w.stranger4]
        assert {one["source"] for one in d.status()["admissions"]} == {w.stranger6}
        send.knocks(w.stranger4, w.host4, KNOCKS[2:])
        d.wait_for(f"{w.stranger4} admitted to ssh")


def test_what_happened_without_a_daemon_is_in_its_history_with_door_and_moment() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        d.kill()
        send.knocks(w.stranger4, w.host4, KNOCKS)
        moment = time.time()
        time.sleep(4)
        d.start()
        until(lambda: json.loads(d.verb("history", "--json", check=False).stdout)["admissions"])
        (found,) = json.loads(d.verb("history", "--json").stdout)["admissions"]
        assert (found["how"], found["source"], found["door"]) == ("found", w.stranger4, "ssh")
        assert abs(datetime.fromisoformat(found["since"]).timestamp() - moment) <= 1


def test_guard_without_a_daemon_keeps_who_is_part_way() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        d.kill()
        send.knocks(w.stranger4, w.host4, KNOCKS[:2])
        d.verb("guard")
        send.knocks(w.stranger4, w.host4, KNOCKS[2:])
        assert tcp_state(w.stranger, w.host4, 22) == "closed"


def test_the_guard_at_boot_opens_fixed_doors_and_no_daemon_has_run() -> None:
    text = CONFIG + "  vpn: {services: [tcp/8443], rotating: {pool: 20000-30000}}\n"
    with world() as w, daemon(w.host, text, guard=False, start=False) as d, sender(w.stranger) as send:
        d.verb("guard")
        send.knocks(w.stranger4, w.host4, KNOCKS)
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
        assert tcp_state(w.stranger, w.host4, 8443) == "filtered"
        assert tcp_state(w.another, w.host4, 22) == "filtered"


def test_what_is_always_in_or_elsewhere_is_no_knock() -> None:
    """From an `always` source, and at an address that is not this host's own."""
    text = CONFIG.replace("doors:", "always: [198.51.100.99]\ndoors:")
    with world() as w, daemon(w.host, text) as d, sender(w.stranger) as send:
        send.knocks("198.51.100.99", w.host4, KNOCKS)
        send.knocks(w.stranger4, "203.0.113.77", KNOCKS)
        time.sleep(0.5)
        assert not d.status()["admissions"]
        send.knocks(w.stranger4, w.host4, KNOCKS)
        until(lambda: [one["source"] for one in d.status()["admissions"]] == [w.stranger4])


MARKING = """
table inet marking {
  counter came { }
  counter kept { }
  counter plain { }
  chain before {
    type filter hook prerouting priority -299; policy accept;
    ip saddr 198.51.100.10 meta priority set 1:20 meta mark set 7
  }
  chain between {
    type filter hook prerouting priority -160; policy accept;
    ip saddr 198.51.100.10 ct mark set 9
  }
  chain after {
    type filter hook prerouting priority -140; policy accept;
    ip saddr 198.51.100.10 counter name came
    ip saddr 198.51.100.10 meta priority 1:20 meta mark 7 ct mark 9 counter name kept
    ip6 saddr 2001:db8:1::10 meta priority 0 meta mark 0 ct mark 0 counter name plain
  }
}
"""


def test_no_mark_and_no_priority_of_a_packet_is_changed() -> None:
    """The host's own rules give packets marks and a priority before the guard sees them, and look later."""
    wrong = ["tcp/4617", "tcp/9999", "udp/2953", "tcp/4617", "tcp/4617", "udp/2953", "tcp/9998"]
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        w.host.nft(MARKING)
        for source, host in ((w.stranger4, w.host4), (w.stranger6, w.host6)):
            send.knocks(source, host, [*wrong, *KNOCKS])
        until(lambda: len(d.status()["admissions"]) == 2)
        sent = len(wrong) + len(KNOCKS)
        listed = {
            name: w.host.run(["nft", "list", "counter", "inet", "marking", name]).stdout
            for name in ("came", "kept", "plain")
        }
        found = {name: int(text.split("packets")[1].split()[0]) for name, text in listed.items()}
        assert found["came"] == found["kept"] == sent
        assert found["plain"] >= sent


def test_misses_shun_and_status_tells_what_the_guard_did() -> None:
    text = CONFIG.replace("doors:", "misses: {limit: 3, within: 10m, shun: 30m}\ndoors:")
    with world() as w, daemon(w.host, text) as d, sender(w.stranger) as send:
        for _ in range(3):
            send.knocks(w.stranger4, w.host4, ["tcp/4617", "tcp/9999"], pause=0.01)
        d.wait_for(f"{w.stranger4} shunned for 30m after 3 misses")
        send.knocks(w.stranger4, w.host4, KNOCKS)
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        assert [one["source"] for one in d.status()["shunned"]] == [w.stranger4]
        send.knocks(w.another4, w.host4, KNOCKS)
        d.wait_for(f"{w.another4} admitted to ssh")


def test_an_admission_is_not_shortened_by_knocking_again() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        d.verb("admit", w.stranger4, "ssh", "--for", "8h")
        send.knocks(w.stranger4, w.host4, KNOCKS)
        time.sleep(1)
        assert d.status()["admissions"][0]["left"] > 7 * 3600
        listed = w.host.run(["nft", "list", "set", "inet", "portress", "ssh_4"]).stdout
        assert "7h5" in listed


def test_more_than_is_reported_is_known_within_seconds() -> None:
    """More sources complete the sequence at once than the guard reports: none is forgotten."""

    def untold(w: World) -> int:
        listed = w.host.run(["nft", "list", "counters", "table", "inet", "portress"]).stdout
        return int(re.findall(r"counter untold_first \{\s+packets (\d+)", listed)[0])

    sources = crowd(15_000, 6)
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        with punctual():
            for number, source in enumerate(sources, 1):
                send.knocks(source, w.host6, KNOCKS)
                if number % 20 == 0:  # the other end of the link gets its turn
                    time.sleep(0.001)
                if number % 3000 == 0 and untold(w):  # on a busy machine they may all be reported
                    break
        assert untold(w) > 0
        until(lambda: len(d.status()["admissions"]) == number)
