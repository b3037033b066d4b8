"""`portress begin` in a booted machine: typed over ssh until a login by a knock, and cloud-init's example."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time

import yaml

from lab import scratch, tcp_state
from lab.portress import REPOSITORY
from lab.terminal import left, size
from system.host import host
from system.machine import Machine


def test_the_cloud_init_example_shuts_ssh_and_its_keycard_opens_it() -> None:
    example = yaml.safe_load((REPOSITORY / "config/cloud-init.yaml").read_text())
    _, begin = example["runcmd"]  # the package is installed already
    sample = (REPOSITORY / "systemd/debian/portress.yaml").read_text()
    with host(sample, run=False) as machine:
        begin[begin.index("vpn.example.org")] = machine.host4
        assert tcp_state(machine.stranger, machine.host4, 22) == "open"
        done = machine.run(*begin, timeout=90)
        answer = json.loads(done.stdout)
        assert answer["kept"] and answer["keycards"] == ["/root/admin.keycard"]
        assert answer["saved"] is not None and machine.path(answer["saved"]).read_text() == sample
        assert tcp_state(machine.stranger, machine.host4, 22) != "open"
        card = machine.path("/root/admin.keycard")
        assert card.stat().st_mode & 0o777 == 0o600
        assert json.loads(card.read_text())["secret"] not in done.stdout + done.stderr
        for unit in ("portress.service", "portress-guard.service"):
            assert machine.run("systemctl", "is-enabled", unit).stdout.strip() == "enabled"
        knock = [sys.executable, str(REPOSITORY / "scripts/portress-knock"), str(card)]
        # The first start after a boot refuses rotating sequences until those of before it are over: a minute.
        end = time.monotonic() + 120
        while tcp_state(machine.stranger, machine.host4, 22) != "open":
            assert time.monotonic() < end
            time.sleep(15)
            machine.stranger.run(knock, timeout=60)
        assert tcp_state(machine.another, machine.host4, 22) != "open"


class Typed:
    """Somebody logged in from the stranger, at a terminal of 80 columns."""

    def __init__(self, machine: Machine) -> None:
        self.text, self._seen = "", 0
        words = machine.login.command(machine.host4)
        self._pid, self._fd = pty.fork()
        if self._pid == 0:  # pragma: no cover - the other process
            size(0, 80)
            os.environ["TERM"] = "xterm"
            os.execvp("ip", ["ip", "netns", "exec", machine.stranger.name, words[0], "-tt", *words[1:]])

    def until(self, words: str, seconds: float = 60) -> str:
        """What was printed, from what was seen last to these words."""
        end = time.monotonic() + seconds
        while words not in self.text[self._seen :]:
            assert time.monotonic() < end, f"no {words!r} in:\n{self.text}"
            if select.select([self._fd], [], [], 0.1)[0]:
                with contextlib.suppress(OSError):
                    self.text += os.read(self._fd, 65536).decode(errors="replace")
        begin, self._seen = self._seen, self.text.index(words, self._seen) + len(words)
        return self.text[begin : self._seen]

    def type(self, text: str) -> None:
        os.write(self._fd, f"{text}\n".encode())

    def leave(self) -> None:
        os.close(self._fd)
        with contextlib.suppress(ProcessLookupError):
            os.kill(self._pid, signal.SIGKILL)  # where hanging up is ignored, it would go on
        with contextlib.suppress(ChildProcessError):
            os.waitpid(self._pid, 0)


def copied(machine: Machine, line: str) -> str:
    """A command line as it was printed, with the key and the host key that ssh would have at hand."""
    program, rest = line.split(" ", 1)
    _, *options, _ = machine.login.command(machine.host4, wait=90)
    options[options.index("-p")] = "-P" if program == "scp" else "-p"
    return " ".join([program, *options, rest])


def test_typed_at_a_terminal_it_ends_in_a_login_by_a_knock_from_another_network() -> None:
    """All of it as it is printed: default answers, the lines for the laptop, a reboot after it is kept."""
    sample = (REPOSITORY / "systemd/debian/portress.yaml").read_text()
    with host(sample, run=False) as machine, scratch() as laptop:
        t = Typed(machine)
        t.type("portress begin")
        for question, typed in (
            ("separated by spaces", ""),
            ("Choose", ""),
            ("A name", ""),
            ("reach this host", machine.host4),
            ("or none", ""),
            ("connection only", ""),
        ):
            t.until(question)
            t.type(typed)
        said = t.until("Write it?") + "\n"
        t.type("")
        said = "\n".join(left(said + t.until("Listening")))
        assert "not loaded at boot" not in said
        lines = re.findall(r"^ +((?:scp|ssh -o 'Proxy).*?)\s*$", said, re.MULTILINE)
        fetch_card, fetch_client, ssh = (copied(machine, line) for line in lines)
        for line in (fetch_card, fetch_client):
            machine.stranger.run(["sh", "-ec", f"cd {laptop}; {line}"])
        # No firewall here: a closed port answers with a reset, and so does the guarded one, says the service.
        met = json.loads(machine.run("portress", "status", "--json").stdout)["closed"]["answers"]
        assert {(one["answer"], one["unknown"]) for one in met} >= {("tcp reset", None)}, met
        assert all(one["unknown"] is None for one in met), met
        assert tcp_state(machine.another, machine.host4, 22) == "closed"
        session = machine.another.popen(
            ["sh", "-ec", f"cd {laptop}; {ssh} 'echo in; cat'"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        assert session.stdout is not None and session.stdout.readline() == "in\n"
        t.until("let in by a knock: it works")
        t.until("Keep it?")
        t.type("y")
        kept = t.until("somebody is not")
        assert "The guard and the daemon start at every boot" in kept and "After a reboot" not in kept
        assert "Traceback" not in t.text
        t.leave()
        session.kill()
        for unit in ("portress.service", "portress-guard.service"):
            assert machine.run("systemctl", "is-enabled", unit).stdout.strip() == "enabled"
        assert tcp_state(machine.another, machine.host4, 22) != "open"
