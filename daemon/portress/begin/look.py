"""What there is on this host, before anything is changed: what `portress begin` shows first.

In: this host, read only. Out: frozen facts. Whatever cannot be read is said so, and is no error.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from attrs import frozen

from portress.begin.plan import Shut
from portress.config.model import Config
from portress.doctor.probe import clock, kernel, rules, sockets
from portress.doctor.probe.finding import Fact
from portress.knock import PROTOCOL_NAMES, TCP, Service, Source
from portress.session import origins


@frozen
class Open:
    """A service that strangers can reach: where it listens, and by which program."""

    shut: Shut
    addresses: tuple[str, ...]

    @property
    def everybody(self) -> bool:
        return any(one in ("0.0.0.0", "::") for one in self.addresses)  # noqa: S104 - compared, not bound


@frozen
class Host:
    """This host as it is."""

    services: tuple[Open, ...]
    here: tuple[Source, ...]  # where this session comes from; none at a console
    login: Service | None  # the service this session came in by
    facts: tuple[tuple[str, str], ...]  # subject, what was seen
    systemd: bool
    taken: frozenset[int]  # knocks at which somebody listens


def read() -> Host:
    """Look at this host. Raises Mistake where it may not be looked at."""
    listeners = [one for one in sockets.read() if not one.inside]
    by_service: dict[Service, tuple[str, list[str]]] = {}
    for one in listeners:
        service = Service(one.knock >> 16, one.knock & 0xFFFF, one.knock & 0xFFFF)
        program, addresses = by_service.setdefault(service, ((one.program or "").partition(" ")[0], []))
        if one.address not in addresses:
            addresses.append(one.address)
        by_service[service] = (program or (one.program or "").partition(" ")[0], addresses)
    services = tuple(
        Open(Shut(service, program), tuple(addresses))
        for service, (program, addresses) in sorted(by_service.items(), key=lambda item: _order(item[0]))
    )
    here = tuple(origins())
    return Host(
        services,
        here,
        _login(services) if here else None,
        tuple((fact.subject, fact.told) for fact in _facts()),
        Path("/run/systemd/system").is_dir(),
        frozenset(one.knock for one in listeners),
    )


def _facts() -> Iterator[Fact]:
    """What matters before there is a configuration: firewall, kernel, nft, clock, hearing knocks."""
    core = kernel.read(Config(doors={}))
    yield from rules.facts(rules.read())
    for fact in kernel.facts(core):
        if fact.subject in ("kernel", "nft"):
            yield fact
    if core.watchers["packet"] is not None:
        yield Fact("knocks", f"cannot be heard here: {core.watchers['packet']}")
    yield from clock.facts(clock.read())


def _order(service: Service) -> tuple[bool, int, int]:
    """SSH first, then by protocol and port."""
    return (str(service) != "tcp/22", service.protocol, service.first)


def _login(services: tuple[Open, ...]) -> Service | None:
    """The service of the SSH connection that this session is in."""
    words = os.environ.get("SSH_CONNECTION", "").split()
    if len(words) == 4 and words[3].isdecimal():
        port = int(words[3])
        return Service(TCP, port, port)
    sshd = [one.shut.service for one in services if one.shut.program.startswith("sshd")]
    return sshd[0] if sshd else None


def named(service: Service) -> str:
    """A service as it is typed."""
    return f"{PROTOCOL_NAMES[service.protocol]}/{service.first}"
