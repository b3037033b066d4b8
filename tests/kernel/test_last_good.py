"""A daemon whose files cannot be used at its start goes on with what was last in force, if it was told to."""

from __future__ import annotations

import contextlib
import socket
import time

import pytest

from kernel.test_keyholders_in_force import RULE, entry, let_in, secret
from lab import World, daemon, sender, tcp_state, world
from lab.portress import Daemon
from lab.space import LabError
from portress.clock import STEP
from portress.sequence.rotating import derive
from portress.watch.packet import PacketWatcher

CONFIG = """\
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 5s}
  vpn:
    services: [tcp/8443]
    stay: 1h
    rotating: {pool: 20000-49999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
"""
BAD = CONFIG.replace("tcp/22", "tcp/twentytwo")
RIGHT = ["tcp/4617", "udp/2953", "tcp/6381"]
LATER = ["tcp/7301", "udp/9542", "tcp/8320"]


def knock(w: World, d: Daemon, knocks: list[str] = RIGHT, door: str = "ssh") -> None:
    since = len(d.lines)
    with sender(w.stranger) as send:
        send.knocks(w.stranger4, w.host4, knocks)
    d.wait_for("admitted", door, w.stranger4, since=since)


def again(d: Daemon, *words: str) -> None:
    d.terminate()
    d.lines.clear()
    d.start(*words)


def test_a_bad_configuration_at_the_start_leaves_the_last_one_in_force() -> None:
    with world() as w, daemon(w.host, CONFIG, words=["--last-good"]) as d:
        d.verb("admit", w.another4, "ssh")
        d.configure(BAD)
        again(d, "--last-good")
        assert "portress.yaml:3: doors.ssh.services[0]: 'tcp/twentytwo'" in d.wait_for("error: ", "twentytwo")
        d.wait_for("running the last good configuration", str(d.state / "last-good.yaml"))
        assert d.status()["config"] == str(d.state / "last-good.yaml")
        assert (d.socket.parent / "last-good").exists()
        assert tcp_state(w.another, w.host4, 22) == "closed"
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        knock(w, d)
        assert tcp_state(w.stranger, w.host4, 22) == "closed"
        d.configure(CONFIG.replace("4617", "7301").replace("2953", "9542").replace("6381", "8320"))
        d.reload()
        d.wait_for("reloaded")
        assert d.status()["config"] == str(d.config)
        assert not (d.socket.parent / "last-good").exists()
        d.verb("dismiss", w.stranger4)
        knock(w, d, LATER)


def test_a_reload_is_what_the_next_start_goes_back_to_and_a_refused_one_is_not() -> None:
    with world() as w, daemon(w.host, CONFIG, words=["--last-good"]) as d:
        d.configure(CONFIG.replace("4617", "7301").replace("2953", "9542").replace("6381", "8320"))
        d.reload()
        d.wait_for("reloaded")
        d.configure(BAD)
        d.reload()
        d.wait_for("twentytwo")
        d.kill()
        d.start("--last-good")
        knock(w, d, LATER)
        assert (d.state / "last-good.yaml").stat().st_mode & 0o777 == 0o600


def test_without_being_told_to_a_bad_configuration_ends_the_start() -> None:
    with world() as w, daemon(w.host, CONFIG, words=["--last-good"]) as d:
        d.configure(BAD)
        d.terminate()
        with pytest.raises(LabError):
            d.start()
        assert d.process is not None and d.process.returncode == 1
        d.configure(CONFIG)
        d.start()
        d.configure(BAD)
        d.terminate()
        (d.state / "last-good.yaml").unlink()
        with pytest.raises(LabError):
            d.start("--last-good")


def test_a_daemon_that_was_not_told_to_keeps_no_copy() -> None:
    with world() as w, daemon(w.host, CONFIG) as d:
        d.reload()
        d.wait_for("reloaded")
        assert not (d.state / "last-good.yaml").exists()


def test_with_keyholders_that_cannot_be_read_fixed_sequences_open_and_admissions_stay() -> None:
    with world() as w, daemon(w.host, CONFIG, keyholders=entry("ana", "vpn"), words=["--last-good"]) as d:
        let_in(w, d, "ana")
        (d.folder / "keyholders.yaml").chmod(0o644)
        again(d, "--last-good")
        d.wait_for("mode 0644")
        d.wait_for("running without keyholders")
        assert [one["keyholder"] for one in d.status()["admissions"]] == ["ana"]
        knock(w, d)
        (d.folder / "keyholders.yaml").chmod(0o600)
        d.reload()
        d.wait_for("reloaded")
        assert d.status()["keyholders"] == 1 and not (d.socket.parent / "last-good").exists()
        assert {one["keyholder"] for one in d.status()["admissions"]} == {"ana", None}


def test_the_sequence_a_keyholder_used_before_stays_used() -> None:
    with world() as w, daemon(w.host, CONFIG, keyholders=entry("ana", "vpn"), words=["--last-good"]) as d:
        used = [str(one) for one in derive(secret("ana"), "vpn", RULE, int(time.time() // STEP)).knocks]
        with sender(w.stranger) as send:
            send.knocks(w.stranger4, w.host4, used)
        d.wait_for("admitted to vpn", "ana")
        (d.folder / "keyholders.yaml").write_text("- what is this")
        again(d, "--last-good")
        d.wait_for("running without keyholders")
        (d.folder / "keyholders.yaml").write_text(entry("ana", "vpn"))
        d.reload()
        d.wait_for("reloaded")
        with sender(w.another) as send:
            send.knocks(w.another4, w.host4, used)
        d.wait_for(w.another4, "used")
        assert [one["source"] for one in d.status()["admissions"]] == [w.stranger4]


def test_a_watcher_that_cannot_be_had_leaves_the_last_one_in_force() -> None:
    with world() as w, daemon(w.host, CONFIG, words=["--last-good"]) as d:
        d.configure(f"group: 7600\n{CONFIG}")
        with contextlib.closing(d.ns.call(PacketWatcher(7600, time.monotonic_ns).__enter__)):
            again(d, "--last-good")
            d.wait_for("7600")
            d.wait_for("running the last good configuration")
            knock(w, d)
            d.terminate()
            with pytest.raises(LabError):
                d.start()


def test_metrics_that_cannot_be_served_keep_nobody_out() -> None:
    with world() as w, daemon(w.host, CONFIG, start=False) as d, w.host.enter():
        taken = socket.create_server(("127.0.0.1", 9753))
        d.configure(CONFIG + 'metrics: {listen: "127.0.0.1:9753"}\n')
        with taken:
            with pytest.raises(LabError):
                d.start()
            d.start("--last-good")
            d.wait_for("running without metrics", "9753")
            knock(w, d)


def test_the_metrics_say_that_what_was_last_good_is_in_force() -> None:
    metered = CONFIG + 'metrics: {listen: "127.0.0.1:9753"}\n'
    with world() as w, daemon(w.host, metered, words=["--last-good"]) as d:
        scrape = ["curl", "--silent", "--fail", "http://127.0.0.1:9753/metrics"]
        assert "portress_as_configured 1.0" in w.host.run(scrape).stdout
        d.configure(BAD)
        again(d, "--last-good")
        assert "portress_as_configured 0.0" in w.host.run(scrape).stdout
        d.configure(metered)
        d.reload()
        d.wait_for("reloaded")
        assert "portress_as_configured 1.0" in w.host.run(scrape).stdout
