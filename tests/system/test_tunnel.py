"""A real WireGuard tunnel behind a guarded port: no handshake before the knock, a working tunnel after it."""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

from lab import LabError, Namespace, World, echoes, sender
from system.host import KNOCKS, await_admitted, config, host
from system.machine import Machine

INSIDE, OUTSIDE = "203.0.113.129", "203.0.113.130"  # the tunnel's two ends
STAY = 6  # seconds


def _config(*, linger: bool) -> str:
    text = config(stay=f"{STAY}s").replace("tcp/22", "udp/51820")
    return text if linger else text.replace("linger: true", "linger: false")


class End:
    """One end of the tunnel, run by wireguard-go in a namespace; `device` is its TUN device."""

    def __init__(self, machine: Machine, ns: Namespace, device: str) -> None:
        self._machine = machine
        self._ns = ns
        self.device = device

    def wg(self, *words: str, text: str | None = None) -> str:
        """Run wg(8), the machine's own, in the namespace."""
        done = self._ns.run([str(self._machine.path("/usr/bin/wg")), *words], text=text)
        return done.stdout

    def start(self, address: str, settings: str) -> None:
        # In the foreground it ends with the namespace. Its control socket is in the host's /run/wireguard.
        program = str(self._machine.path("/usr/bin/wireguard-go"))
        self._ns.popen(
            [program, "--foreground", self.device], env={**os.environ, "WG_PROCESS_FOREGROUND": "1"}
        )
        until = time.monotonic() + 10
        socket = Path("/run/wireguard", f"{self.device}.sock")  # without it wg(8) asks the kernel
        while (
            not socket.exists() or self._ns.run(["ip", "link", "show", self.device], check=False).returncode
        ):
            if time.monotonic() > until:
                raise LabError(f"wireguard-go made no {self.device}")
            time.sleep(0.02)
        self.wg("setconf", self.device, "/dev/stdin", text=settings)
        self._ns.ip(f"addr add {address}/30 dev {self.device}", f"link set {self.device} up")

    def handshakes(self) -> int:
        """Unix seconds of the last handshake, 0 if there was none."""
        return int(self.wg("show", self.device, "latest-handshakes").split()[1])


@contextlib.contextmanager
def _tunnel(machine: Machine) -> Iterator[End]:
    """A tunnel set up at both ends; the stranger's end, which keeps calling, is given."""
    serial = f"{os.getpid() % 100_000}"
    inside, outside = End(machine, machine.ns, f"wgi{serial}"), End(machine, machine.stranger, f"wgo{serial}")
    keys = [_key(machine.path("/usr/bin/wg")) for _ in range(2)]
    inside.start(
        INSIDE,
        f"[Interface]\nPrivateKey={keys[0][0]}\nListenPort=51820\n"
        f"[Peer]\nPublicKey={keys[1][1]}\nAllowedIPs={OUTSIDE}/32\n",
    )
    outside.start(
        OUTSIDE,
        f"[Interface]\nPrivateKey={keys[1][0]}\n"
        f"[Peer]\nPublicKey={keys[0][1]}\nAllowedIPs={INSIDE}/32\n"
        f"Endpoint={machine.host4}:51820\nPersistentKeepalive=1\n",
    )
    try:
        yield outside
    finally:
        for end in (inside, outside):
            Path("/run/wireguard", f"{end.device}.sock").unlink(missing_ok=True)


def _key(wg: Path) -> tuple[str, str]:
    """A private and a public key, made by wg(8)."""
    private = subprocess.run([wg, "genkey"], capture_output=True, text=True, check=True).stdout
    public = subprocess.run([wg, "pubkey"], input=private, capture_output=True, text=True, check=True).stdout
    return private.strip(), public.strip()


def _passes(ns: Namespace) -> bool:
    """Whether something passes through the tunnel."""
    return echoes(ns, INSIDE, timeout=1.0)


def _await(ns: Namespace, *, passing: bool, timeout: float) -> None:
    until = time.monotonic() + timeout
    while _passes(ns) != passing:
        assert time.monotonic() < until, f"the tunnel is {'shut' if passing else 'open'} still"
        time.sleep(0.1)


def _knock(machine: Machine) -> None:
    with sender(machine.stranger) as send:
        send.knocks(World.stranger4, machine.host4, KNOCKS, pause=0.02)
    await_admitted(machine, World.stranger4)


def test_a_tunnel_opens_with_the_knock_and_outlives_the_stay_while_it_is_used() -> None:
    with host(_config(linger=True)) as machine, _tunnel(machine) as mine:
        time.sleep(2)
        assert mine.handshakes() == 0
        assert not _passes(machine.stranger)
        _knock(machine)
        _await(machine.stranger, passing=True, timeout=8)
        assert mine.handshakes() > 0
        time.sleep(STAY)
        assert (
            "198.51.100.10" not in machine.run("portress", "status", "--json").stdout.partition('"events"')[0]
        )
        assert _passes(machine.stranger)


def test_a_tunnel_is_cut_at_the_end_of_the_stay_where_sessions_must_not_linger() -> None:
    with host(_config(linger=False)) as machine, _tunnel(machine):
        _knock(machine)
        _await(machine.stranger, passing=True, timeout=8)
        _await(machine.stranger, passing=False, timeout=STAY + 5)
        time.sleep(2)
        assert not _passes(machine.stranger)
