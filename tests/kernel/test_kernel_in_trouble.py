"""The guard that decides by itself when something is short: reports that nobody reads, full rooms."""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import signal
import socket
import time
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from lab import Daemon, World, crowd, daemon, sender, tcp_state, until, world
from lab.space import halt
from portress.clock import STEP
from portress.config.model import Rotating
from portress.keyholders.secret import to_base32
from portress.knock import SECOND
from portress.sequence.rotating import derive, leaving

KNOCKS = ["tcp/4617", "udp/2953", "tcp/6381"]
CONFIG = """
decide: kernel
metrics: {listen: "127.0.0.1:9753"}
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 30s}
"""
SECRET = bytes(range(20))
RULE = Rotating((20000, 30000), (6, 17), 4, 10 * SECOND, 1)
ROTATING = """
  vpn:
    services: [tcp/1194]
    stay: 1h
    rotating: {pool: 20000-30000, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
"""
KEYHOLDERS = f"- {{name: ana, doors: [vpn], secret: {to_base32(SECRET)}, style: derived}}\n"
PIDFD_GETFD = 438  # asm-generic/unistd.h


def sequence(secret: bytes = SECRET) -> list[str]:
    """The knocks of the present step, of which some seconds are left."""
    left = STEP - time.time() % STEP
    if left < 8:
        time.sleep(left + 0.5)
    return [str(one) for one in derive(secret, "vpn", RULE, int(time.time()) // STEP, "").knocks]


def packet_log(d: Daemon) -> socket.socket:
    """The daemon's own socket for reports: the netfilter socket with by far the largest buffer."""
    library = ctypes.CDLL(None, use_errno=True)
    handle = os.pidfd_open(d.pid)
    found = []
    for name in os.listdir(f"/proc/{d.pid}/fd"):
        number = library.syscall(PIDFD_GETFD, handle, int(name), 0)
        with contextlib.suppress(OSError, ValueError):  # one that is closed by now, or no socket
            one = socket.socket(fileno=number)
            if one.family == socket.AF_NETLINK and one.proto == 12:
                found.append(one)
    os.close(handle)
    return max(found, key=lambda one: one.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF))


@contextlib.contextmanager
def deaf(d: Daemon) -> Iterator[None]:
    """The daemon reads nothing meanwhile, and nearly all that is reported finds no room and is lost."""
    with packet_log(d) as reports:
        before = reports.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)
        assert before > 1 << 20
        halt(d.pid)
        try:
            reports.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1)
            yield
        finally:
            os.kill(d.pid, signal.SIGCONT)
            reports.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, before // 2)


def metric(d: Daemon, name: str) -> float:
    text = d.ns.run(["curl", "--silent", "--fail", "http://127.0.0.1:9753/metrics"]).stdout
    return sum(float(line.split()[-1]) for line in text.splitlines() if line.startswith(name))


