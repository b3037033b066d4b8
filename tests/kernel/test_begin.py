"""`portress begin`, in a terminal and without: from nothing to a guarded host, or everything taken back."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import select
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from lab import World, sender, sshd, tcp_state, world
from lab.portress import REPOSITORY
from lab.shapes import against
from lab.terminal import left, size
from portress.config.load import load

PROGRAM = str(Path(sys.prefix, "bin", "portress"))
CLIENT = str(REPOSITORY / "scripts/portress-knock")
COPIED = re.compile(r"\s*(scp |ssh |portress-knock --to|\(p=tcp;|\$a=\[Net|otpauth:|#ey)")


class Terminal:
    """`portress begin` in a terminal of its own, of 80 columns."""

    def __init__(
        self, w: World, folder: Path, *words: str, ignored: bool = False, ssh: str | None = None
    ) -> None:
        """`ignored`: whoever starts it ignores SIGINT. `ssh`: the connection it is run over (sshd(8),
        SSH_CONNECTION)."""
        self.folder = folder
        self.text = ""
        self._seen = 0
        self.pid, self._fd = pty.fork()
        if self.pid == 0:  # pragma: no cover - the other process
            os.chdir(folder)
            size(0, 80)
            if ignored:
                signal.signal(signal.SIGINT, signal.SIG_IGN)
            os.environ["TERM"] = "xterm"
            os.environ.pop("SSH_CONNECTION", None)
            if ssh is not None:
                os.environ["SSH_CONNECTION"] = ssh
            os.execvp("ip", ["ip", "netns", "exec", w.host.name, PROGRAM, "begin", *options(folder), *words])

    def until(self, words: str, seconds: float = 40) -> str:
        """What it printed, from what was seen last to these words."""
        end = time.monotonic() + seconds
        while words not in self.text[self._seen :]:
            assert time.monotonic() < end, f"no {words!r} in:\n{self.text}"
            self._read(0.1)
        begin, self._seen = self._seen, self.text.index(words, self._seen) + len(words)
        return self.text[begin : self._seen]

    def _read(self, seconds: float) -> bool:
        if select.select([self._fd], [], [], seconds)[0]:
            with contextlib.suppress(OSError):
                data = os.read(self._fd, 65536)
                self.text += data.decode(errors="replace")
                return bool(data)
        return False

    def type(self, text: str) -> None:
        os.write(self._fd, text.encode() + b"\n")

    def end(self, seconds: float = 40) -> int:
        """Its exit status."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self._read(0.05)
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                while self._read(0.05):
                    pass
                self._fits()
                return os.waitstatus_to_exitcode(status)
        raise AssertionError(f"it does not end:\n{self.text}")

    def _fits(self) -> None:
        """Nothing that it said is wider than 80 columns but what is copied, and a path, however long."""
        lines = [one.rstrip() for one in left(self.text)]
        wide = [one for one in lines if len(one) > 80 and not COPIED.match(one)]
        assert [one for one in wide if str(self.folder) not in one] == []

    def hang_up(self) -> None:
        os.close(self._fd)


def options(folder: Path) -> list[str]:
    return [
        "--config", str(folder / "portress.yaml"),
        "--socket", str(folder / "run/control.sock"),
        "--state", str(folder / "state"),
    ]  # fmt: skip


def answer(t: Terminal, w: World, way: str = "4", alone: str = "n") -> None:
    """Every question but the last two."""
    t.until("separated by spaces")
    t.type("")
    t.until("Choose")
    t.type(way)
    if way != "4":
        t.until("A name")
        t.type("ana")
    t.until("reach this host")
    t.type(w.host4)
    t.until("or none")
    t.type("")
    if way in "14":
        t.until("connection only")
        t.type(alone)
    t.until("Write it?")


def guarded(w: World) -> bool:
    return w.host.run(["nft", "list", "table", "inet", "portress"], check=False).returncode == 0


def nothing_left(w: World, folder: Path) -> bool:
    left = sorted(
        path.name
        for path in folder.iterdir()
        if path.name not in ("run", "run-guard", "state", "state-paper")
    )
    return left == [] and not guarded(w)


@pytest.fixture
def host(tmp_path: Path) -> Iterator[tuple[World, Path]]:
    with world() as w, sshd(w.host):
        yield w, tmp_path
        with contextlib.suppress(FileNotFoundError):
            run = ["portress", "unguard"]
            w.host.run([PROGRAM, *run[1:], *options(tmp_path)], check=False)
        for pid in _daemons(tmp_path):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)


