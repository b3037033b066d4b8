"""Machines: a container with its own systemd, disk and network, and neighbours that talk to it.

systemd-nspawn boots a copy of the root in a network namespace of the laboratory. Each machine gets control
groups of its own: two systemds in the same ones would stop each other's services.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from lab import LabError, Namespace, World, namespace, plug, scratch, sweep
from lab.cgroup import unavailable
from lab.space import abandoned
from lab.ssh import Login

_CGROUPS: Final = Path("/sys/fs/cgroup")
_DEVICES: Final = ("/dev/net/tun",)
_PAUSE: Final = 0.2  # seconds until a machine is asked again: each question is two programs


class Machine:
    """A machine whose disk is at `disk`; `world` holds the strangers and, while it is on, its own network."""

    host4: Final = World.host4
    host6: Final = World.host6

    def __init__(self, name: str, folder: Path, disk: Path, stranger: Namespace, another: Namespace) -> None:
        self.name = name
        self.disk = disk
        self.stranger = stranger
        self.another = another
        self.login = Login(folder)
        self._folder = folder
        self._network: contextlib.ExitStack = contextlib.ExitStack()
        self._ns: Namespace | None = None
        self._nspawn: subprocess.Popen[str] | None = None
        self._leader = 0

    @property
    def ns(self) -> Namespace:
        """The machine's network, another one after each start."""
        if self._ns is None:
            raise LabError(f"{self.name} is off")
        return self._ns

    @property
    def on(self) -> bool:
        return self._nspawn is not None and self._nspawn.poll() is None

    # --- its files

    def path(self, inside: str) -> Path:
        """The file seen from outside, on or off. What is mounted inside (/run, /tmp) is not on the disk."""
        return self.disk / inside.lstrip("/")

    def copy(self, outside: Path, inside: str) -> None:
        """Copy a file or a tree in; the folders above it are made."""
        target = self.path(inside)
        target.parent.mkdir(parents=True, exist_ok=True)
        if outside.is_dir():
            shutil.copytree(outside, target, symlinks=True, dirs_exist_ok=True)
        else:
            shutil.copy2(outside, target)

    # --- on and off

    def connect(self) -> None:
        """Lay the links, as they are before anything starts; `start` does it by itself."""
        if self._ns is None:
            self._ns = self._network.enter_context(namespace("machine"))
            plug(self._ns, self.stranger, self.another)

    def start(self, *, wait: bool = True, timeout: float = 60) -> None:
        """Switch on, with the links already there. With `wait`, return when multi-user.target is reached."""
        if self.on:
            raise LabError(f"{self.name} is on already")
        self.connect()
        self._nspawn = subprocess.Popen(
            ["unshare", "--mount", "--propagation", "private", "sh", "-ec", BOOT, "sh", *self._words()],
            stdin=subprocess.DEVNULL,
            stdout=(self._folder / "console").open("a"),
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
            env={**os.environ, "SYSTEMD_NSPAWN_API_VFS_WRITABLE": "network", "MACHINE": self.name},
        )
        self._leader = self._await_leader(timeout)
        if wait:
            self.wait_booted(timeout)

    def _words(self) -> list[str]:
        return [
            *("systemd-nspawn", "--quiet", "--boot", f"--directory={self.disk}", f"--machine={self.name}"),
            *(f"--network-namespace-path={self.ns.path}", "--capability=CAP_NET_ADMIN"),
            *("--register=no", "--keep-unit", "--link-journal=no", "--console=pipe"),
            *(f"--bind={device}" for device in _DEVICES if Path(device).exists()),
        ]

    def _await_leader(self, timeout: float) -> int:
        """The machine's first process, once it is systemd itself."""
        assert self._nspawn is not None
        until = time.monotonic() + timeout
        pid = self._nspawn.pid
        while time.monotonic() < until and self.on:
            with contextlib.suppress(OSError):
                for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
                    if Path(f"/proc/{child}/comm").read_text() == "systemd\n":
                        return int(child)
            time.sleep(0.005)
        console = (self._folder / "console").read_text(errors="replace")
        self.kill()
        raise LabError(f"{self.name} does not boot: {console[-2000:]}")

    def wait_booted(self, timeout: float = 60) -> None:
        """Until multi-user.target is reached. LabError, with the units that failed, if it isn't in time."""
        until = time.monotonic() + timeout
        while time.monotonic() < until and self.on:
            asked = self.run("systemctl", "is-active", "multi-user.target", check=False)
            if asked.stdout.strip() == "active":
                return
            time.sleep(_PAUSE)
        failed = (
            self.run("systemctl", "--failed", "--no-legend", check=False).stdout if self.on else "it is off"
        )
        raise LabError(f"{self.name} did not reach multi-user.target: {failed}")

    def power_off(self, timeout: float = 60) -> None:
        """An orderly shutdown, to its end."""
        self.run("systemctl", "poweroff", "--no-wall", check=False)
        assert self._nspawn is not None
        try:
            self._nspawn.wait(timeout)
        finally:
            self.kill()

    def kill(self) -> None:
        """Pull the power cord: no process of it lives on, no network; the disk stays as it is."""
        if self._nspawn is not None:
            for pid in filter(None, (self._leader, self._nspawn.pid)):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            self._nspawn.wait(30)
        if self._ns is not None:
            # The kernel clears the machine's network away in its own time: the cables' other ends go now.
            for ns in (self.stranger, self.another):
                with contextlib.suppress(LabError):  # it was never laid
                    ns.ip("link delete eth0")
        self._nspawn, self._ns, self._leader = None, None, 0
        self._network.close()
        remove_control_groups(self.name)

    def reboot(self, *, wait: bool = True) -> None:
        """Power off and start: nothing is left of the network, its rules and sets included."""
        self.power_off()
        self.start(wait=wait)

    # --- inside

    def _inside(self, words: Sequence[str]) -> list[str]:
        if not self.on:
            raise LabError(f"{self.name} is off")
        return ["nsenter", "--target", str(self._leader), "--all", "--", *map(str, words)]

    def run(
        self, *words: str, check: bool = True, text: str | None = None, timeout: float = 120
    ) -> subprocess.CompletedProcess[str]:
        """Run a program inside, as root, to its end. With `check`, LabError if it fails."""
        done = subprocess.run(
            self._inside(words),
            input=text,
            stdin=subprocess.DEVNULL if text is None else None,
            capture_output=True,
            text=True,
            timeout=timeout,
            env=_ENVIRONMENT,
        )
        if check and done.returncode:
            raise LabError(
                f"{' '.join(words)} in {self.name}: exit {done.returncode}\n{done.stdout}{done.stderr}"
            )
        return done

    def popen(self, *words: str, **options: Any) -> subprocess.Popen[str]:
        """Start a program inside; it ends when the machine does. `options` are Popen's."""
        options.setdefault("stdin", subprocess.DEVNULL)
        process: subprocess.Popen[str] = subprocess.Popen(
            self._inside(words), text=True, start_new_session=True, env=_ENVIRONMENT, **options
        )
        return process

    def systemctl(self, *words: str, check: bool = True, timeout: float = 120) -> str:
        """What systemctl prints. With `check`, LabError with the unit's journal if it fails."""
        done = self.run("systemctl", *words, check=False, timeout=timeout)
        if check and done.returncode:
            lines = self.run("journalctl", "--no-pager", "-n", "40", check=False).stdout
            raise LabError(f"systemctl {' '.join(words)}: {done.stderr}\n{lines}")
        return done.stdout

    def show(self, unit: str, name: str) -> str:
        """One property of a unit, as `ActiveState` or `MainPID`."""
        return self.systemctl("show", "--value", "--property", name, "--", unit).strip()

    def await_state(self, unit: str, state: str, timeout: float = 30) -> None:
        """Until the unit's ActiveState is `state`. LabError, with the unit's journal, if it isn't in time."""
        until = time.monotonic() + timeout
        while self.show(unit, "ActiveState") != state:
            if time.monotonic() > until:
                said = "\n".join(str(entry.get("MESSAGE")) for entry in self.journal(unit)[-40:])
                raise LabError(f"{unit} is {self.show(unit, 'ActiveState')}, not {state}:\n{said}")
            time.sleep(_PAUSE)

    def journal(self, unit: str | None = None, *matches: str) -> list[dict[str, Any]]:
        """Entries of the journal, all boots, oldest first, on or off; `matches` as PORTRESS_DOOR=ssh."""
        words = ["journalctl", "--no-pager", "--output=json", *(["--unit", unit] if unit else []), *matches]
        if self.on:
            text = self.run(*words).stdout
        else:
            outside = [*words, f"--directory={self.path('/var/log/journal')}"]
            text = subprocess.run(outside, capture_output=True, text=True, check=True).stdout
        return [json.loads(line) for line in text.splitlines()]

    def limit_memory(self, unit: str, size: int | None) -> None:
        """Put the processes of a unit under a limit of `size` bytes, or (None) of none, from outside."""
        version_1 = (_CGROUPS / "memory").exists()
        group = _CGROUPS / ("memory" if version_1 else "") / self.name / "limited"
        name = "memory.limit_in_bytes" if version_1 else "memory.max"
        try:
            group.mkdir(parents=True, exist_ok=True)
            (group / name).write_text(str(size) if size is not None else ("-1" if version_1 else "max"))
        except OSError as error:
            unavailable(error)
        for pid in self.pids(unit):
            (group / "cgroup.procs").write_text(str(pid))

    def pids(self, unit: str) -> list[int]:
        """The processes of a unit, by their numbers outside."""
        inside = self.show(unit, "ControlGroup")
        found = []
        for place in (_CGROUPS / "systemd", _CGROUPS / "unified", _CGROUPS):
            for procs in place.glob(f"{self.name}/payload{inside}/**/cgroup.procs"):
                found += [int(line) for line in procs.read_text().split()]
        return sorted(set(found))


