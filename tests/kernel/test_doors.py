"""Doors on a real kernel: shut to strangers, open to those who knocked, in every shape a door may have."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from threading import Event, Thread

import pytest

from lab import crowd, daemon, owned, portress, sender, service, sshd, tcp_state, udp_state, until, world
from lab.portress import Daemon
from lab.worlds import World

RIGHT = ["tcp/4617", "udp/2953", "tcp/6381"]
FIXED = "fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 5s}"


def config(door: str = "", top: str = "") -> str:
    """A configuration with one door, ssh, and more keys of the door and of the whole."""
    door = f"    {door}\n" if door else ""
    stay = "" if "stay:" in door else "    stay: 1h\n"
    services = "" if "services:" in door else "    services: [tcp/22]\n"
    return f"{top}\ndoors:\n  ssh:\n{services}{stay}{door}    {FIXED}\n"


def admitted(d: Daemon) -> set[str]:
    return {one["source"] for one in d.status()["admissions"]}


@pytest.mark.parametrize("family", [4, 6])
def test_a_stranger_meets_a_shut_door_and_the_right_knocks_open_it(family: int) -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, config()) as d, sender(w.stranger) as send:
        host, stranger = (w.host4, w.stranger4) if family == 4 else (w.host6, w.stranger6)
        assert tcp_state(w.stranger, host, 22) == "filtered"
        send.knocks(stranger, host, RIGHT)
        d.wait_for("admitted", stranger)
        assert tcp_state(w.stranger, host, 22) == "open"
        assert tcp_state(w.another, host, 22) == "filtered"
        assert admitted(d) == {stranger}


def test_the_log_names_source_door_and_stage_and_never_a_port_of_a_sequence() -> None:
    with world() as w, daemon(w.host, config()) as d, sender(w.stranger) as send:
        send.knocks(w.stranger4, w.host4, ["tcp/4617", "udp/2953", "tcp/9999"])
        assert "198.51.100.10 missed after 2 of 3 knocks right (ssh)" in d.wait_for("missed")
        send.knocks(w.stranger4, w.host4, RIGHT)
        assert "198.51.100.10 admitted to ssh for 1h" in d.wait_for("admitted")
        send.knocks(w.another4, w.host4, ["tcp/4617"])
        assert f"{w.another4} expired after 1 of 3 knocks right (ssh)" in d.wait_for("expired")
        for port in ("4617", "2953", "6381"):
            assert port not in d.log


def test_the_stay_ends_and_what_is_under_way_goes_on() -> None:
    with world() as w, sshd(w.host) as server, daemon(w.host, config("stay: 3s")) as d:
        d.verb("admit", w.stranger4, "ssh")
        session = server.session(w.stranger, w.host4)
        assert session.stdin and session.stdout
        session.stdin.write("one\n")
        assert session.stdout.readline() == "one\n"
        d.wait_for("ended: expired")
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        session.stdin.write("two\n")
        assert session.stdout.readline() == "two\n"
        session.kill()


def test_without_linger_sessions_end_with_the_admission() -> None:
    with (
        world() as w,
        sshd(w.host) as server,
        daemon(w.host, config("{stay: 4s, linger: false}"[1:-1].replace(", ", "\n    "))) as d,
    ):
        d.verb("admit", w.stranger4, "ssh")
        session = server.session(w.stranger, w.host4)
        assert session.stdin and session.stdout
        session.stdin.write("one\n")
        assert session.stdout.readline() == "one\n"
        assert "flow cut" in d.wait_for("ended: expired")
        assert session.wait(10) != 0
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"


def test_dismissing_cuts_what_is_under_way() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, config()) as d:
        d.verb("admit", w.stranger4, "ssh")
        assert tcp_state(w.stranger, w.host4, 22) == "open"
        assert "dismissed from ssh" in d.verb("dismiss", w.stranger4).stdout
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        again = d.verb("dismiss", w.stranger4, check=False)
        assert again.returncode == 1 and again.stderr == "portress: 198.51.100.10 is not admitted\n"


@pytest.mark.parametrize("running", [True, False])
def test_dismissing_also_cuts_what_outlived_the_admission(running: bool) -> None:
    with world() as w, sshd(w.host) as server, daemon(w.host, config("stay: 3s")) as d:
        d.verb("admit", w.stranger4, "ssh")
        session = server.session(w.stranger, w.host4)
        assert session.stdin and session.stdout
        session.stdin.write("one\n")
        assert session.stdout.readline() == "one\n"
        d.wait_for("ended: expired")
        if not running:
            d.terminate()
        told = d.verb("dismiss", w.stranger4, "ssh").stdout
        assert told == "198.51.100.10 is not admitted to ssh any more; 1 flow that outlived it cut\n"
        assert session.wait(10) != 0
        assert d.verb("dismiss", w.stranger4, "ssh", check=False).returncode == 1


@pytest.mark.parametrize("family", [4, 6])
def test_dismissing_ends_a_session_in_which_the_host_does_the_talking(family: int) -> None:
    with world() as w, sshd(w.host) as server, daemon(w.host, config()) as d:
        source, host = (w.stranger4, w.host4) if family == 4 else (w.stranger6, w.host6)
        d.verb("admit", source, "ssh")
        d.verb("admit", w.another4, "ssh")
        other = server.session(w.another, w.host4)
        session = server.session(w.stranger, host, "while :; do echo more; sleep 0.02; done")
        assert session.stdout and session.stdout.readline() == "more\n"
        d.verb("dismiss", source)
        assert session.wait(10) != 0
        assert other.stdin and other.stdout
        other.stdin.write("on\n")
        assert other.stdout.readline() == "on\n"
        assert tcp_state(w.another, w.host4, 22) == "open"
        other.kill()


def test_rejected_a_guarded_port_answers_as_any_closed_one() -> None:
    top = "closed: reject"
    with (
        world() as w,
        service(w.host, "tcp/22"),
        daemon(w.host, config("services: [tcp/22, udp/51820]", top)),
    ):
        for host in (w.host4, w.host6):
            assert tcp_state(w.stranger, host, 22) == tcp_state(w.stranger, host, 23) == "closed"
            assert udp_state(w.stranger, host, 51820) == udp_state(w.stranger, host, 51821) == "closed"


def test_a_range_of_ports_is_guarded_whole_and_its_neighbours_are_not() -> None:
    with world() as w, daemon(w.host, config("services: [tcp/8000-8010, tcp/22]")) as d:
        for port in (22, 8000, 8005, 8010):
            assert tcp_state(w.stranger, w.host4, port) == "filtered"
        for port in (7999, 8011):
            assert tcp_state(w.stranger, w.host4, port) == "closed"
        d.verb("admit", w.stranger4, "ssh")
        assert tcp_state(w.stranger, w.host4, 8010) == "closed"


def test_an_interface_inside_is_not_guarded_and_every_other_is() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, config(top="inside: [eth1]")):
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        assert tcp_state(w.another, w.host4, 22) == "open"
        assert tcp_state(w.host, "127.0.0.1", 22) == "open"


def test_an_interface_that_is_renamed_or_comes_later_is_guarded() -> None:
    """And one that loses the name that is inside is guarded from then on: a name alone lets nobody in."""
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, config(top="inside: [eth1]")):
        w.host.ip("link set eth0 down", "link set eth0 name wan7", "link set wan7 up")
        until(lambda: _reached(w))
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        assert tcp_state(w.another, "198.51.100.65", 22) == "open"
        w.host.ip("link set eth1 down", "link set eth1 name lan7", "link set lan7 up")
        assert tcp_state(w.another, "198.51.100.65", 22) == "filtered"


def _reached(w: World) -> bool:
    """Whether packets of the stranger get to the host again."""
    return tcp_state(w.stranger, w.host4, 23) == "closed"


def test_what_carries_the_default_route_cannot_be_inside_unless_that_is_confirmed() -> None:
    text = config(top="inside: [eth0]")
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, config()) as d:
        w.host.ip(f"route add default via {w.stranger4}")
        d.configure(text)
        for verb in ("check", "guard"):
            done = d.verb(verb, check=False)
            assert done.returncode == 1
            assert "portress.yaml:1: inside[0]: 'eth0': carries the default route" in done.stderr
            assert len(done.stderr.splitlines()) == 1
        d.reload()
        assert "inside[0]" in d.wait_for("carries the default route")
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        d.configure(f"inside_default_route: [eth0]\n{text}")
        since = len(d.lines)
        d.reload()
        d.wait_for("reloaded", since=since)
        until(lambda: tcp_state(w.stranger, w.host4, 22) == "open")
        assert "not guarded: lo, eth0" in d.verb("check").stdout


def test_half_the_addresses_twice_count_as_a_default_route() -> None:
    with world() as w, daemon(w.host, config(top="inside: [eth1]"), guard=False, start=False) as d:
        d.verb("check")
        w.host.ip("route add 128.0.0.0/1 via 198.51.100.70 table 77")
        assert "carries the default route" in d.verb("check", check=False).stderr


def test_without_names_every_interface_but_lo_is_guarded() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, config()):
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        assert tcp_state(w.another, w.host6, 22) == "filtered"
        assert tcp_state(w.host, w.host4, 22) == "open"


def test_who_is_always_let_in_never_needs_to_knock_and_is_no_caller() -> None:
    top = "always: [198.51.100.0/26, '2001:db8:1::/64']\npublic: [tcp/80]"
    with (
        world() as w,
        service(w.host, "tcp/22"),
        service(w.host, "tcp/80"),
        daemon(w.host, config(top=top)) as d,
        sender(w.stranger) as send,
    ):
        assert tcp_state(w.stranger, w.host4, 22) == tcp_state(w.stranger, w.host6, 22) == "open"
        assert tcp_state(w.another, w.host4, 22) == "filtered"
        assert tcp_state(w.another, w.host4, 80) == "open"
        send.knocks(w.stranger4, w.host4, RIGHT)
        time.sleep(0.3)
        assert d.status()["knocks"] == {}


def test_a_packet_to_a_public_or_guarded_port_is_no_knock() -> None:
    with world() as w, daemon(w.host, config(top="public: [tcp/80]")) as d, sender(w.stranger) as send:
        send.knocks(w.stranger4, w.host4, ["tcp/4617", "tcp/80", "udp/2953", "tcp/22", "tcp/6381"])
        d.wait_for("admitted", w.stranger4)


def test_a_whole_prefix_counts_as_one_source() -> None:
    top = "source_prefix: {ipv4: 24, ipv6: 48}"
    with world() as w, daemon(w.host, config(top=top)) as d, sender(w.stranger) as send:
        for source, text in zip(("192.0.2.7", "192.0.2.8", "192.0.2.9"), RIGHT, strict=True):
            send.knock(source, w.host4, text)
        d.wait_for("192.0.2.0/24 admitted")
        six = crowd(3, 6)
        for source, text in zip(six, RIGHT, strict=True):
            send.knock(source, w.host6, text)
        d.wait_for("2001:db8:c::/48 admitted")
        assert d.verb("admit", "198.51.100.70", "ssh").stdout.startswith("198.51.100.0/24 is admitted")
        assert tcp_state(w.another, w.host4, 22) == "closed"


def test_too_many_misses_are_shunned_and_the_right_knocks_then_ignored() -> None:
    top = "misses: {limit: 3, within: 1m, shun: 4s}"
    with (
        world() as w,
        service(w.host, "tcp/22"),
        daemon(w.host, config(top=top)) as d,
        sender(w.stranger) as send,
    ):
        send.knocks(w.stranger4, w.host4, ["tcp/4617", "tcp/1", "tcp/4617", "tcp/2", "tcp/4617", "tcp/3"])
        assert "shunned for 4s after 3 misses within 1m (ssh)" in d.wait_for("shunned", w.stranger4)
        send.knocks(w.stranger4, w.host4, RIGHT)
        time.sleep(0.3)
        assert admitted(d) == set()
        time.sleep(4)
        send.knocks(w.stranger4, w.host4, RIGHT)
        d.wait_for("admitted", w.stranger4)


def test_a_service_behind_destination_nat_is_guarded_and_routed_traffic_is_not_touched() -> None:
    with world(backend=True) as w:
        assert w.backend is not None
        w.forward("tcp", 2222, 22)
        with (
            service(w.backend, "tcp/22"),
            service(w.backend, "tcp/6381"),
            daemon(w.host, config("services: [tcp/2222, tcp/22]")) as d,
            sender(w.stranger) as send,
        ):
            # Routed through the host to the backend's own address: neither a guarded port nor a knock.
            assert tcp_state(w.stranger, w.backend4, 22) == "open"
            assert tcp_state(w.stranger, w.backend4, 6381) == "open"
            for host, stranger in ((w.host4, w.stranger4), (w.host6, w.stranger6)):
                assert tcp_state(w.stranger, host, 2222) == "filtered"
                send.knocks(stranger, host, RIGHT)
                d.wait_for("admitted", stranger)
                assert tcp_state(w.stranger, host, 2222) == "open"
                assert tcp_state(w.another, host, 2222) == "filtered"


def test_knocks_towards_a_host_behind_are_not_counted() -> None:
    with world(backend=True) as w, daemon(w.host, config()) as d, sender(w.stranger) as send:
        send.knocks(w.stranger4, w.backend4, RIGHT)
        time.sleep(0.3)
        assert d.status()["knocks"] == {}


def test_nmap_finds_nothing_and_opens_nothing() -> None:
    """A stranger to the project: nmap's SYN scan of all ports and its UDP scan over the knock ports."""
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, config()) as d:
        scan = ["nmap", "-n", "-Pn", "--max-retries", "1", "-T5"]
        tcp = w.stranger.run([*scan, "-sS", "-p-", w.host4], timeout=120).stdout
        shown = [line.split()[:2] for line in tcp.splitlines() if "/tcp" in line]
        assert shown == [["22/tcp", "filtered"]]
        udp = w.stranger.run(
            [*scan, "-sU", "-p", "9335-9349", "--host-timeout", "20s", w.host4], timeout=60
        ).stdout
        assert "2953/udp" not in udp.replace("2953/udp closed", "").replace("2953/udp open|filtered", "")
        assert admitted(d) == set()
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"


