"""A real etcd, from the distribution's package, on loopback: members can be killed, frozen and started again.

    with etcd(tmp_path, members=3) as store:
        store.urls                  # https://127.0.0.1:… of each member
            store.files                 # a gateway's certificates
        store.confine("edge", "edge-1")     # etcd's roles on: edge-1 may do nothing but /portress/edge/
        store.kill(0); store.start(0); store.freeze(1); store.thaw(1)

With TLS both ways, by certificates of a throw-away authority. etcd's HTTP gateway takes no client certificate
with a common name, so the certificates here have none.
"""

from __future__ import annotations

import contextlib
import functools
import json
import os
import secrets
import signal
import socket
import subprocess
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from lab.space import LabError, Namespace, halt, scratch

PASSWORD = "a-password-for-tests"


def _taken() -> socket.socket:
    """A port that is free, and that no connection is given by itself while a member is away (ip(7)).

    It is taken by a socket, so that no other test takes it. A member can listen there all the same, for the
    socket allows it (SO_REUSEADDR).
    """
    while True:
        one = socket.socket()
        try:
            one.bind(("127.0.0.1", secrets.choice(range(20_000, 32_768))))
        except OSError:
            one.close()
        else:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            return one


@functools.cache
def _of_all_stores(names: tuple[str, ...], address: str) -> dict[str, bytes]:
    """An authority and certificates, as files, that the stores of this process have in common."""
    with scratch() as folder:
        certificates(folder, *names, address=address)
        return {path.name: path.read_bytes() for path in folder.iterdir()}