def _daemons(folder: Path) -> list[int]:
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            if str(folder / "run/control.sock").encode() in path.read_bytes():
                found.append(int(path.parent.name))
    return found


def test_from_the_first_question_to_a_login_by_a_knock(host: tuple[World, Path]) -> None:
    w, folder = host
    t = Terminal(w, folder)
    assert re.search(r"tcp/22\s+sshd\s+everyone", t.until("Which services"))
    answer(t, w)
    t.type("")
    said = t.until("Listening")
    (command,) = re.findall(r"portress-knock --to [^&\n]*", said)
    assert tcp_state(w.stranger, w.host4, 22) == "closed"
    w.stranger.run([sys.executable, CLIENT, *command.split()[1:]], timeout=60)
    heard = t.until("admitted to ssh")
    assert re.search(rf"{w.stranger4}: (tcp|udp)/\d+ right, 3 of 4", heard)
    dial = w.stranger.popen(["bash", "-c", f"exec 3<>/dev/tcp/{w.host4}/22; sleep 30"])
    assert f"{w.stranger4} is connected, let in by a knock" in t.until("Keep it?")
    t.type("y")
    assert t.end() == 0
    dial.kill()
    assert "The guard stays" in t.text
    assert guarded(w) and tcp_state(w.another, w.host4, 22) == "closed"
    path = folder / "portress.yaml"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [*load(path).doors] == ["ssh"]


@pytest.mark.parametrize("moment", ["services", "writing", "listening", "keeping"])
def test_an_interrupt_leaves_everything_as_it_was(host: tuple[World, Path], moment: str) -> None:
    w, folder = host
    t = Terminal(w, folder)
    if moment == "services":
        t.until("separated by spaces")
    else:
        answer(t, w, "1")
        if moment != "writing":
            t.type("")
            t.until("Listening")
            assert guarded(w) and (folder / "ana.keycard").exists()
        if moment == "keeping":
            t.type("")
            t.until("Keep it?")
    os.kill(t.pid, signal.SIGINT)
    assert t.end() != 0
    assert "Traceback" not in t.text
    assert nothing_left(w, folder) and _daemons(folder) == []


def test_an_interrupt_does_so_though_whoever_started_it_ignores_them(host: tuple[World, Path]) -> None:
    w, folder = host
    t = Terminal(w, folder, ignored=True)
    answer(t, w, "4")
    os.kill(t.pid, signal.SIGINT)
    assert t.end() != 0
    assert nothing_left(w, folder)


def test_a_lost_connection_or_a_no_takes_it_back(host: tuple[World, Path]) -> None:
    w, folder = host
    for last in ("hang up", "no"):
        t = Terminal(w, folder)
        answer(t, w)
        t.type("")
        t.until("Listening")
        if last == "no":
            t.type("")
            t.until("Keep it?")
            t.type("n")
            assert t.end() == 1
        else:
            t.hang_up()
            with contextlib.suppress(ChildProcessError):
                os.waitpid(t.pid, 0)
        assert nothing_left(w, folder) and tcp_state(w.stranger, w.host4, 22) == "open"


def test_without_an_answer_the_guard_goes_by_itself_even_if_begin_is_killed(host: tuple[World, Path]) -> None:
    w, folder = host
    t = Terminal(w, folder, "--trial", "20s")
    answer(t, w)
    t.type("")
    t.until("Listening")
    os.kill(t.pid, signal.SIGKILL)
    assert guarded(w)
    end = time.monotonic() + 40
    while guarded(w):
        assert time.monotonic() < end
        time.sleep(0.2)
    assert tcp_state(w.stranger, w.host4, 22) == "open"


def test_an_earlier_configuration_is_kept_and_comes_back(host: tuple[World, Path]) -> None:
    w, folder = host
    (folder / "portress.yaml").write_text("always: [192.0.2.1]\n")
    t = Terminal(w, folder)
    t.until("separated by spaces")
    t.type("")
    t.until("Choose")
    t.type("4")
    t.until("reach this host")
    t.type(w.host4)
    t.until("or none")
    t.type("")
    t.until("connection only")
    t.type("n")
    t.until("exists: replace it")
    t.type("y")
    t.until("Listening")
    (kept,) = folder.glob("portress.yaml.before-*")
    assert kept.read_text() == "always: [192.0.2.1]\n"
    t.type("")
    t.until("Keep it?")
    t.type("")
    assert t.end() == 1
    assert (folder / "portress.yaml").read_text() == "always: [192.0.2.1]\n" and not [
        *folder.glob("*.before-*")
    ]


