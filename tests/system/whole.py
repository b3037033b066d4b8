"""The whole suite in a fresh booted root: python -m system.whole bookworm|trixie [PATH…].

A Debian root of that release is made or taken from the cache, this tree copied in, systemd booted in it.
`scripts/test` runs inside as on any host and installs what it needs; its exit status is this one's. The
machine has this host's network, for the packages; tests make namespaces of their own as ever.

What the container itself forbids, the tests inside say, with what to run instead.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from lab import NEEDS_ROOT, LabError, scratch
from lab.portress import REPOSITORY
from system.machine import BOOT, layered, remove_control_groups
from system.root import CACHE, debian

SUITES: Final = ("bookworm", "trixie")
_INSIDE: Final = "/srv/portress"  # where other users than root may read it, as on most hosts
_RUN: Final = 'cd "$0" && exec scripts/test "$@"'
_TOOLS: Final = ("python3-venv", "ca-certificates", "git", "systemd-container", "mmdebstrap")
# Settings of this host by which packages are fetched, where there are any.
_SETTINGS: Final = (
    "/etc/pip.conf",
    "/opt",
    "/etc/resolv.conf",
    "/etc/ssl/certs",
    "/usr/local/share/ca-certificates",
)
_PASSED: Final = (
    "PIP_",
    "http_proxy",
    "https_proxy",
    "no_proxy",
    "HTTP_PROXY",
    "HTTPS_PROXY",
    "NO_PROXY",
    "JOBS",
    "SSL_",
)


def _copy(target: Path) -> None:
    """This tree, as git knows it and as it lies here, without what was built from it."""
    leave = shutil.ignore_patterns(
        ".venv*", "__pycache__", ".mypy_cache", ".pytest_cache", ".ruff_cache", "dist"
    )
    shutil.copytree(REPOSITORY, target, symlinks=True, ignore=leave)


@contextlib.contextmanager
def _booted(root: Path, name: str) -> Iterator[int]:
    """Boot the root; the number of its first process."""
    words = ["systemd-nspawn", "--quiet", "--boot", f"--directory={root}", f"--machine={name}"]
    words += ["--register=no", "--keep-unit", "--link-journal=no", "--console=pipe", "--capability=all"]
    words += ["--system-call-filter=@keyring bpf perf_event_open @mount @module", "--resolv-conf=off"]
    words += [f"--bind-ro={place}" for place in _SETTINGS if Path(place).exists()]
    # The root's own disk is an overlay, and no overlay takes another one for what it writes to.
    disks = root.parent / "disks"
    disks.mkdir()
    disks.chmod(0o1777)
    words += [f"--bind={disks}:/var/tmp", f"--bind={CACHE}"]
    words += (
        ["--bind=/dev/net/tun", "--bind=/dev/fuse"] if Path("/dev/fuse").exists() else ["--bind=/dev/net/tun"]
    )
    settings = {"SYSTEMD_NSPAWN_API_VFS_WRITABLE": "yes", "MACHINE": name}
    with (root.parent / "console").open("w") as console:
        nspawn = subprocess.Popen(
            ["unshare", "--mount", "--propagation", "private", "sh", "-ec", BOOT, "sh", *words],
            stdin=subprocess.DEVNULL,
            stdout=console,
            stderr=subprocess.STDOUT,
            env={**os.environ, **settings},
            start_new_session=True,
        )
    leader = 0
    try:
        leader = _leader(nspawn, root.parent / "console")
        yield leader
    finally:
        for pid in filter(None, (leader, nspawn.pid)):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, 9)
        nspawn.wait(30)
        remove_control_groups(name)


def _leader(nspawn: subprocess.Popen[bytes], console: Path) -> int:
    until = time.monotonic() + 60
    while time.monotonic() < until and nspawn.poll() is None:
        with contextlib.suppress(OSError):
            for child in Path(f"/proc/{nspawn.pid}/task/{nspawn.pid}/children").read_text().split():
                if Path(f"/proc/{child}/comm").read_text() == "systemd\n":
                    return int(child)
        time.sleep(0.02)
    raise LabError(f"the root does not boot: {console.read_text(errors='replace')[-2000:]}")


def main(suite: str, *words: str) -> int:
    """Run the suite, or the tests that `words` name, in a root of that release; the exit status."""
    if os.geteuid() != 0:
        print(NEEDS_ROOT, file=sys.stderr)
        return 1
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that nothing is left running
    name = f"pt-{os.getpid()}-whole"
    base = debian(suite, more=_TOOLS)
    with scratch() as folder, layered(base, folder) as root:
        _copy(root / _INSIDE.lstrip("/"))
        # Nothing of this root outlives the run: dpkg need not wait for the disk.
        (root / "etc/dpkg/dpkg.cfg.d/lab").write_text("force-unsafe-io\n")
        (root / "etc/hosts").write_text("127.0.0.1 localhost machine\n::1 localhost\n")
        with _booted(root, name) as leader:
            passed = {key: value for key, value in os.environ.items() if key.startswith(_PASSED)}
            environment = [f"{key}={value}" for key, value in passed.items()]
            environment += ["PATH=/usr/sbin:/usr/bin:/sbin:/bin", "HOME=/root", "LANG=C.UTF-8"]
            environment.append("TMPDIR=/var/tmp")  # /tmp is in memory on Debian 13, and etcd fills it
            inside = ["nsenter", "--target", str(leader), "--mount", "--uts", "--ipc", "--pid", "--cgroup"]
            inside += [
                "env",
                "-i",
                *environment,
                "sh",
                "-c",
                'cd "$0" && exec scripts/test "$@"',
                _INSIDE,
                *words,
            ]
            print(f"== Debian {suite}, booted in a container: scripts/test {' '.join(words)}", flush=True)
            return subprocess.run(inside, check=False, stdin=subprocess.DEVNULL).returncode


if __name__ == "__main__":
    if len(sys.argv) < 2 or sys.argv[1] not in SUITES:
        print("scripts/test --in bookworm|trixie [PATH…]", file=sys.stderr)
        sys.exit(2)
    sys.exit(main(*sys.argv[1:]))
