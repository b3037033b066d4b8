"""A booted Debian for tests: a root made once, and machines that boot copies of it.

In: nothing but the machine this runs on, as root, with mmdebstrap, systemd-container and the archive that its
own apt uses. Out: the path of a Debian root of the running release, with systemd, sshd, nftables and all that
the package depends on.

How to write a test on it (fixtures in conftest.py):

    def test_a_booted_host_is_guarded(machines: Machines) -> None:
        with machines.boot() as machine:                   # multi-user.target is reached; about 1 s
            machine.copy(deb, "/root/portress.deb")        # machine.path("/root/portress.deb") is that file
            machine.run("dpkg", "-i", "/root/portress.deb")
            machine.systemctl("start", "portress.service")
            assert tcp_state(machine.stranger, machine.host4, 22) == "filtered"
            machine.reboot()                               # a new kernel's network: no rule or set is left
            assert "portress" in machine.journal("portress-guard.service")[-1]["MESSAGE"]

- `machine.stranger` and `machine.another` are Namespaces of the laboratory (tests/lab) with links to the
  machine, there before its first process is; the addresses are those of `lab.World`, forged crowds included.
- `machine.ns` is the machine's own network: `machine.ns.run(["nft", "list", "ruleset"])` looks at it from
  outside, and `lab.capture(machine.ns)` listens there.
- `machine.login.ssh(machine.stranger, machine.host4, "id", "-un")` logs in to its sshd as root.
- A machine's disk is an overlay over the common root: what one test writes no other sees.
  `machines.boot(prepare)` calls `prepare(machine)` before the first process starts.
- `machine.power_off()`, `machine.kill()` (the power cord) and `machine.start()` do what they say.
- With control groups of version 1 the memory controller isn't passed on into a container: MemoryMax= has no
  effect there. `machine.limit_memory(unit, bytes)` puts a unit's processes under a limit from outside.

The root is kept in /var/cache/portress-tests, named after all that it is made of; making it takes about 50 s.
"""

from __future__ import annotations

import fcntl
import hashlib
import inspect
import os
import secrets
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from lab import LabError

CACHE: Final = Path("/var/cache/portress-tests")
RUNTIME: Final = (
    *("python3", "python3-nftables", "python3-systemd", "python3-pyroute2", "python3-yaml", "python3-click"),
    *("python3-rich", "python3-attr", "python3-prometheus-client", "python3-segno", "nftables"),
)
SYSTEM: Final = ("systemd-sysv", "dbus", "udev", "kmod", "iproute2", "procps", "openssh-server")
NEIGHBOURS: Final = (  # programs that Portress lives with on a host
    *("conntrack", "prometheus", "wireguard-go", "wireguard-tools", "curl", "ufw", "firewalld"),
    "libpam-systemd",  # so that logind knows who is logged in, as on most hosts
)
# What would only cost time in a machine that lives for seconds, or starts unasked.
OFF: Final = (
    *("console-getty.service", "apt-daily.timer", "apt-daily-upgrade.timer", "dpkg-db-backup.timer"),
    *("e2scrub_all.timer", "e2scrub_reap.service", "fstrim.timer", "systemd-timesyncd.service"),
    *("systemd-networkd.service", "prometheus.service", "systemd-network-generator.service"),
    *("firewalld.service", "ufw.service"),
)


def release() -> str:
    """The code name of the Debian that this runs on."""
    for line in Path("/etc/os-release").read_text().splitlines():
        name, _, value = line.partition("=")
        if name == "VERSION_CODENAME":
            return value.strip('"')
    raise LabError("/etc/os-release names no release: the machines are Debian ones of the running release")


def sources(suite: str) -> str:
    """The archives of Debian that apt uses here, one a line, so that mirrors and snapshots are the same."""
    asked = "deb $(REPO_URI) $(RELEASE) $(COMPONENT)"
    words = ["apt-get", "indextargets", "--format", asked, "Created-By: Packages"]
    lines = subprocess.run(words, capture_output=True, text=True, check=True).stdout.splitlines()
    found = sorted({line for line in lines if line.split()[2].startswith(suite)})
    return "".join(f"{line}\n" for line in found) or f"deb http://deb.debian.org/debian {suite} main\n"


def settings() -> list[str]:
    """apt's own settings for fetching (proxies, dates, certificates), which mmdebstrap does not read."""
    words = ["apt-config", "dump", "--no-empty", "--format", '%F "%v";%n', "Acquire"]
    lines = subprocess.run(words, capture_output=True, text=True, check=True).stdout.splitlines()
    # What is fetched beside the packages' own lists is of no use in a machine.
    return [line for line in lines if not line.startswith("Acquire::IndexTargets")]


def _make(target: Path, suite: str, packages: Sequence[str]) -> None:
    for program, package in (("mmdebstrap", "mmdebstrap"), ("systemd-nspawn", "systemd-container")):
        if shutil.which(program) is None:
            raise LabError(f"no {program} here: scripts/setup dev installs {package}")
    words = ["mmdebstrap", "--quiet", "--mode=root", "--variant=minbase", f"--include={','.join(packages)}"]
    words += [f"--aptopt={place}" for place in settings()]
    words += [f"--dpkgopt=path-exclude=/usr/share/{part}/*" for part in ("locale", "doc", "info")]
    words += [suite, str(target), "-"]
    made = subprocess.run(words, input=sources(suite), capture_output=True, text=True, timeout=600)
    if made.returncode:
        raise LabError(f"mmdebstrap failed:\n{made.stderr[-4000:]}")
    _settle(target)


def _settle(target: Path) -> None:
    """What makes the root boot fast, the same each time, and not as a host that boots for the first time."""
    (target / "etc/machine-id").write_text(f"{secrets.token_hex(16)}\n")
    (target / "etc/hostname").write_text("machine\n")
    (target / "etc/fstab").write_text("")
    (target / "var/log/journal").mkdir(exist_ok=True)
    for unit in OFF:
        mask = target / "etc/systemd/system" / unit
        mask.unlink(missing_ok=True)
        mask.symlink_to("/dev/null")
    default = target / "etc/systemd/system/default.target"
    default.unlink(missing_ok=True)
    default.symlink_to("/lib/systemd/system/multi-user.target")
    (target / "etc/ssh/sshd_config.d/lab.conf").write_text("UseDNS no\nMaxStartups 1000\nLogLevel VERBOSE\n")


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """No other process is in here meanwhile with that folder."""
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def debian(suite: str | None = None, more: Sequence[str] = NEIGHBOURS) -> Path:
    """The root, made if it isn't there yet; `more` names further packages. It is for reading only."""
    suite = suite or release()
    packages = sorted({*RUNTIME, *SYSTEM, *more})
    recipe = "\n".join([suite, *packages, *OFF, inspect.getsource(_make), inspect.getsource(_settle)])
    CACHE.mkdir(parents=True, exist_ok=True)
    root = CACHE / f"{suite}-{hashlib.sha256(recipe.encode()).hexdigest()[:16]}"
    with alone(CACHE):
        for leftover in CACHE.glob("making-*"):
            shutil.rmtree(leftover)
        if not root.exists():
            # mmdebstrap wants a directory of its own; renaming it makes the root appear whole or not at all.
            making = Path(tempfile.mkdtemp(prefix="making-", dir=CACHE))
            making.chmod(0o755)
            _make(making, suite, packages)
            os.rename(making, root)
    return root