def test_hping3_sees_the_knock_ports_as_any_other_closed_port() -> None:
    """Another stranger: hping3's view of a knock port and of its neighbour, TTL and window included."""
    import re

    def look(port: int) -> str:
        words = ["hping3", "-n", "-S", "-c", "1", "-p", str(port), w.host4]
        told = w.stranger.run(words, check=False, timeout=20).stdout
        match = re.search(r"ttl=(\d+) .*flags=(\w+) seq=0 win=(\d+)", told)
        assert match is not None, told
        return " ".join(match.groups())

    with world() as w, daemon(w.host, config()):
        assert look(4617) == look(4618) == look(6381)


def test_five_hundred_sources_at_once_are_admitted_and_none_else() -> None:
    """Killed in the middle with SIGKILL: the doors stay shut, admissions survive, a restart carries on."""
    with (
        world() as w,
        service(w.host, "tcp/22"),
        daemon(w.host, config(top="callers: 2000")) as d,
        sender(w.stranger) as send,
    ):
        right, wrong = crowd(500)[:250] + crowd(250, 6), crowd(512)[500:]
        first, second = right[::2], right[1::2]

        def knock(sources: list[str], texts: list[str]) -> None:
            for text in texts:
                for source in sources:
                    send.knock(source, w.host6 if ":" in source else w.host4, text)

        knock([*first, *wrong], RIGHT[:1])
        knock(first, RIGHT[1:])
        knock(wrong, [RIGHT[2], RIGHT[1]])
        until(lambda: admitted(d) == set(first))
        d.kill()
        assert tcp_state(w.another, w.host4, 22) == "filtered"
        d.start()
        assert admitted(d) == set(first)
        d.wait_for("250 admissions taken over")
        knock(second, RIGHT)
        until(lambda: admitted(d) == set(right))
        assert tcp_state(w.another, w.host4, 22) == tcp_state(w.stranger, w.host4, 22) == "filtered"
        assert d.status()["lost"] == 0