_ENVIRONMENT: Final = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root", "LANG": "C.UTF-8"}
# nspawn wants to share mounts by way of /run/systemd/nspawn: it gets one that nobody else has.
BOOT: Final = """
for tree in /sys/fs/cgroup/systemd /sys/fs/cgroup/unified /sys/fs/cgroup; do
  if [ -e "$tree/cgroup.procs" ]; then
    mkdir -p "$tree/$MACHINE"
    echo $$ >"$tree/$MACHINE/cgroup.procs"
  fi
done
mkdir -p /run/systemd/nspawn
mount -t tmpfs tmpfs /run/systemd/nspawn
exec "$@"
"""


def remove_control_groups(name: str) -> None:
    """Those of a machine that is no more; the kernel takes a moment to empty them."""
    for _ in range(100):
        left = [
            folder for tree in (_CGROUPS, *_CGROUPS.glob("*/")) for folder in [tree / name] if folder.is_dir()
        ]
        if not left:
            return
        for top in left:
            for folder, _, _ in os.walk(top, topdown=False):
                with contextlib.suppress(OSError):
                    os.rmdir(folder)
        time.sleep(0.02)


@contextlib.contextmanager
def layered(root: Path, folder: Path) -> Iterator[Path]:
    """A copy of the root that shares what nobody changes."""
    disk, upper, work = (folder / name for name in ("disk", "upper", "work"))
    for each in (disk, upper, work):
        each.mkdir()
    options = f"lowerdir={root},upperdir={upper},workdir={work}"
    mounted = subprocess.run(["mount", "-t", "overlay", "overlay", "-o", options, disk], capture_output=True)
    if mounted.returncode:
        subprocess.run(["cp", "-a", "--reflink=auto", f"{root}/.", disk], check=True)
    try:
        yield disk
    finally:
        if not mounted.returncode:
            subprocess.run(["umount", "--lazy", disk], check=False)


