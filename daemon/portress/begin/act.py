"""What `portress begin` does to the host, step by step, and how each step is taken back.

In: answers and where things are. Out: files written, a guard on trial, a daemon that runs. Everything done is
on a stack: unless `keep` is called, leaving the `with` takes back all of it, in the opposite order. The guard
is on trial as well, in a process of its own, so that it goes away even if this process is killed.
"""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Final

from portress import control, files
from portress.errors import Mistake
from portress.keyholders.file import FILE
from portress.knock import Source
from portress.paths import Paths
from portress.run.away import Away

DEFAULT: Final = Path("/etc/portress/portress.yaml")
UNIT: Final = "portress.service"
READY: Final = 30.0  # seconds that the daemon has to answer


def portress(*words: str, paths: Paths) -> list[str]:
    """The command line of a verb, run by this very installation."""
    where = ["--config", str(paths.config), "--socket", str(paths.socket), "--state", str(paths.state)]
    here = Path(sys.argv[0])
    program = str(here.resolve()) if here.name == "portress" else shutil.which("portress") or "portress"
    return [sys.executable, program, *words, *where]


def verb(*words: str, paths: Paths, check: bool = True) -> subprocess.CompletedProcess[str]:
    """Run a verb to its end. Raises Mistake with what it said, if it fails and `check` is set."""
    done = subprocess.run(portress(*words, paths=paths), capture_output=True, text=True, timeout=120)
    if check and done.returncode:
        lines = [line.removeprefix("portress: ") for line in done.stderr.strip().splitlines()]
        raise Mistake(*(lines or [f"portress {words[0]} failed"]))
    return done


def login_name() -> str:
    """Who is at the keyboard: the user who called sudo, or root."""
    return os.environ.get("SUDO_USER", "") or "root"


