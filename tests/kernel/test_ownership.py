"""Whose the guard is: a running daemon's where a table can have an owner (kernel 6.9, nft 1.1), or nobody's.

Both kinds of host are to be served, so each test says what holds on the one it runs on.
"""

from __future__ import annotations

import json
import subprocess
import threading
from typing import Final

from lab import Namespace, daemon, namespace, owned, service, tcp_state, world
from portress.admissions import Grant
from portress.config import load as configuration
from portress.guard.ruleset import build
from portress.guard.table import Table
from portress.knock import SECOND, Source
from portress.sequence.fixed import expected
from portress.sequence.trie import Trie

CONFIG: Final = """\
callers: 100
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 5s}
"""
ANA: Final = Source.parse("203.0.113.7")


def flags(ns: Namespace) -> set[str]:
    """The flags of the guard's table, by nft."""
    listed = json.loads(ns.run(["nft", "-j", "list", "tables"]).stdout)["nftables"]
    (table,) = [one["table"] for one in listed if one.get("table", {}).get("name") == "portress"]
    found = table.get("flags", [])
    return {found} if isinstance(found, str) else set(found)


def wanted(ns: Namespace, *names: str) -> set[str]:
    """These flags, if a table can have an owner here."""
    return set(names) if owned(ns) else set()


def test_the_guard_is_the_running_daemons_and_stays_when_it_is_killed() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, CONFIG) as d:
        d.verb("admit", w.another4, "ssh")
        assert flags(w.host) == wanted(w.host, "owner", "persist")
        d.kill()
        assert flags(w.host) == wanted(w.host, "persist")
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        assert tcp_state(w.another, w.host4, 22) == "open"


def test_the_next_daemon_adopts_it_with_its_admissions() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, CONFIG) as d:
        d.verb("admit", w.another4, "ssh", "--for", "3h")
        for _ in range(2):
            d.kill()
            d.start()
            assert flags(w.host) == wanted(w.host, "owner", "persist")
            (held,) = d.status()["admissions"]
            assert (held["source"], held["door"]) == (w.another4, "ssh")
            assert 3 * 3600 - 60 < held["left"] <= 3 * 3600
        d.verb("admit", w.stranger4, "ssh")
        assert tcp_state(w.stranger, w.host4, 22) == "open"


def test_without_a_daemon_the_verbs_change_what_it_left_behind() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, CONFIG) as d:
        d.verb("admit", w.another4, "ssh")
        d.kill()
        d.verb("admit", w.stranger4, "ssh", "--for", "10m")
        assert tcp_state(w.stranger, w.host4, 22) == "open"
        d.verb("dismiss", w.another4)
        assert tcp_state(w.another, w.host4, 22) == "filtered"
        d.configure(CONFIG.replace("tcp/22", "tcp/22, tcp/2222"))
        d.verb("guard")
        assert tcp_state(w.another, w.host4, 2222) == "filtered"
        assert tcp_state(w.stranger, w.host4, 22) == "open"
        assert "Guard removed" in d.verb("unguard").stdout
        assert tcp_state(w.another, w.host4, 22) == "open"


def test_a_guard_of_nobodys_becomes_the_daemons_and_no_packet_slips_through() -> None:
    with (
        world() as w,
        service(w.host, "tcp/22") as answering,
        daemon(w.host, CONFIG, guard=False, start=False) as d,
    ):
        w.host.nft(d.verb("rules").stdout)
        w.host.nft(f"add element inet portress ssh_4 {{ {w.another4} timeout 3h }}")
        assert flags(w.host) == set()
        stop, met = threading.Event(), list[str]()

        def connect() -> None:
            while not stop.is_set():
                met.append(tcp_state(w.another, w.host4, 22, timeout=0.9))

        words = ["timeout", "20", "hping3", "-q", "-S", "-i", "u500", "-p", "22", w.host4]
        strangers = w.stranger.popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        guest = threading.Thread(target=connect)
        guest.start()
        d.start()
        stop.set()
        guest.join()
        strangers.terminate()
        strangers.wait()
        assert flags(w.host) == wanted(w.host, "owner", "persist")
        assert set(met) == {"open"}
        assert set(answering.met) == {w.another4}
        (held,) = d.status()["admissions"]
        assert (held["source"], held["door"]) == (w.another4, "ssh")
        assert 3 * 3600 - 60 < held["left"] <= 3 * 3600


def test_callers_and_the_shunned_come_along_when_it_gets_an_owner() -> None:
    config = configuration.parse(CONFIG, "portress.yaml")
    ruleset = build(config, Trie(expected(config)).opening)
    with namespace("host") as host, host.enter():
        before = Table()
        before.load(ruleset, [Grant("ssh", ANA, 90 * SECOND)])
        before.shun(ANA, 90 * SECOND)
        host.nft("add element inet portress callers_4 { 203.0.113.8 timeout 50s }")
        after = Table(own=True)
        assert after.load(ruleset) == []
        assert flags(host) == wanted(host, "owner", "persist")
        for name, source, timeout in (
            ("ssh_4", "203.0.113.7", 90),
            ("shunned_4", "203.0.113.7", 90),
            ("callers_4", "203.0.113.8", 50),
        ):
            words = ["nft", "-j", "list", "set", "inet", "portress", name]
            (body,) = [one["set"] for one in json.loads(host.run(words).stdout)["nftables"] if "set" in one]
            (held,) = [one["elem"] for one in body["elem"]]
            assert held["val"] == source
            assert timeout - 10 < held["expires"] <= timeout