@pytest.mark.parametrize("decide", ["kernel", "daemon"])
def test_full_callers_keep_out_new_ones_only_and_are_told(decide: str) -> None:
    top = f"decide: {decide}\ncallers: 5"
    with world() as w, daemon(w.host, config(top=top)) as d, sender(w.stranger) as send:
        d.verb("admit", w.another4, "ssh")
        time.sleep(3)  # what was dropped before the first look was under another daemon, for all it knows
        send.knock(w.stranger4, w.host4, RIGHT[0])
        for source in crowd(40):
            send.knock(source, w.host4, RIGHT[0])
        send.knocks(w.stranger4, w.host4, RIGHT[1:])
        d.wait_for("admitted", w.stranger4)
        # Where the kernel decides, there is room for six times as many, most of them for a second.
        assert len(d.status()["callers"]) == (4 if decide == "daemon" else 29)
        assert w.another4 in admitted(d)
        if decide == "kernel":
            d.wait_for("11 first knocks dropped: caller table full")


def test_in_a_flood_of_first_knocks_others_get_in_all_the_same() -> None:
    """From forged sources, each new, far more than callers has room for in a gap."""
    early, ahead, honest, *forged = crowd(120_000, 6)
    text = config(top="decide: daemon\ncallers: 512").replace("gap: 5s", "gap: 60s")
    over = Event()

    def flood() -> None:
        with sender(w.another) as pour:
            for number, source in enumerate(forged):
                if over.is_set():
                    return
                pour.knock(source, w.host6, RIGHT[0])
                if number % 40 == 0:
                    time.sleep(0.01)

    def comes_in() -> bool:
        send.knocks(honest, w.host6, RIGHT, pause=0.01)
        time.sleep(0.1)
        return honest in admitted(d)

    with world() as w, daemon(w.host, text) as d, sender(w.stranger) as send:
        send.knock(early, w.host6, RIGHT[0])
        send.knocks(ahead, w.host6, RIGHT[:2])
        time.sleep(1.2)  # the flood begins in another second
        flooding = Thread(target=flood)
        flooding.start()
        try:
            d.wait_for("dropped: caller table full")
            until(comes_in, 25)
            send.knocks(early, w.host6, RIGHT[1:])
            send.knocks(ahead, w.host6, RIGHT[2:])
            until(lambda: admitted(d) == {honest, early, ahead})
            assert flooding.is_alive()
        finally:
            over.set()
            flooding.join()
        assert d.status()["lost"] == 0