def give(card: Path) -> None:
    """Hand a keycard that was just made to the user who called sudo, who is to copy it. Not over a link."""
    name = login_name()
    if name == "root":
        return
    with contextlib.suppress(KeyError, OSError):  # it stays root's
        user = pwd.getpwnam(name)
        handle = os.open(card, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        try:
            about = os.fstat(handle)
            if (about.st_uid, about.st_nlink) == (0, 1):
                os.fchown(handle, user.pw_uid, user.pw_gid)
        finally:
            os.close(handle)


def says_something(path: Path) -> bool:
    """Whether there is a configuration with a door in it: the package brings one of comments alone."""
    try:
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except FileNotFoundError:
        return False
    except OSError:
        return True
    return any(line.partition("#")[0].strip() not in ("", "doors:", "doors: {}", "---") for line in lines)


class Begun:
    """What has been done so far. Use as a context manager."""

    def __init__(self, paths: Paths) -> None:
        self.paths = paths
        self.kept = False
        self.saved: Path | None = None  # where an earlier configuration was kept
        self._undo = contextlib.ExitStack()
        self._daemon: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Begun:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.kept:
            self._undo.pop_all()
        else:
            self._undo.close()

    @property
    def systemd(self) -> bool:
        """Whether the daemon is the system's service."""
        return self.paths.config == DEFAULT and Path("/run/systemd/system").is_dir()

    def write(self, text: str, now: float) -> None:
        """Write the configuration, mode 0600; one that is there is kept beside it. `now`: unix seconds."""
        path = self.paths.config
        try:
            path.parent.mkdir(mode=0o755, parents=True, exist_ok=True)
            if os.path.lexists(path):
                stamp = time.strftime("%Y%m%d-%H%M%S", time.gmtime(now))
                self.saved = path.with_name(f"{path.name}.before-{stamp}")
                shutil.copy2(path, self.saved, follow_symlinks=True)
                self._undo.callback(self._put_back, self.saved)
            else:
                self._undo.callback(path.unlink, missing_ok=True)
            files.replace(path, text)
            path.chmod(0o600)
        except OSError as error:
            raise Mistake(f"{path}: cannot be written: {error.strerror or error}") from None

    def _put_back(self, saved: Path) -> None:
        os.replace(saved, self.paths.config)

    def enrol(self, name: str, doors: list[str], *more: str, files: list[Path], aloud: bool = False) -> None:
        """Enrol a keyholder, who may open these doors; `files` are the keycards it makes.

        `aloud`: the keycard is shown on this terminal; else nothing of it is printed. Raises Mistake.
        """
        file = self.paths.config.with_name(FILE)
        if not os.path.lexists(file):
            self._undo.callback(file.unlink, missing_ok=True)
        options = [word for door in doors for word in ("--door", door)]
        words = ("enrol", name, *options, *more)
        if not aloud:
            verb(*words, paths=self.paths)
        elif subprocess.run(portress(*words, paths=self.paths)).returncode:
            raise Mistake(f"{name} was not enrolled: see above")
        self._undo.callback(verb, "unenrol", name, paths=self.paths, check=False)
        for path in files:
            self._undo.callback(path.unlink, missing_ok=True)

    def guard(self, trial: str) -> list[str]:
        """Shut the doors, on trial; what `guard` said, but for what is still to come. Raises Mistake."""
        away = Away(self.paths.socket)
        if not away.noted():  # that a guard was taken away must not keep a later one from being loaded
            self._undo.callback(away.clear)
        self._undo.callback(verb, "unguard", paths=self.paths, check=False)
        said = verb("guard", "--trial", trial, paths=self.paths).stdout.splitlines()
        left_out = ("No daemon runs", "On trial", "You are connected from", "A login from")
        return [line for line in said if not line.startswith(left_out)]

    def admit(self, source: Source, doors: Iterable[str], period: str) -> None:
        """Admit an address for the time of the trial, however short a stay is. Raises Mistake."""
        for door in doors:
            verb("admit", str(source), door, "--for", period, paths=self.paths)

    def start(self) -> None:
        """Have the daemon run. Raises Mistake if it does not answer within READY seconds."""
        if self.systemd:
            self._undo.callback(_systemctl, "stop", UNIT)
            _systemctl("restart", UNIT, check=True)
        else:
            self._daemon = subprocess.Popen(
                portress("run", paths=self.paths),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
            self._undo.callback(self._stop)
        end = time.monotonic() + READY
        while not self._answers():
            if time.monotonic() > end or (self._daemon is not None and self._daemon.poll() is not None):
                raise Mistake("the daemon did not start: journalctl -u portress says why, or portress run")
            time.sleep(0.1)

    def _answers(self) -> bool:
        """Whether the daemon does: it says how things are once it has taken over the guard."""
        with contextlib.suppress(Mistake), control.parts(self.paths.socket, "status", skip=0):
            return True
        return False

    def _stop(self) -> None:
        if self._daemon is not None:
            self._daemon.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._daemon.wait(10)

    def leave_on_trial(self) -> list[str]:
        """Everything stays for as long as the trial lasts; then the guard goes by itself."""
        self.kept = True
        return ["The guard is on trial and is removed when the trial ends: portress guard --keep keeps it."]

    def keep(self) -> list[str]:
        """Everything stays: the guard, and the daemon at every boot. What was said, line by line."""
        said = verb("guard", "--keep", paths=self.paths).stdout.splitlines()[:1]  # the rest is done below
        if self.systemd:
            _systemctl("enable", UNIT, check=True)
            said.append("The guard and the daemon start at every boot.")
        else:
            said.append("The daemon does not start by itself here: have `portress run` started at boot.")
        self.kept = True
        return said


def _systemctl(*words: str, check: bool = False) -> None:
    done = subprocess.run(["systemctl", *words], capture_output=True, text=True, timeout=90)
    if check and done.returncode:
        raise Mistake(f"systemctl {' '.join(words)}: {done.stderr.strip() or 'failed'}")