class Machines:
    """Boots machines from one root. What machines of killed runs have left is removed first."""

    def __init__(self, root: Path) -> None:
        sweep()
        for tree in (_CGROUPS, *_CGROUPS.glob("*/")):
            for name in abandoned(tree):
                remove_control_groups(name)
        self.root = root
        self._count = 0

    @contextlib.contextmanager
    def boot(
        self, prepare: Callable[[Machine], None] | None = None, *, start: bool = True
    ) -> Iterator[Machine]:
        """A machine, booted, or with `start=False` off; `prepare` sees it before. It is gone afterwards."""
        self._count += 1
        name = f"pt-{os.getpid()}-m{self._count}"
        with (
            scratch() as folder,
            layered(self.root, folder) as disk,
            namespace("stranger") as stranger,
            namespace("another") as another,
        ):
            machine = Machine(name, folder, disk, stranger, another)
            machine.login.make_key()
            machine.login.know((disk / "etc/ssh/ssh_host_ed25519_key.pub").read_text())
            machine.path("/root/.ssh").mkdir(mode=0o700, exist_ok=True)
            shutil.copy(machine.login.key.with_suffix(".pub"), machine.path("/root/.ssh/authorized_keys"))
            if prepare:
                prepare(machine)
            try:
                if start:
                    machine.start()
                yield machine
            finally:
                machine.kill()
