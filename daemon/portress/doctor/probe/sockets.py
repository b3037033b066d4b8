"""Who listens: on guarded and public ports somebody should, on knock ports nobody."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator
from ipaddress import ip_address
from pathlib import Path

from attrs import frozen

from portress.config.model import Config, Door
from portress.doctor.probe.finding import Finding
from portress.doctor.probe.links import FAMILY_NAMES, Links
from portress.knock import TCP, Knock, Service
from portress.sock_diag import ListeningSocket, SockDiag


@frozen
class Listening:
    """A socket that takes first packets. `families`: over which it does (an IPv6 one may take IPv4 too)."""

    knock: int
    address: str
    families: frozenset[int]
    program: str | None  # name and process number, where it is known

    @property
    def inside(self) -> bool:
        """Bound to an address that no stranger reaches."""
        return ip_address(self.address.partition("%")[0]).is_loopback

    def __str__(self) -> str:
        return self.program or "a program"


def read(*, named: bool = True) -> tuple[Listening, ...]:
    """Ask the kernel over sock_diag; `named`: and look for the programs, which takes longer. OSError."""
    programs = _programs() if named else {}
    with SockDiag() as kernel:
        return tuple(_listening(one, programs) for one in kernel.listeners() if one.port)


def _listening(one: ListeningSocket, programs: dict[int, str]) -> Listening:
    address = ip_address(one.local)
    families = frozenset({address.version})
    if address.version == 6 and address.is_unspecified and not one.only_six:
        families = frozenset({4, 6})
    return Listening(one.protocol << 16 | one.port, str(address), families, programs.get(one.inode))


def _programs() -> dict[int, str]:
    """Inode of a socket -> the program that has it open, as far as /proc may be read."""
    found: dict[int, str] = {}
    for process in Path("/proc").iterdir():
        if not process.name.isdecimal():
            continue
        try:
            name = (process / "comm").read_text().strip()
            for entry in list((process / "fd").iterdir()):
                with contextlib.suppress(FileNotFoundError):  # closed meanwhile
                    link = os.readlink(entry)
                    if link.startswith("socket:["):
                        found.setdefault(int(link[8:-1]), f"{name} (process {process.name})")
        except OSError:  # gone meanwhile, or not ours to look at
            continue
    return found


def judge(
    config: Config, listeners: Iterable[Listening], links: Links, forwarded: frozenset[int]
) -> Iterator[Finding]:
    """`forwarded`: guarded and public knocks that are passed on to another host or container (DNAT)."""
    outward = [one for one in listeners if not one.inside]
    inward = {one.knock: one for one in listeners if one.inside}
    for door in config.doors.values():
        for service in (one for one in door.services if one.to is None):
            yield from _served(service, door.name, outward, inward, links, forwarded)
    for service in (one for one in config.public if one.to is None):
        yield from _served(service, None, outward, inward, links, forwarded)
    taken = [*config.public, *(service for door in config.doors.values() for service in door.services)]
    free = [one for one in outward if not any(one.knock in service for service in taken)]
    for door in config.doors.values():
        yield from _answered(door, free)


def _served(
    service: Service,
    door: str | None,
    outward: list[Listening],
    inward: dict[int, Listening],
    links: Links,
    forwarded: frozenset[int],
) -> Iterator[Finding]:
    """Whether somebody is there to be reached at a guarded or public service, over both address families."""
    named = f"{service} ({'guarded' if door else 'public'})"
    if any(knock in service for knock in forwarded):
        return
    there = [one for one in outward if one.knock in service]
    if not there:
        hidden = next((one for knock, one in inward.items() if knock in service), None)
        if hidden is not None:
            what = f"at {named}, {hidden} listens on {hidden.address} only"
            do = "make it listen on an address that clients can reach"
        else:
            what, do = f"nothing listens at {named}", "start the service"
        why = "admitted sources find the port closed" if door else "clients find the port closed"
        do = f"{do}, or take {service} out of the configuration"
        yield Finding("service-silent", "warning", what, why, do, door, service=str(service))
        return
    families = frozenset[int]().union(*(one.families for one in there))
    for family in sorted(links.families - families):
        yield Finding(
            "service-one-family",
            "warning",
            f"at {named}, {there[0]} listens over {FAMILY_NAMES[10 - family]} only",
            f"this host has {FAMILY_NAMES[family]} addresses, too: who comes by one finds the port closed",
            f"make it listen over {FAMILY_NAMES[family]}, too, or take such addresses out of the DNS",
            door,
            service=str(service),
        )


def _answered(door: Door, free: list[Listening]) -> Iterator[Finding]:
    """Programs that answer at a door's knocks."""
    for one in free:
        fixed = (one for one in (door.fixed, door.leaving_fixed) if one is not None)
        if any(one.knock in sequence.knocks for sequence in fixed):
            yield Finding(
                "knock-answered",
                "warning",
                f"{one} listens at {Knock(one.knock)}, a knock of this door",
                "the port stands out from its neighbours, and clients of that program knock by accident",
                "choose another knock, or bind the program to an inside address",
                door.name,
            )
    drawn = [one for one in free if _may_be_drawn(door, one.knock)]
    if drawn:
        shown = ", ".join(f"{Knock(one.knock)} ({one})" for one in drawn[:3])
        more = f" and {len(drawn) - 3} more" if len(drawn) > 3 else ""
        yield Finding(
            "pool-answered",
            "warning",
            f"programs listen at ports that this door's sequences are drawn from: {shown}{more}",
            "clients of those programs knock by accident, and knocks reach the programs",
            "draw from other ports, or bind the programs to inside addresses",
            door.name,
        )


def _may_be_drawn(door: Door, knock: int) -> bool:
    rotating, authenticator = door.rotating, door.authenticator
    protocol, port = knock >> 16, knock & 0xFFFF
    if (
        rotating is not None
        and protocol in rotating.protocols
        and 0 <= port - rotating.pool[0] <= rotating.pool[1] - rotating.pool[0]
    ):
        return True
    return authenticator is not None and protocol == TCP and 0 <= port - authenticator.base < 400