def test_portress_knock_opens_a_door_over_both_families() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, config()) as d:
        w.stranger.run([*_program(), "knock", "--to", w.host4, *RIGHT])
        d.wait_for("admitted", w.stranger4)
        w.stranger.run([*_program(), "knock", "--pause", "20", "--to", w.host6, *RIGHT])
        d.wait_for("admitted", w.stranger6)


def _program() -> list[str]:
    import sys
    from pathlib import Path

    return [str(Path(sys.prefix, "bin", "portress"))]


def test_the_defaults_are_the_trades() -> None:
    """Common practice, no source: 30 s between knocks, a working day, an IPv6 network as one source."""
    text = "doors:\n  ssh:\n    services: [tcp/22]\n    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}\n"
    text += "source_prefix: {}\n"
    with world() as w, daemon(w.host, text) as d, sender(w.stranger) as send:
        assert "ip saddr timeout 30000ms :" in portress(w.host, "rules", "--config", str(d.config)).stdout
        send.knocks(w.stranger4, w.host4, RIGHT)
        assert "for 8h" in d.wait_for("admitted", w.stranger4)
        send.knocks("2001:db8:1::99", w.host6, RIGHT)
        d.wait_for("admitted", "2001:db8:1::/64")
        assert tcp_state(w.stranger, w.host6, 22) == "closed"  # a neighbour of the /64
        assert tcp_state(w.another, w.host6, 22) == "filtered"