def test_where_reports_were_lost_status_history_and_metrics_are_right_again() -> None:
    sources = crowd(300)
    with (
        world() as w,
        daemon(w.host, CONFIG + ROTATING, keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
    ):
        knocks = sequence()
        with deaf(d):
            for source in sources:
                send.knocks(source, w.host4, KNOCKS)
            send.knocks(w.another4, w.host4, knocks)
            send.knocks(w.stranger4, w.host4, KNOCKS[:2])
            moment = time.time()
        d.wait_for("lost, the buffer was full")
        everybody = {(source, "ssh") for source in sources} | {(w.another4, "vpn")}
        until(lambda: {(one["source"], one["door"]) for one in d.status()["admissions"]} == everybody)
        until(lambda: [one["source"] for one in d.status()["callers"]] == [w.stranger4])
        until(lambda: metric(d, "portress_admitted{") == len(everybody))
        assert metric(d, "portress_callers ") == 1

        def history() -> list[Any]:
            told = json.loads(d.verb("history", "--json", "--limit", "0", check=False).stdout)
            return list(told["admissions"])

        until(lambda: {(one["source"], one["door"]) for one in history()} == everybody)
        told = history()
        assert all(abs(datetime.fromisoformat(one["since"]).timestamp() - moment) < 10 for one in told)
        # What was used is used, also for the ledger, and who was part-way goes on.
        send.knocks(sources[0].replace("192.0.2.", "198.51.100."), w.host4, knocks)
        d.wait_for("replay of keyholder ana")
        send.knocks(w.stranger4, w.host4, KNOCKS[2:])
        d.wait_for(f"{w.stranger4} admitted to ssh")


LEAVING = """
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    leaving: {knocks: [udp/3571, tcp/7193], replayable: true}
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 30s}
  vpn:
    services: [tcp/1194]
    stay: 1h
    leaving: true
    rotating: {pool: 20000-30000, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
"""


def test_who_left_while_reports_were_lost_is_out_all_the_same_and_nobody_else() -> None:
    """By a fixed and by a rotating sequence. Somebody who came back since stays, and so does an admission
    that is not the keyholder's who left there."""
    with (
        world() as w,
        daemon(w.host, LEAVING, keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
    ):
        knocks = sequence()
        out = [str(one) for one in leaving(SECRET, "vpn", RULE, int(time.time()) // STEP).knocks]
        send.knocks(w.stranger4, w.host4, knocks)
        for source in (w.stranger4, "192.0.2.7", "192.0.2.8", "192.0.2.9"):
            send.knocks(source, w.host4, KNOCKS)
        d.verb("admit", "192.0.2.10", "vpn")
        until(lambda: len(d.status()["admissions"]) == 6)
        with deaf(d):
            for source in crowd(300):
                send.knock(source, w.host4, KNOCKS[0])
            send.knocks(w.stranger4, w.host4, out)
            for source in ("192.0.2.7", "192.0.2.8", "192.0.2.10"):
                send.knocks(source, w.host4, ["udp/3571", "tcp/7193"])
            time.sleep(0.5)
            send.knocks("192.0.2.8", w.host4, KNOCKS)
        stays = {(w.stranger4, "ssh"), ("192.0.2.8", "ssh"), ("192.0.2.9", "ssh"), ("192.0.2.10", "vpn")}
        until(lambda: {(one["source"], one["door"]) for one in d.status()["admissions"]} == stays)
        assert tcp_state(w.stranger, w.host4, 1194) == "filtered"
        assert d.log.count("ended: left") == 2


def test_a_full_record_of_uses_admits_nobody_and_is_told() -> None:
    with (
        world() as w,
        daemon(w.host, CONFIG + ROTATING, keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
    ):
        d.kill()  # a table with an owner is changed by nobody else
        numbers = iter(range(1 << 24, (1 << 24) + 65536))
        for _ in range(16):
            some = ", ".join(f"{next(numbers)} timeout 1h" for _ in range(4096))
            w.host.nft(f"add element inet portress spent {{ {some} }}")
        d.start()
        time.sleep(3)  # as above
        send.knocks(w.stranger4, w.host4, sequence())
        d.wait_for("1 rotating sequence refused: the guard's record of uses is full")
        assert tcp_state(w.stranger, w.host4, 1194) == "filtered"
        assert d.status()["admissions"] == []
        send.knocks(w.stranger4, w.host4, KNOCKS)
        d.wait_for(f"{w.stranger4} admitted to ssh")


PRIORITIES = """
table inet marking {
  counter kept { }
  chain before {
    type filter hook prerouting priority -299;
    meta priority set 1:20
  }
  chain after {
    type filter hook prerouting priority -140; policy accept;
    meta priority 1:20 counter name kept
  }
}
"""


def counted(w: World, name: str, table: str = "portress") -> int:
    told = json.loads(w.host.run(["nft", "-j", "list", "counter", "inet", table, name]).stdout)
    return int(next(one["counter"]["packets"] for one in told["nftables"] if "counter" in one))


def test_where_the_host_gives_every_packet_a_priority_knocks_count_however_many_come() -> None:
    """Hundreds of sources within a second, among packets that are no knocks; each packet keeps its own."""
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        w.host.nft(PRIORITIES)
        sources = [*crowd(200), *crowd(200, 6)]
        for source in sources:
            host = w.host6 if ":" in source else w.host4
            send.knocks(source, host, [KNOCKS[0], KNOCKS[1], KNOCKS[0], KNOCKS[2], "tcp/9999"])
        until(lambda: len(d.status()["admissions"]) == len(sources))
        assert counted(w, "priorities_full") == 0
        assert counted(w, "kept", "marking") >= 5 * len(sources)


def test_where_no_priority_can_be_kept_a_packet_is_no_knock_and_keeps_its_own() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        d.kill()  # a table with an owner is changed by nobody else
        for first in range(16):
            some = ", ".join(f"10.{first}.{at >> 8}.{at & 255} timeout 1h : 7" for at in range(4096))
            w.host.nft(f"add element inet portress priorities_4 {{ {some} }}")
        d.start()
        time.sleep(3)  # from its first round of housekeeping on it tells what is new
        send.knocks(w.stranger4, w.host4, KNOCKS)
        d.wait_for(f"{w.stranger4} admitted to ssh")  # without a priority nothing is to be kept
        w.host.nft(PRIORITIES)
        kept = counted(w, "kept", "marking")
        send.knocks("192.0.2.7", w.host4, KNOCKS)
        send.knocks("192.0.2.8", w.host4, KNOCKS)
        until(lambda: counted(w, "priorities_full") == 6)
        assert counted(w, "kept", "marking") >= kept + 6
        d.wait_for("packet", "not judged: no room to keep the priority that the host gave")
        send.knocks(w.stranger6, w.host6, KNOCKS)  # the other family has room of its own
        d.wait_for("admitted to ssh", "2001:db8:1:")
        assert len(d.status()["admissions"]) == 2


def test_a_source_that_begins_hundreds_of_times_a_second_is_in_its_own_way_alone_and_not_for_long() -> None:
    """What is deleted from a map stays in the way of the same source until the kernel has cleared it away: 16
    places of one source are all that it looks through (RHT_ELASTICITY, lib/rhashtable.c)."""
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        for _ in range(300):
            send.knocks(w.stranger4, w.host4, [*KNOCKS[:2], "tcp/9999"])
        send.knocks("192.0.2.7", w.host4, KNOCKS)
        d.wait_for("192.0.2.7 admitted to ssh")
        time.sleep(3)
        full = counted(w, "callers_full")
        send.knocks(w.stranger4, w.host4, KNOCKS)
        d.wait_for(f"{w.stranger4} admitted to ssh")
        assert counted(w, "callers_full") == full


def test_twenty_people_behind_one_address_all_get_through_within_a_second() -> None:
    """80 right moves of one source: many more than the 16 places that the kernel looks through, but each time
    it finds them taken it makes the table anew (rhashtable_insert_rehash, lib/rhashtable.c)."""
    secrets = [bytes([number] * 20) for number in range(20)]
    holders = "".join(
        f"- {{name: holder{number:02}, doors: [vpn], secret: {to_base32(secret)}, style: derived}}\n"
        for number, secret in enumerate(secrets)
    )
    with (
        world() as w,
        daemon(w.host, CONFIG + ROTATING, keyholders=holders) as d,
        sender(w.stranger) as send,
    ):
        for one in (sequence(secret) for secret in secrets):
            send.knocks(w.stranger4, w.host4, one, pause=0.005)
        for number in range(20):
            d.wait_for(f"to vpn for 1h, keyholder holder{number:02}")
        assert counted(w, "callers_full") == 0


def test_callers_too_many_to_be_read_are_known_by_what_is_reported_and_read_when_they_are_fewer() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        send.knocks(w.stranger4, w.host4, KNOCKS[:2])
        until(lambda: len(d.status()["callers"]) == 1)
        d.kill()
        for first in range(13):
            some = ", ".join(f"10.{first}.{at >> 8}.{at & 255} timeout 1h : 3" for at in range(4096))
            w.host.nft(f"add element inet portress at_4 {{ {some} }}")
        d.start()
        assert d.status()["callers"] == []
        send.knocks(w.stranger4, w.host4, KNOCKS[2:])
        d.wait_for(f"{w.stranger4} admitted to ssh")
        d.kill()
        w.host.nft("flush map inet portress at_4")
        d.start()
        with deaf(d):
            for source in crowd(300):
                send.knock(source, w.host4, KNOCKS[0])
        until(lambda: len(d.status()["callers"]) == 300)


def test_first_knocks_that_come_too_fast_have_a_second_and_keep_nobody_out() -> None:
    """A thousand a second from forged sources, each new, for ten seconds: with the whole gap they would fill
    the table of 6,000 in six. Whoever pauses no longer than our own client gets in at the first try."""
    text = CONFIG.replace("doors:", "callers: 1000\ndoors:", 1)
    forged = iter(crowd(10_000, 6))
    honest = crowd(30)
    with world() as w, daemon(w.host, text) as d, sender(w.another) as pour, sender(w.stranger) as send:
        begun = time.monotonic()
        for number in range(100):
            for _ in range(100):
                pour.knock(next(forged), w.host6, KNOCKS[0])
            if number >= 70:
                send.knocks(honest[number - 70], w.host4, KNOCKS, pause=0.02)
            time.sleep(max(0.0, begun + (number + 1) / 10 - time.monotonic()))
        until(lambda: {one["source"] for one in d.status()["admissions"]} == set(honest))
        counters = json.loads(w.host.run(["nft", "-j", "list", "counters"]).stdout)["nftables"]
        packets = {one["counter"]["name"]: one["counter"]["packets"] for one in counters if "counter" in one}
        assert packets["callers_full"] == 0 and packets["hurried"] > 5000


def test_knocks_inside_count_for_nothing_and_nobody_inside_is_kept_out() -> None:
    text = CONFIG.replace("doors:", "inside: [eth1]\ndoors:", 1)
    with world() as w, daemon(w.host, text) as d, sender(w.another) as within, sender(w.stranger) as send:
        assert tcp_state(w.another, w.host4, 22) == "closed"
        # Half of it from inside, half from outside: there is no caller.
        within.knocks(w.stranger4, w.host4, KNOCKS[:2])
        send.knocks(w.stranger4, w.host4, KNOCKS[2:])
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        within.knocks(w.stranger4, w.host4, KNOCKS)
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        assert d.status()["admissions"] == []
        send.knocks(w.stranger4, w.host4, KNOCKS)
        d.wait_for(f"{w.stranger4} admitted to ssh")


def test_a_knock_without_a_daemon_shortens_no_longer_admission_and_renews_it_in_the_end() -> None:
    text = CONFIG.replace("stay: 1h", "stay: 5s")
    with world() as w, daemon(w.host, text) as d, sender(w.stranger) as send:
        d.verb("admit", w.stranger4, "ssh", "--for", "14s")
        d.verb("admit", w.stranger6, "ssh", "--for", "1h")
        d.verb("dismiss", w.stranger6)
        begun = time.monotonic()
        d.kill()
        send.knocks(w.stranger4, w.host4, KNOCKS)
        send.knocks(w.stranger6, w.host6, KNOCKS)
        time.sleep(8)
        # Longer than the stay, and the longer admission that was ended is none any more.
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
        assert tcp_state(w.stranger, w.host6, 22) == "filtered"
        time.sleep(max(0.0, begun + 11 - time.monotonic()))
        send.knocks(w.stranger4, w.host4, KNOCKS)  # less than the stay is left: it begins again
        time.sleep(max(0.0, begun + 14.7 - time.monotonic()))
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
        time.sleep(max(0.0, begun + 17.5 - time.monotonic()))
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"


def test_guard_without_a_daemon_and_with_other_sequences_gives_nobody_anothers_place() -> None:
    """Nodes are numbers: what a number meant in the guard before is not what it means in the next."""
    other = CONFIG.replace("tcp/4617, udp/2953, tcp/6381", "tcp/7101, tcp/7102, tcp/7103")
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        d.kill()
        send.knocks(w.stranger4, w.host4, KNOCKS[:2])
        d.configure(other)
        d.verb("guard")
        send.knocks(w.stranger4, w.host4, ["tcp/7103"])
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        send.knocks(w.stranger4, w.host4, ["tcp/7101", "tcp/7102", "tcp/7103"])
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
