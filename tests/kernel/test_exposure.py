"""What is said of doors that are in fact open to strangers: by status, the service's line and the metrics.

Each case is proved open with a stranger's own SYN (the independent check), and said within seconds.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from kernel.patient import CONFIG
from kernel.test_metrics import scraped
from lab import Daemon, World, daemon, service, world
from lab.probe import tcp_state

METERED = CONFIG + 'metrics: {listen: "127.0.0.1:9753"}\n'
ROUND = """
table ip other {
  chain prerouting { type nat hook prerouting priority -100; tcp dport 2222 redirect to :22; }
}
"""
BEFORE = """
table ip other {
  chain prerouting { type filter hook prerouting priority -310; tcp dport 22 tcp dport set 2222; }
  chain output { type filter hook output priority -310; tcp sport 2222 tcp sport set 22; }
}
"""
NAT_BEFORE = ROUND.replace("-100", "-180").replace("2222 redirect to :22", "22 redirect to :2222")


@pytest.fixture
def w() -> Iterator[World]:
    with world() as made:
        yield made


def within(seconds: float, holds: Callable[[], bool]) -> bool:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if holds():
            return True
        time.sleep(0.1)
    return holds()


def is_said(made: Daemon, why: str) -> bool:
    """Whether status (for people and programs) and metrics say that the door is open, and why."""
    text = " ".join(made.verb("status").stdout.split())
    opened = made.status()["guard"]["open"]
    gauge = scraped(made)['portress_door_unguarded{door="ssh"}']
    return "UNGUARDED" in text and gauge == 1 and why in opened.get("ssh", "nothing") and why in text


def nothing_is_said(made: Daemon) -> bool:
    return not made.status()["guard"]["open"] and "UNGUARDED" not in made.verb("status").stdout


def test_a_closed_door_is_not_called_open(w: World) -> None:
    with service(w.host, "tcp/22"), daemon(w.host, METERED) as made:
        made.wait_for("ready")
        time.sleep(1.5)
        assert nothing_is_said(made)
        assert scraped(made)['portress_door_unguarded{door="ssh"}'] == 0
        assert tcp_state(w.stranger, World.host4, 22) == "filtered"


def test_a_way_round_that_others_make_and_take_away_is_said_as_it_comes_and_goes(w: World) -> None:
    with service(w.host, "tcp/22"), daemon(w.host, METERED) as made:
        w.host.nft(ROUND)
        assert tcp_state(w.stranger, World.host4, 2222) == "open"
        assert within(5, lambda: is_said(made, "tcp/2222 leads to tcp/22"))
        made.wait_for("unguarded: ssh open to strangers: tcp/2222 leads to tcp/22")
        w.host.nft("delete table ip other")
        assert within(5, lambda: nothing_is_said(made))
        made.wait_for("guarded again: ssh")


def test_a_translation_before_the_guard_is_said(w: World) -> None:
    with service(w.host, "tcp/2222"), daemon(w.host, METERED) as made:
        w.host.nft(BEFORE)
        assert tcp_state(w.stranger, World.host4, 22) == "open"
        assert within(5, lambda: is_said(made, "translated before the guard"))


def test_a_nat_chain_comes_after_the_guard_whatever_priority_it_names(w: World) -> None:
    with service(w.host, "tcp/2222"), daemon(w.host, METERED) as made:
        w.host.nft(NAT_BEFORE)
        assert tcp_state(w.stranger, World.host4, 22) == "filtered"
        time.sleep(1.5)
        assert nothing_is_said(made)


def test_a_guard_taken_away_by_command_is_said_and_its_return_too(w: World) -> None:
    with service(w.host, "tcp/22"), daemon(w.host, METERED) as made:
        made.verb("unguard")
        assert within(5, lambda: is_said(made, ""))
        made.verb("guard")
        assert within(5, lambda: nothing_is_said(made))


def test_a_guard_switched_off_by_others_is_switched_on_again(w: World) -> None:
    """Where the daemon does not own the table: the flag dormant takes every hook away (nft(8))."""
    with service(w.host, "tcp/22"), daemon(w.host, METERED) as made:
        if made.ns.run(["nft", "add table inet portress { flags dormant; }"], check=False).returncode:
            return  # the kernel refuses others the owned table
        assert within(5, lambda: tcp_state(w.stranger, World.host4, 22) == "filtered")
        assert within(5, lambda: nothing_is_said(made))


def test_systemd_is_told(w: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """STATUS= of sd_notify(3) is what `systemctl status` shows."""
    told: list[str] = []
    with _notified(tmp_path / "notify", told) as address:
        monkeypatch.setenv("NOTIFY_SOCKET", address)
        with service(w.host, "tcp/22"), daemon(w.host, METERED):
            w.host.nft(ROUND)
            assert within(6, lambda: any("STATUS=UNGUARDED: ssh open to strangers" in one for one in told))


@contextmanager
def _notified(path: Path, told: list[str]) -> Iterator[str]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(path))
        heard.settimeout(0.2)
        ended = threading.Event()

        def listen() -> None:
            while not ended.is_set():
                try:
                    told.append(heard.recv(8192).decode())
                except TimeoutError:
                    continue

        thread = threading.Thread(target=listen)
        thread.start()
        try:
            yield str(path)
        finally:
            ended.set()
            thread.join()


def test_a_name_of_an_interface_that_is_wrong_leaves_the_door_closed(w: World) -> None:
    """The name of another host's interface: what is not named is guarded."""
    with service(w.host, "tcp/22"), daemon(w.host, METERED + "inside: [ens3]\n") as made:
        assert tcp_state(w.stranger, World.host4, 22) == "filtered"
        assert tcp_state(w.another, World.host4, 22) == "filtered"
        time.sleep(1.5)
        assert nothing_is_said(made)
        assert scraped(made)['portress_door_unguarded{door="ssh"}'] == 0


def test_an_interface_inside_by_which_the_whole_world_comes_is_said(w: World) -> None:
    """The name was right until the default route came by it, as after a change of the network."""
    with service(w.host, "tcp/22"), daemon(w.host, METERED + "inside: [eth0]\n") as made:
        assert tcp_state(w.another, World.host4, 22) == "filtered"
        assert within(5, lambda: nothing_is_said(made))
        w.host.ip(f"route add default via {World.stranger4}")
        assert tcp_state(w.stranger, World.host4, 22) == "open"
        assert within(10, lambda: is_said(made, "eth0"))
        w.host.ip("route del default")
        assert within(10, lambda: nothing_is_said(made))