def certificates(folder: Path, *names: str, address: str = "127.0.0.1", days: int = 2) -> None:
    """An authority, `ca.pem`, and a key and a certificate for each name, valid for so many days."""

    def openssl(*words: str) -> None:
        done = subprocess.run(["openssl", *words], capture_output=True, text=True, cwd=folder, timeout=30)
        if done.returncode:
            raise LabError(f"openssl {' '.join(words)}: {done.stderr}")

    new = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")
    openssl(
        "req",
        "-x509",
        *new,
        "-keyout",
        "ca.key",
        "-out",
        "ca.pem",
        "-subj",
        "/O=authority",
        "-days",
        str(days),
        "-addext",  # RFC 5280, 4.2.1.3: without it Python 3.13 does not take it for an authority
        "keyUsage=critical,keyCertSign,cRLSign",
    )
    (folder / "ext").write_text(
        f"subjectAltName=IP:{address}\nextendedKeyUsage=serverAuth,clientAuth\n"
        "authorityKeyIdentifier=keyid\n"  # the same, 4.2.1.1
    )
    for name in names:
        openssl("req", *new, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/O={name}")
        sign = ("-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", str(days), "-extfile", "ext")
        openssl("x509", "-req", "-in", f"{name}.csr", *sign, "-out", f"{name}.pem")


class Etcd:
    """The members of one store, in the directory `folder`."""

    def __init__(
        self, folder: Path, members: int, options: Sequence[str], ns: Namespace | None, address: str
    ) -> None:
        self.folder = folder
        self._ns = ns
        self._address = address
        self._options = [*options]
        self._sockets = [_taken() for _ in range(2 * members)]
        ports = [one.getsockname()[1] for one in self._sockets]
        self._clients, self._peers = ports[:members], ports[members:]
        self._processes: dict[int, subprocess.Popen[bytes]] = {}
        for name, data in _of_all_stores(("member", "gateway", "stranger"), address).items():
            (folder / name).touch(0o600 if name.endswith(".key") else 0o644)  # as openssl does
            (folder / name).write_bytes(data)

    @property
    def urls(self) -> tuple[str, ...]:
        return tuple(f"https://{self._address}:{port}" for port in self._clients)

    @property
    def files(self) -> dict[str, Path]:
        """The authority's certificate, a gateway's own and its key: `ca`, `cert`, `key`."""
        names = {"ca": "ca.pem", "cert": "gateway.pem", "key": "gateway.key"}
        return {what: self.folder / name for what, name in names.items()}

    def start(self, number: int) -> None:
        """Start a member, for the first time or again."""
        cluster = ",".join(f"n{i}=http://{self._address}:{port}" for i, port in enumerate(self._peers))
        client, peer = self.urls[number], f"http://{self._address}:{self._peers[number]}"
        command = [
            *self._inside(),
            "etcd",
            "--name",
            f"n{number}",
            "--data-dir",
            str(self.folder / f"n{number}"),
        ]
        command += ["--listen-client-urls", client, "--advertise-client-urls", client]
        command += ["--listen-peer-urls", peer, "--initial-advertise-peer-urls", peer]
        command += ["--initial-cluster", cluster, "--initial-cluster-state", "new", "--logger", "zap"]
        command += ["--cert-file", "member.pem", "--key-file", "member.key", "--trusted-ca-file", "ca.pem"]
        command += ["--client-cert-auth", "--log-level", "error", *self._options]
        with (self.folder / f"n{number}.log").open("ab") as log:
            self._processes[number] = subprocess.Popen(command, stdout=log, stderr=log, cwd=self.folder)

    def _inside(self) -> list[str]:
        return [] if self._ns is None else ["ip", "netns", "exec", self._ns.name]

    def kill(self, number: int) -> None:
        """SIGKILL."""
        process = self._processes.pop(number)
        process.kill()
        process.wait()

    def freeze(self, number: int) -> None:
        """The member takes connections and answers nothing."""
        halt(self._processes[number].pid)

    def thaw(self, number: int) -> None:
        self._processes[number].send_signal(signal.SIGCONT)

    def ctl(self, *words: str, user: str = f"root:{PASSWORD}", check: bool = True) -> str:
        """What etcdctl says."""
        command = [*self._inside(), "etcdctl", "--endpoints", ",".join(self.urls), "--cacert", "ca.pem"]
        command += ["--cert", "gateway.pem", "--key", "gateway.key", *(["--user", user] if user else [])]
        environment = {**os.environ, "ETCDCTL_API": "3"}
        done = subprocess.run(
            [*command, *words], capture_output=True, text=True, cwd=self.folder, env=environment, timeout=30
        )
        if check and done.returncode:
            raise LabError(f"etcdctl {' '.join(words)}: {done.stderr or done.stdout}")
        return done.stdout

    def revision(self) -> int:
        """The store's revision."""
        status: list[dict[str, Any]] = json.loads(self.ctl("endpoint", "status", "--write-out=json"))
        return max(int(one["Status"]["header"]["revision"]) for one in status)

    def wait(self) -> None:
        """Until every member that runs answers. Raises LabError after 30 s."""
        end = time.monotonic() + 30
        while time.monotonic() < end:
            with contextlib.suppress(LabError, subprocess.TimeoutExpired):
                if self.ctl("get", "none", user="", check=False) is not None:
                    self.ctl("endpoint", "health", user="")
                    return
            time.sleep(0.1)
        raise LabError((self.folder / "n0.log").read_text()[-2000:])

    def confine(self, fleet: str, *gateways: str) -> None:
        """Switch on etcd's roles: root, and gateways that may do nothing but their fleet's prefix."""
        self.ctl("user", "add", f"root:{PASSWORD}", user="")
        self.ctl("user", "grant-role", "root", "root", user="")
        self.ctl("role", "add", fleet, user="")
        prefix = f"/portress/{fleet}/"
        self.ctl("role", "grant-permission", fleet, "--prefix=true", "readwrite", prefix, user="")
        for name in gateways:
            self.ctl("user", "add", f"{name}:{PASSWORD}", user="")
            self.ctl("user", "grant-role", name, fleet, user="")
        self.ctl("auth", "enable", user="")

    def close(self) -> None:
        for process in self._processes.values():
            process.kill()
        for process in self._processes.values():
            process.wait()
        for one in self._sockets:
            one.close()


@contextlib.contextmanager
def etcd(
    folder: Path,
    members: int = 1,
    options: Sequence[str] = (),
    ns: Namespace | None = None,
    address: str = "127.0.0.1",
) -> Iterator[Etcd]:
    """A store of so many members, healthy, at `address` in `ns`. All that it wrote is left in `folder`."""
    store = Etcd(folder, members, options, ns, address)
    try:
        for number in range(members):
            store.start(number)
        store.wait()
        yield store
    finally:
        store.close()
