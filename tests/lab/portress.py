"""The program under test, run as an administrator runs it: configuration file, guard, daemon, verbs."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from lab import forked
from lab.forked import Forked
from lab.space import LabError, Namespace, scratch
from portress import control
from portress.errors import Mistake
from portress.ledger.ledger import Ledger
from portress.run import use_mark

REPOSITORY: Final = Path(__file__).resolve().parents[2]
ALONE: Final = "source_prefix: {ipv4: 32, ipv6: 128}"
QUIET: Final = "closed: drop"
_EXEC: Final = os.environ.get("LAB_EXEC") == "1"  # start every program by its file
_PYTHONPATH: Final = os.environ.get("PYTHONPATH")  # another one holds for programs that are loaded anew


def _program() -> str:
    """`portress` of the Python that runs the tests, or else of the repository's own."""
    beside = Path(sys.prefix, "bin", "portress")
    return str(beside if beside.exists() else REPOSITORY / ".venv/bin/portress")


def _may_be_forked(ns: Namespace, words: Sequence[str]) -> bool:
    """Whether that process needs no more than its network namespace to itself, and nothing looks at its
    command line or its environment in /proc."""
    watched = words[0] == "begin" or (words[0] == "guard" and {"--trial", "--keep"} & set(words))
    other = "SSH_CONNECTION" in os.environ or os.environ.get("PYTHONPATH") != _PYTHONPATH
    return not (_EXEC or type(ns) is not Namespace or watched or other)


def portress(
    ns: Namespace, *words: str, text: str | None = None, check: bool = False, timeout: float = 30
) -> subprocess.CompletedProcess[str]:
    """Run a verb to its end in the namespace."""
    if not _may_be_forked(ns, words):
        return ns.run([_program(), *words], check=check, text=text, timeout=timeout)
    done = forked.finished(ns.path, words, text=text, timeout=timeout)
    if check and done.returncode:
        raise LabError(
            f"portress {' '.join(words)} in {ns.name}: exit {done.returncode}\n{done.stdout}{done.stderr}"
        )
    return done


# A repository in a folder of root's alone, as /root, is put in a folder of that name that all may pass.
_AS_NOBODY: Final = """
if [ "$1" ]; then
    mount --bind "$2" /mnt
    mount -t tmpfs -o mode=755 tmpfs "$1"
    mkdir -p "$2"
    mount --bind /mnt "$2"
fi
shift 2
exec setpriv --reuid=65534 --regid=65534 --clear-groups --inh-caps=-all -- "$@"
"""


def as_nobody(command: Sequence[str]) -> list[str]:
    """The command that runs `command` as a user with no rights but to read this repository."""
    above = [folder for folder in REPOSITORY.parents if not folder.stat().st_mode & 0o001]
    private = str(above[-1]) if above else ""
    words = ["unshare", "--mount", "--propagation", "private", "sh", "-ec", _AS_NOBODY, "sh"]
    return [*words, private, str(REPOSITORY), *command]


def owned(ns: Namespace) -> bool:
    """Whether a running daemon owns its table here: with kernel 6.9 and nftables 1.1, says nft itself."""
    words = ["nft", "--check", "add table inet probe { flags owner, persist; }"]
    return ns.run(words, check=False).returncode == 0