CHECKS = (
    "checking the configuration (portress check) …",
    "closing the doors on trial (portress guard) …",
    "starting the daemon …",
    "estimating the strength of each door (portress strength) …",
)


def test_what_takes_time_says_so_on_the_terminal_and_nothing_of_it_stays(host: tuple[World, Path]) -> None:
    w, folder = host
    t = Terminal(w, folder)
    answer(t, w)
    t.type("")
    t.until("Listening")
    for words in ("looking at this host …", *CHECKS, "checking this host (portress doctor) …"):
        assert f"{words}\r\x1b[2K" in t.text
    os.kill(t.pid, signal.SIGINT)
    assert t.end() == 1


def test_unattended_the_same_on_a_terminal_and_nothing_in_a_pipe(host: tuple[World, Path]) -> None:
    w, folder = host
    words = ["--style", "fixed", "--host", w.host4]
    done = unattended(w, folder, *words)
    assert done.stderr == "" and "…" not in done.stdout and told(done)
    ours, theirs = os.openpty()
    command = ["env", "-u", "SSH_CONNECTION", "TERM=xterm", PROGRAM, "begin", *options(folder), "--yes"]
    begun = w.host.popen([*command, "--replace", *words], stdout=subprocess.PIPE, stderr=theirs)
    os.close(theirs)
    said = ""
    with contextlib.suppress(OSError):  # EIO once nobody has the terminal open any more
        while part := os.read(ours, 4096).decode():
            said += part
    os.close(ours)
    out, _ = begun.communicate(timeout=60)
    assert begun.returncode == 0 and against("begin", json.loads(out))
    assert all(f"{words}\r\x1b[2K" in said for words in CHECKS)


@pytest.mark.parametrize("way", ["2", "3"])
def test_the_other_ways_to_knock_are_taken_back_as_well(host: tuple[World, Path], way: str) -> None:
    w, folder = host
    t = Terminal(w, folder)
    answer(t, w, way)
    t.type("")
    t.until("Listening")
    t.type("")
    t.until("Keep it?")
    t.type("n")
    assert t.end() == 1
    assert nothing_left(w, folder)


def test_begin_shows_the_firewall_and_how_strong_the_door_is(host: tuple[World, Path]) -> None:
    w, folder = host
    w.host.nft("table inet filter { chain input { type filter hook input priority 0; tcp dport 9 drop; }; }")
    t = Terminal(w, folder)
    looked = t.until("Which services")
    assert re.search(r"firewall +table inet filter\s", looked) and re.search(r"clock +\w", looked)
    answer(t, w)
    t.type("")
    said = t.until("Listening")
    assert re.search(r"Door ssh: \w+ \(fixed sequence, 4 knocks\)\r\n  Guessed within a year: ", said)
    assert "rotating sequences are refused" not in said
    (knocks,) = re.findall(r"portress-knock --to \S+ (.*?) &&", said)
    first, second, *_ = knocks.split()
    with sender(w.stranger) as send:
        send.knocks(w.stranger4, w.host4, [first, "tcp/3"])
    assert f"expected {second}, got tcp/3" in " ".join(t.until("got tcp/3").split())
    os.kill(t.pid, signal.SIGINT)
    assert t.end() == 1


