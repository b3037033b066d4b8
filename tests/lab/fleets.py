"""A fleet for tests: gateways with daemons, a store, and clients, all on one switch.

    with fleet(CONFIG, gateways=2, keyholders=...) as f:
        with sender(f.client) as send: send.knocks(f.client4, f.gateways[0].address, KNOCKS, 0.02)
        f.gateways[1].daemon.wait_for("admitted")

`f.store` is the Etcd; `f.client` and `f.other` knock. Each gateway is a namespace with a daemon of its own.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from lab.etcd import Etcd, etcd
from lab.portress import Daemon, daemon
from lab.space import Namespace, namespace, scratch

STORE = "198.51.100.2"
SECRET = bytes(range(32))


@dataclass
class Gateway:
    """One of them: its name, where it is, its address, its daemon."""

    name: str
    ns: Namespace
    address: str
    daemon: Daemon


@dataclass
class Fleet:
    """All that there is."""

    switch: Namespace
    store_namespace: Namespace
    store: Etcd
    client: Namespace
    other: Namespace
    folder: Path
    gateways: list[Gateway] = field(default_factory=list)
    client4: str = "198.51.100.101"
    other4: str = "198.51.100.102"

    def section(self, name: str, more: str = "") -> str:
        """The section `fleet` of a gateway's configuration."""
        urls = ", ".join(f'"{url}"' for url in self.store.urls)
        files = ", ".join(f"{what}: {path}" for what, path in self.store.files.items())
        mine = f"name: edge, gateway: {name}, store: [{urls}], secret: {self.folder}/secret, {files}"
        return f"fleet: {{{mine}{more}}}\n"


def _plug(switch: Namespace, ns: Namespace, number: int) -> str:
    """A cable from the switch to `ns`; its address."""
    address = f"198.51.100.{number}"
    switch.ip(
        f"link add port{number} type veth peer name eth0 netns {ns.name}",
        f"link set port{number} master br0",
        f"link set port{number} up",
    )
    ns.ip(f"address add {address}/24 dev eth0", "link set eth0 up")
    return address


@contextlib.contextmanager
def fleet(
    config: str,
    *,
    gateways: int = 2,
    members: int = 1,
    keyholders: str | None = None,
    more: str = "",
    start: bool = True,
) -> Iterator[Fleet]:
    """A fleet whose gateways have this configuration; `more` is put into the section `fleet`."""
    with contextlib.ExitStack() as stack:
        folder = stack.enter_context(scratch())
        switch = stack.enter_context(namespace("switch"))
        switch.ip("link add br0 type bridge", "link set br0 up")
        place = stack.enter_context(namespace("store"))
        _plug(switch, place, 2)
        (folder / "secret").write_bytes(SECRET)
        (folder / "secret").chmod(0o600)
        (folder / "etcd").mkdir()
        store = stack.enter_context(etcd(folder / "etcd", members, (), place, STORE))
        client, other = (stack.enter_context(namespace(role)) for role in ("client", "other"))
        made = Fleet(switch, place, store, client, other, folder)
        for ns, number in ((client, 101), (other, 102)):
            _plug(switch, ns, number)
        for number in range(1, gateways + 1):
            name = f"edge-{number}"
            ns = stack.enter_context(namespace(name))
            address = _plug(switch, ns, 10 + number)
            text = config + made.section(name, more)
            run = stack.enter_context(daemon(ns, text, keyholders=keyholders, start=start))
            made.gateways.append(Gateway(name, ns, address, run))
        yield made


def cut_off(f: Fleet, gateway: Gateway, *, off: bool = True) -> None:
    """The gateway's way to the store is cut (packets vanish), or there again."""
    table = f"""
    table inet cut {{
      chain c {{ type filter hook output priority 0; ip daddr {STORE} drop
      }}
      chain d {{ type filter hook input priority -400; ip saddr {STORE} drop
      }}
    }}"""
    if off:
        gateway.ns.nft(table)
    else:
        gateway.ns.run(["nft", "delete", "table", "inet", "cut"])