class Daemon:
    """A `portress run` in a namespace, with a configuration, control socket and state directory of its own.

    `config`, `socket`, `state`, `folder` are paths; `lines` is what it has logged, over all its restarts.
    With a `group`, it starts in that cgroup.
    """

    def __init__(self, ns: Namespace, folder: Path) -> None:
        self.ns = ns
        self.folder = folder
        self.config = folder / "portress.yaml"
        self.socket = folder / "run" / "control.sock"
        self.state = folder / "state"
        self.ahead = 0.0
        self.group: Path | None = None
        self.lines: list[str] = []
        self.process: subprocess.Popen[str] | Forked | None = None
        self._heard = threading.Condition()
        self._asked: subprocess.Popen[str] | Forked | None = None  # by the verb

    @property
    def options(self) -> list[str]:
        """The options that every verb needs to speak to this daemon."""
        return ["--config", str(self.config), "--socket", str(self.socket), "--state", str(self.state)]

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid

    @property
    def log(self) -> str:
        return "\n".join(self.lines)

    def verb(
        self, verb: str, *words: str, check: bool = True, timeout: float = 30
    ) -> subprocess.CompletedProcess[str]:
        """Run a verb with this daemon's options. With `check`, LabError if it fails."""
        return portress(self.ns, verb, *self.options, *words, check=check, timeout=timeout)

    def status(self) -> Any:
        """What `portress status --json` prints, as Python values.

        Each daemon is asked by the verb the first time, and then, as tests do it again and again until
        something is so, as the verb does it.
        """
        if self._asked is self.process is not None and not _EXEC:
            with contextlib.suppress(Mistake), control.parts(self.socket, "status", skip=0) as (told, lines):
                return {**told, "admissions": [json.loads(line) for line in lines]}
        told = json.loads(self.verb("status", "--json", "--limit", "0").stdout)
        self._asked = self.process
        return told

    def configure(self, text: str) -> None:
        """Write another configuration (mode 0600). The daemon is not told: `reload()` does that.

        Unless the text has a `source_prefix`, every IPv6 address is a source of its own, as those of the
        lab's strangers are meant to be; `source_prefix: {}` leaves the defaults in force. Unless it has a
        `closed`, guarded ports are silent, and so are told from others.
        """
        if "source_prefix" not in text:
            text = f"{text.rstrip()}\n{ALONE}\n"
        if re.search(r"^closed:", text, re.MULTILINE) is None:
            text = f"{text.rstrip()}\n{QUIET}\n"
        self.config.write_text(text)
        self.config.chmod(0o600)

    def reload(self) -> None:
        """SIGHUP; what comes of it is in the log."""
        os.kill(self.pid, signal.SIGHUP)

    def start(self, *words: str, timeout: float = 30, told: bool = True) -> None:
        """Start it and wait until the control socket answers, and until its log, read beside this thread,
        has come to where it says that it is ready: all that it told before is in `lines` then.

        Not `told`: return as soon as the control socket answers. LabError, with the log, if it ends before.
        """
        since = len(self.lines)
        run = ["run", *self.options, *words]
        if self.group is not None or not _may_be_forked(self.ns, run):
            clocked = [sys.executable, str(Path(__file__).with_name("clocked.py")), str(self.ahead)]
            command = [*clocked, *run] if self.ahead else [_program(), *run]
            self.process = self.ns.popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, bufsize=1)
        else:
            self.process = self.ns.forked(run, self.ahead)
        if self.group is not None:
            (self.group / "cgroup.procs").write_text(str(self.process.pid))
        threading.Thread(target=self._listen, args=(self.process,), daemon=True).start()
        until = time.monotonic() + timeout
        while not self.answers():
            if self.process.poll() is not None or time.monotonic() > until:
                self.kill()
                raise LabError(f"portress run did not get ready:\n{self.log}")
            time.sleep(0.01)
        if told:
            self.wait_for("ready, watching by", since=since, timeout=timeout)

    def _listen(self, process: subprocess.Popen[str] | Forked) -> None:
        assert process.stdout is not None
        for line in process.stdout:
            with self._heard:
                self.lines.append(line.rstrip("\n"))
                self._heard.notify_all()
        with self._heard:
            self._heard.notify_all()

    def answers(self) -> bool:
        """Whether somebody takes connections at the control socket."""
        with socket.socket(socket.AF_UNIX) as dial:
            dial.settimeout(1)
            return dial.connect_ex(str(self.socket)) == 0

    def wait_for(self, *words: str, since: int = 0, timeout: float = 50) -> str:
        """The first log line from number `since` on with all the words in it. LabError if none comes."""
        until = time.monotonic() + timeout
        with self._heard:
            while True:
                for line in self.lines[since:]:
                    if all(word in line for word in words):
                        return line
                left = until - time.monotonic()
                if left <= 0:
                    raise LabError(f"no line with {words} in the log:\n{self.log}")
                self._heard.wait(left)

    def kill(self) -> None:
        """SIGKILL, and wait for its end."""
        self._end(signal.SIGKILL)

    def terminate(self, timeout: float = 10) -> int:
        """SIGTERM, and wait for its end; returns the exit code."""
        return self._end(signal.SIGTERM, timeout)

    def _end(self, how: signal.Signals, timeout: float = 10) -> int:
        assert self.process is not None
        if self.process.poll() is None:
            self.process.send_signal(how)
        return self.process.wait(timeout)

    def restart(self) -> None:
        """End it cleanly if it still runs, and start it again."""
        self.terminate()
        self.start()


@contextlib.contextmanager
def daemon(
    ns: Namespace,
    config: str,
    *,
    keyholders: str | None = None,
    words: Sequence[str] = (),
    guard: bool = True,
    start: bool = True,
    ahead: float = 0.0,
    known: bool = True,
) -> Iterator[Daemon]:
    """The guard loaded and the daemon running in `ns`, ready when this returns.

    `config` and `keyholders` are the files' texts; `words` are more options of `portress run`. The daemon's
    wall clock is `ahead` seconds ahead of this machine's.
    `known`: it is as if a daemon had run here since the boot and nobody had knocked: no step is refused
    because it may have been used unnoticed.
    Without `guard` or `start` that step is left to the test (`d.verb("guard")`, `d.start()`).
    """
    with scratch() as folder:
        made = Daemon(ns, folder)
        made.configure(config)
        made.ahead = ahead
        made.state.mkdir(mode=0o700)
        made.socket.parent.mkdir(mode=0o755)
        if known:
            with Ledger(made.state / "ledger.db") as ledger:
                mark = use_mark.Mark(ledger.digest)
                use_mark.write(made.socket.with_name(use_mark.NAME), use_mark.boot(), mark)
        if keyholders is not None:
            (folder / "keyholders.yaml").write_text(keyholders)
            (folder / "keyholders.yaml").chmod(0o600)
        try:
            if guard:
                made.verb("guard")
            if start:
                made.start(*words)
            yield made
        finally:
            if made.process is not None and made.process.poll() is None:
                try:
                    made.terminate(5)
                except subprocess.TimeoutExpired:
                    made.kill()