TALKER = """
import socket, sys, time
s = socket.socket(socket.AF_INET6 if ":" in sys.argv[1] else socket.AF_INET, socket.SOCK_DGRAM)
s.bind((sys.argv[1], 22))
print("bound", flush=True)
s.settimeout(0.05)
peer = None
while True:
    try:
        said, peer = s.recvfrom(100)
        print(said.decode(), flush=True)
    except TimeoutError:
        pass
    if peer:
        s.sendto(b"still there?", peer)
"""


@pytest.mark.parametrize("family", [4, 6])
@pytest.mark.parametrize("running", [True, False])
def test_dismissing_ends_a_datagram_flow_that_the_host_itself_keeps_alive(running: bool, family: int) -> None:
    with world() as w, daemon(w.host, config("services: [udp/22]")) as d:
        source, host = (w.stranger4, w.host4) if family == 4 else (w.stranger6, w.host6)
        talker = w.host.popen([sys.executable, "-c", TALKER, host], stdout=subprocess.PIPE, bufsize=1)
        heard: list[str] = []
        assert talker.stdout
        Thread(target=lambda: heard.extend(map(str.strip, talker.stdout or ())), daemon=True).start()
        until(lambda: "bound" in heard)
        with w.stranger.call(dial, source, host) as client:

            def arrives(word: str) -> bool:
                end = time.monotonic() + 1.5
                while time.monotonic() < end and word not in heard:
                    client.send(word.encode())
                    time.sleep(0.02)
                return word in heard

            d.verb("admit", source, "ssh")
            assert arrives("one")
            if not running:
                d.terminate()
            d.verb("dismiss", source)
            assert client.recv(100) == b"still there?"  # the host goes on, and so its flow is established
            assert not arrives("two")
            w.host.run(["nft", "flush", "ruleset"] if running else ["true"])
            if running and not owned(w.host):
                d.wait_for("; restored")
            assert not arrives("three")
            if not running:
                d.start()
            assert not arrives("four")
            d.terminate()
            d.verb("admit", source, "ssh")  # straight in the guard: it may keep what outlives this admission
            listed = w.host.run(["nft", "list", "set", "inet", "portress", f"dismissed_{family}"]).stdout
            assert source not in listed
            assert arrives("five")
        talker.kill()


def dial(source: str, host: str) -> socket.socket:
    made = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_DGRAM)
    made.bind((source, 0))
    made.connect((host, 22))
    made.settimeout(3)
    return made
