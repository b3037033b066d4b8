"""A real OpenSSH server in a namespace, with keys of its own, and logins to it."""

from __future__ import annotations

import contextlib
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from lab.space import LabError, Namespace, scratch


class Login:
    """Logins as root, with the private key `key`, to the server that `know()` named."""

    def __init__(self, folder: Path) -> None:
        self.key = folder / "user"
        self._known = folder / "known"

    def make_key(self) -> None:
        """Make the key pair; the public one is beside it, `user.pub`."""
        _keygen(self.key)

    def know(self, host_key: str) -> None:
        """Take a server with this public key, one line, for the right one."""
        self._known.write_text(f"lab {host_key}")

    def command(
        self, host: str, *command: str, port: int = 22, source: str | None = None, wait: int = 3
    ) -> list[str]:
        """The words of an `ssh` call as root by key, without questions; `wait` seconds at most to connect."""
        options = {
            "BatchMode": "yes",
            "IdentitiesOnly": "yes",
            "StrictHostKeyChecking": "yes",
            "UserKnownHostsFile": str(self._known),
            "GlobalKnownHostsFile": "/dev/null",
            "HostKeyAlias": "lab",
            "ConnectTimeout": str(wait),
            "LogLevel": "ERROR",
        }
        words = ["ssh", "-F", "/dev/null", "-i", str(self.key), "-p", str(port)]
        for name, value in options.items():
            words += ["-o", f"{name}={value}"]
        if source:
            words += ["-b", source]
        return [*words, f"root@{host}", *command]

    def ssh(
        self,
        ns: Namespace,
        host: str,
        *command: str,
        port: int = 22,
        source: str | None = None,
        wait: int = 3,
    ) -> subprocess.CompletedProcess[str]:
        """Log in from `ns`, run the command, return its exit, output and errors (255: no login)."""
        words = self.command(host, *command, port=port, source=source, wait=wait)
        return ns.run(words, check=False, timeout=wait + 20)

    def session(
        self, ns: Namespace, host: str, *command: str, port: int = 22, **options: Any
    ) -> subprocess.Popen[str]:
        """Log in from `ns` and stay; without `command` it is `cat`: each line written to it comes back."""
        options = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "bufsize": 1, **options}
        return ns.popen(self.command(host, *(command or ("cat",)), port=port), **options)


class Sshd(Login):
    """The server, and logins to it. `log` is its own log file."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.log = folder / "log"
        self.process: subprocess.Popen[str] | None = None


def _keygen(path: Path) -> None:
    words = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", path.name, "-f", str(path)]
    subprocess.run(words, check=True, capture_output=True)


def _configuration(folder: Path, ports: Sequence[int]) -> str:
    # Without PAM sshd turns a locked account away ("!"), with it it does not.
    shadow = Path("/etc/shadow").read_text().splitlines()
    locked = any(line.startswith("root:!") for line in shadow)
    return "".join(
        f"{line}\n"
        for line in (
            *(f"Port {port}" for port in ports),
            f"HostKey {folder / 'host'}",
            f"PidFile {folder / 'pid'}",
            f"AuthorizedKeysFile {folder / 'user.pub'}",
            f"SetEnv HOME={folder}",  # what root's own shell would start is none of the tests' business
            f"UsePAM {'yes' if locked else 'no'}",
            "StrictModes no",
            "PermitRootLogin prohibit-password",
            "PasswordAuthentication no",
            "KbdInteractiveAuthentication no",
            "UseDNS no",
            "PrintMotd no",
            "MaxStartups 1000",
            "LogLevel VERBOSE",
        )
    )


def _answers(ns: Namespace, port: int) -> bool:
    with ns.enter():
        dial = socket.socket()
    with dial:
        dial.settimeout(1)
        return dial.connect_ex(("127.0.0.1", port)) == 0


@contextlib.contextmanager
def sshd(ns: Namespace, ports: Sequence[int] = (22,)) -> Iterator[Sshd]:
    """A server on all addresses of the namespace, answering when this returns. LabError if it fails."""
    program = shutil.which("sshd", path="/usr/sbin:/usr/bin:/sbin")
    if program is None:
        raise LabError("no sshd here: scripts/setup installs openssh-server")
    Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)
    with scratch() as folder:
        server = Sshd(folder)
        server.make_key()
        _keygen(folder / "host")
        server.know((folder / "host.pub").read_text())
        (folder / "config").write_text(_configuration(folder, ports))
        process = ns.popen([program, "-D", "-f", str(folder / "config"), "-E", str(server.log)])
        server.process = process
        try:
            until = time.monotonic() + 10
            while not all(_answers(ns, port) for port in ports):
                if process.poll() is not None or time.monotonic() > until:
                    raise LabError(f"sshd did not start: {server.log.read_text()}")
                time.sleep(0.01)
            yield server
        finally:
            process.terminate()
            process.wait(10)