def test_a_door_that_admits_the_connection_only_is_tried_and_kept_as_well(host: tuple[World, Path]) -> None:
    """The default for ssh. Whoever runs begin over SSH can copy files for the time of the trial, for longer
    than such a door's stay."""
    w, folder = host
    t = Terminal(w, folder, ssh=f"{w.another4} 40111 {w.host4} 22")
    answer(t, w, "1", alone="y")
    t.type("")
    said = t.until("Listening")
    assert f"You are connected from {w.another4}, admitted for 15m" in " ".join(said.split())
    assert "admits: connection" in (folder / "portress.yaml").read_text()
    status = json.loads(w.host.run([PROGRAM, "status", "--json", *options(folder)]).stdout)
    (own,) = status["admissions"]
    assert own["source"] == w.another4 and own["left"] > 600
    knock = [sys.executable, CLIENT, str(folder / "ana.keycard"), "--relay", w.host4, "22"]
    relay = w.stranger.popen(knock, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert relay.stdout is not None and relay.stdout.readline().startswith("SSH-2.0")
    assert f"{w.stranger4} is connected, let in by a knock" in t.until("Keep it?", 90)
    t.type("y")
    assert t.end() == 0 and "Traceback" not in t.text
    relay.kill()


def test_behind_sudo_the_keycard_is_the_users_who_is_to_copy_it(host: tuple[World, Path]) -> None:
    w, folder = host
    os.environ["SUDO_USER"] = "nobody"
    try:
        t = Terminal(w, folder)
    finally:
        del os.environ["SUDO_USER"]
    answer(t, w, "1")
    t.type("")
    said = t.until("Listening")
    assert f"scp nobody@{w.host4}:{folder}/ana.keycard ." in said and f"' nobody@{w.host4}" in said
    about = (folder / "ana.keycard").stat()
    assert (about.st_uid, stat.S_IMODE(about.st_mode)) == (65534, 0o600)
    assert json.loads((folder / "ana.keycard").read_text())["secret"] not in t.text
    os.kill(t.pid, signal.SIGINT)
    assert t.end() == 1


def unattended(w: World, folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = ["env", "-u", "SSH_CONNECTION", PROGRAM, "begin", *options(folder), "--yes", *words]
    return w.host.run(command, check=False, timeout=90)


def told(done: subprocess.CompletedProcess[str]) -> Any:
    assert done.returncode == 0, done.stderr
    return against("begin", json.loads(done.stdout))


def test_unattended_the_secret_is_in_the_file_and_nowhere_else(host: tuple[World, Path]) -> None:
    w, folder = host
    card = folder / "ana.keycard"
    words = ["--service", "tcp/22", "--style", "rotating", "--keyholder", "ana", "--host", w.host4]
    done = unattended(w, folder, *words, "--keycard", str(card), "--trial", "5m")
    answer = told(done)
    assert (answer["keycards"], answer["kept"], answer["trial"]) == ([str(card)], False, 300)
    assert stat.S_IMODE(card.stat().st_mode) == 0o600
    secret = json.loads(card.read_text())["secret"]
    assert secret not in done.stdout + done.stderr
    assert guarded(w)
    again = unattended(w, folder, *words, "--keycard", str(card))
    assert again.returncode == 1 and "exists: --replace" in again.stderr


def test_unattended_nobody_is_locked_out_by_accident(host: tuple[World, Path]) -> None:
    w, folder = host
    words = ["--style", "fixed", "--host", w.host4]
    done = unattended(w, folder, *words, "--keep")
    assert done.returncode == 1 and "--keep can lock you out" in done.stderr
    assert len(done.stderr.splitlines()) == 1 and nothing_left(w, folder)
    answer = told(unattended(w, folder, *words, "--keep", "--always", w.another4))
    assert answer["kept"] and tcp_state(w.another, w.host4, 22) == "open"
    assert tcp_state(w.stranger, w.host4, 22) == "closed"
    knocks = load(folder / "portress.yaml").doors["ssh"].fixed
    assert knocks is not None and not any(str(one) in json.dumps(answer) for one in knocks.knocks)


def test_unattended_a_keycard_that_is_there_already_is_not_overwritten(host: tuple[World, Path]) -> None:
    w, folder = host
    planted = folder / "elsewhere"
    planted.write_text("somebody's")
    (folder / "ana.keycard").symlink_to(planted)
    words = ["--keyholder", "ana", "--host", w.host4, "--keycard", str(folder / "ana.keycard")]
    done = unattended(w, folder, *words)
    assert done.returncode == 1 and "ana.keycard" in done.stderr
    assert planted.read_text() == "somebody's" and not guarded(w)
    assert not (folder / "portress.yaml").exists()


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (["--style", "rotating"], "--keycard FILE says where the secret goes"),
        (["--service", "22", "--style", "fixed"], "22"),
        (["--style", "fixed", "--always", "192.0.2.300"], "an address or a prefix"),
    ],
)
def test_unattended_a_wrong_word_is_one_line(host: tuple[World, Path], words: list[str], wanted: str) -> None:
    w, folder = host
    done = unattended(w, folder, "--host", w.host4, *words)
    assert done.returncode == 1 and wanted in done.stderr and len(done.stderr.splitlines()) == 1
    assert nothing_left(w, folder)
