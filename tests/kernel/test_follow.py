"""`portress follow`: events and knocks as they happen, for those who may know them."""

from __future__ import annotations

import contextlib
import json
import queue
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from lab import as_nobody, daemon, sender, world
from lab.portress import REPOSITORY, Daemon

CONFIG = """\
doors:
  ssh:
    services: [tcp/22]
    stay: 2s
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 5s}
  web:
    services: [tcp/443]
    fixed: {knocks: [tcp/5117, udp/5953], gap: 5s}
"""
SSH = ("tcp/4617", "udp/2953", "tcp/6381")
WEB = ("tcp/5117", "udp/5953")


class Followed:
    """The lines of a `portress follow` that runs."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self._lines: queue.Queue[str] = queue.Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.put(line)

    def next(self) -> str:
        return self._lines.get(timeout=10)

    def json(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.next())
        return found

    def nothing(self, seconds: float = 0.3) -> bool:
        time.sleep(seconds)
        return self._lines.empty()


@contextlib.contextmanager
def following(d: Daemon, *words: str) -> Iterator[Followed]:
    program = [str(Path(sys.prefix, "bin", "portress")), "follow", *d.options, *words]
    process = d.ns.popen(program, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    try:
        before = time.monotonic() + 10
        while d.status()["followers"] == 0:
            assert time.monotonic() < before and process.poll() is None
        yield Followed(process)
    finally:
        process.terminate()
        process.wait()


def test_events_come_as_they_happen_with_the_journals_fields() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, following(d, "--json") as f, sender(w.stranger) as send:
        send.knocks(w.stranger4, w.host4, SSH, 0.02)
        event = f.json()
        assert (event["PORTRESS_EVENT"], event["PORTRESS_DOOR"]) == ("admitted", "ssh")
        assert event["PORTRESS_SOURCE"] == w.stranger4 and event["PRIORITY"] == "5"
        assert len(event["MESSAGE_ID"]) == 32 and w.stranger4 in event["MESSAGE"]
        assert event["time"].endswith("Z") and event["time"][10] == "T"
        ended = f.json()
        assert (ended["PORTRESS_EVENT"], ended["PORTRESS_ENDING"]) == ("ended", "expired")


def test_what_is_not_asked_for_is_not_told() -> None:
    with (
        world() as w,
        daemon(w.host, CONFIG) as d,
        following(d, "--json", "--event", "admitted", "--event", "advanced", "--door", "web") as f,
        sender(w.stranger) as send,
    ):
        send.knocks(w.stranger4, w.host4, SSH, 0.02)
        assert f.nothing()
        send.knocks(w.stranger4, w.host4, WEB, 0.02)
        assert [f.json()["PORTRESS_EVENT"] for _ in range(2)] == ["advanced", "admitted"]
        assert "advanced" not in d.log and "1 of 2 knocks right" not in d.log  # asked for here alone


def test_each_knock_is_shown_to_root_with_what_came_of_it() -> None:
    with (
        world() as w,
        daemon(w.host, CONFIG) as d,
        following(d, "--knocks", "--json") as f,
        sender(w.stranger) as send,
    ):
        send.knocks(w.stranger4, w.host4, [*SSH[:2], "tcp/6382"], 0.02)
        one, two, wrong = (f.json() for _ in range(3))
        assert (one["PORTRESS_KNOCK"], one["PORTRESS_RIGHT"], one["PORTRESS_OF"]) == ("tcp/4617", "1", "3")
        assert two["MESSAGE"] == f"{w.stranger4}: udp/2953: 2 of 3 knocks right (ssh)"
        assert (wrong["PORTRESS_VERDICT"], wrong["PORTRESS_KNOCK"]) == ("missed", "tcp/6382")


def test_others_follow_events_without_ports_and_no_knocks() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        d.folder.chmod(0o755)
        d.socket.chmod(0o666)
        program = [str(Path(sys.prefix, "bin", "portress")), "follow", *d.options]
        refused = subprocess.run(
            as_nobody([*program, "--knocks"]), capture_output=True, text=True, timeout=30
        )
        assert (refused.returncode, refused.stdout) == (1, "")
        assert refused.stderr.strip().endswith("only root may follow knocks: they show the sequences")
        process = subprocess.Popen(as_nobody(program), stdout=subprocess.PIPE, text=True)
        try:
            f = Followed(process)
            while d.status()["followers"] == 0:
                time.sleep(0.05)
            send.knocks(w.stranger4, w.host4, SSH, 0.02)
            assert "admitted to ssh" in f.next()
            d.configure(CONFIG.replace("udp/2953", "tcp/4617"))
            d.reload()
            told = f.next() + f.next()
            assert "4617" not in told
        finally:
            process.kill()
            process.wait()


def test_a_word_that_is_no_event_or_door_is_refused_in_one_line() -> None:
    with world() as w, daemon(w.host, CONFIG) as d:
        for words, told in (
            (("--event", "admited"), "'admited': no such event; there are"),
            (("--door", "sssh"), "sssh"),
        ):
            done = d.verb("follow", *words, check=False)
            assert done.returncode == 1 and told in done.stderr and len(done.stderr.splitlines()) == 1


def test_a_follower_that_reads_nothing_costs_nobody_anything() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        with contextlib.ExitStack() as stack:
            for _ in range(8):
                one = stack.enter_context(socket.socket(socket.AF_UNIX))
                one.connect(str(d.socket))
                one.sendall(b'{"do": "follow", "knocks": true}\n')
            deadline = time.monotonic() + 10
            while d.status()["followers"] < 8:
                assert time.monotonic() < deadline
            for _ in range(60):
                send.knocks(w.stranger4, w.host4, ["tcp/4617", "tcp/9"] * 200, 0)
            send.knocks(w.another4, w.host4, SSH, 0.05)
            d.wait_for(f"{w.another4} admitted")
        deadline = time.monotonic() + 10
        while d.status()["followers"]:  # hung up: forgotten
            assert time.monotonic() < deadline


def test_when_the_daemon_ends_so_does_following() -> None:
    with world() as w, daemon(w.host, CONFIG) as d, following(d) as f:
        d.terminate()
        assert f.process.wait(10) == 1
        lines = []
        with contextlib.suppress(queue.Empty):
            while True:
                lines.append(f._lines.get(timeout=1))
        assert lines[-1] == "portress: the daemon has ended\n"


@pytest.mark.parametrize("unit", sorted((REPOSITORY / "config/notifications").glob("*.service")), ids=str)
def test_the_units_for_notifications_are_loaded_by_systemd(unit: Path, tmp_path: Path) -> None:
    copy = tmp_path / unit.name
    shutil.copy(unit, copy)
    (tmp_path / "portress.service").write_text("[Service]\nExecStart=/bin/true\n")
    user = ["--user"] if "desktop" in unit.name else []
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *user, str(copy)],
        capture_output=True,
        text=True,
        env={"SYSTEMD_UNIT_PATH": f"{tmp_path}:", "PATH": "/usr/bin:/bin", "XDG_RUNTIME_DIR": str(tmp_path)},
        timeout=60,
    )
    assert copy.name not in done.stderr, done.stderr
