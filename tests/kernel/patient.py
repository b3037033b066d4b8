"""What the doctor's tests share: configurations, a firewall, and what the doctor says of a namespace."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from collections.abc import Iterator
from typing import Any, Final

from lab import Daemon, Namespace, World, daemon

CONFIG: Final = """
doors:
  ssh:
    services: [tcp/22]
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 60s}
"""
ROTATING: Final = """
doors:
  vpn:
    services: [udp/51820]
    rotating: {pool: 20000-29999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
"""
FIREWALL: Final = """
table inet firewall {
  set open { type inet_service; elements = { 22, 443 }; }
  chain input {
    type filter hook input priority 0; policy drop;
    ct state vmap { established : accept, related : accept, invalid : drop }
    iifname "lo" accept
    meta l4proto { icmp, ipv6-icmp } accept
    tcp dport @open accept
  }
  chain forward { type filter hook forward priority 0; policy drop; }
}
"""
ABSENT: Final = {"guard-missing", "daemon-missing"}  # where a test needs neither


@contextlib.contextmanager
def kept(ns: Namespace, config: str = CONFIG, **more: Any) -> Iterator[Daemon]:
    """Only files: neither guard nor daemon."""
    with daemon(ns, config, guard=False, start=False, **more) as made:
        yield made


def report(made: Daemon) -> Any:
    done = made.verb("doctor", "--json", check=False)
    assert done.stderr == ""
    told = json.loads(done.stdout)
    assert done.returncode == (0 if told["healthy"] else 1)
    return told


def names(made: Daemon) -> set[str]:
    return {finding["name"] for finding in report(made)["findings"]}


def finding(made: Daemon, name: str) -> Any:
    """The one finding of that name, all others but those of an absent guard and daemon being wrong."""
    found = [one for one in report(made)["findings"] if one["name"] not in ABSENT]
    assert [one["name"] for one in found] == [name]
    assert found[0]["what"]
    assert found[0]["why"]
    assert found[0]["do"]
    return found[0]


def listening(w: World, *words: str) -> contextlib.AbstractContextManager[Any]:
    """A program of its own that listens, so that its name is known: `family kind address port`."""
    script = (
        "import socket, sys; f, k, a, p = sys.argv[1:]\n"
        "s = socket.socket(getattr(socket, f), getattr(socket, k))\n"
        "if f == 'AF_INET6': s.setsockopt(41, 26, 1)\n"
        "s.bind((a, int(p))); k == 'SOCK_STREAM' and s.listen(); print('on', flush=True); sys.stdin.read()"
    )
    process = w.host.popen(
        [sys.executable, "-c", script, *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "on\n"
    return contextlib.nullcontext(process)
