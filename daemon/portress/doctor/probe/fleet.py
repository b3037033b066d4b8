"""The fleet: whether each member of its store answers, what this gateway may do there, clocks, files.

In: the section `fleet`. Out: findings and a fact. It asks every member, and writes nothing.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterator
from typing import Final

from attrs import evolve, frozen

from portress.config.model import Fleet
from portress.doctor.probe.finding import Fact, Finding
from portress.errors import Mistake

PATIENCE: Final = 3.0  # seconds that a member may take
OFF: Final = 5.0  # seconds between this clock and a member's
_ALONE: Final = "gateways that cannot reach the store hear nothing of each other"


@frozen
class StoreMember:
    """What one member of the store said. `clock`: the least (s) that this clock is ahead of it, negative:
    behind. `refused`: what this gateway may not do there."""

    url: str
    trouble: str = ""
    refused: str = ""
    clock: float = 0.0
    confined: bool = True


@frozen
class FleetState:
    """All members, and what is wrong with the files."""

    fleet: Fleet
    members: tuple[StoreMember, ...] = ()
    wrong: tuple[str, ...] = ()
    warned: tuple[str, ...] = ()
    called: str | None = None  # the common name of the gateway's certificate


def read(fleet: Fleet | None) -> FleetState | None:
    """Ask; None without a fleet."""
    if fleet is None:
        return None
    try:
        from portress.fleet import files
    except ImportError:
        return FleetState(fleet, wrong=("a fleet needs: apt install python3-aiohttp python3-cryptography",))
    now = time.time()
    wrong, warned = (*files.mistakes(fleet, now),), (*files.warnings(fleet, now),)
    called = files.names(fleet)
    try:
        members = asyncio.run(_ask_all(fleet))
    except Mistake as mistake:
        return FleetState(fleet, (), wrong or mistake.lines, warned, called)
    return FleetState(fleet, members, wrong, warned, called)


async def _ask_all(fleet: Fleet) -> tuple[StoreMember, ...]:
    return (*await asyncio.gather(*(_ask(fleet, url) for url in fleet.store)),)


async def _ask(fleet: Fleet, url: str) -> StoreMember:
    from portress.fleet.roster import access
    from portress.fleet.store import Store
    from portress.fleet.wire import Refused, StoreError

    prefix = f"/portress/{fleet.name}/".encode()
    async with Store(evolve(access(fleet), urls=(url,)), deadline=PATIENCE) as store:
        try:
            await store.now(prefix)
            await store.may_write(prefix + b"d/doctor")
        except Refused as error:
            return StoreMember(url, refused=str(error))
        except StoreError as error:
            return StoreMember(url, str(error))
        low, high = store.clock.low, store.clock.high
        clock = 0.0 if low <= 0 <= high else min(low, high, key=abs)
        confined = True
        if fleet.user is not None:
            try:
                await store.now(b"/portress")
                confined = False
            except StoreError:
                pass
        return StoreMember(url, clock=clock, confined=confined)


def facts(seen: FleetState | None) -> Iterator[Fact]:
    if seen is None:
        return
    answers = [one for one in seen.members if not one.trouble and not one.refused]
    told = f"{seen.fleet.name}, this gateway is {seen.fleet.gateway}"
    yield Fact("fleet", f"{told}; {len(answers)} of {len(seen.fleet.store)} members of the store answer")


def judge(seen: FleetState | None) -> Iterator[Finding]:
    """What is wrong with the fleet, as seen from here."""
    if seen is None:
        return
    for line in seen.wrong:
        yield Finding("fleet-files", "error", line, "this gateway is not part of its fleet", "portress check")
    for line in seen.warned:
        what, _, do = line.rpartition(": ")
        why = "the store refuses it from then on" if ": expires in " in what else "others can use it"
        yield Finding("fleet-files", "warning", what, why, do)
    if seen.called is not None:
        yield Finding(
            "fleet-certificate-named",
            "error",
            f"{seen.fleet.cert}: has the common name {seen.called}",
            "etcd's HTTP gateway refuses client certificates that have a common name",
            "make one without (subject /O=…), and name a user and a password for the roles",
        )
    yield from _members(seen)


def _members(seen: FleetState) -> Iterator[Finding]:
    silent = [one for one in seen.members if one.trouble]
    quorum = len(seen.members) // 2 + 1
    lost = len(seen.members) - len(silent) < quorum
    for one in silent:
        why = _ALONE if lost else "the store keeps working with the others, until one more is lost"
        do = f"look at etcd there: etcdctl --endpoints {one.url} endpoint health"
        yield Finding("fleet-store-away", "error" if lost else "warning", one.trouble, why, do)
    for one in seen.members:
        if one.refused:
            do = f"etcdctl role grant-permission {seen.fleet.name} --prefix=true readwrite"
            prefix = f"/portress/{seen.fleet.name}/"
            yield Finding("fleet-refused", "error", one.refused, _ALONE, f"{do} {prefix}")
        if abs(one.clock) > OFF:
            where = "ahead of" if one.clock > 0 else "behind"
            what = f"this clock is {abs(one.clock):.0f} s {where} that of {one.url}"
            why = "rotating sequences change every 30 s: those of other clocks are refused"
            yield Finding("fleet-clock", "warning", what, why, "run a time service on both: timedatectl")
    if any(not one.confined for one in seen.members):
        yield Finding(
            "fleet-unconfined",
            "warning",
            f"user {seen.fleet.user} of the store may read more than /portress/{seen.fleet.name}/",
            "anyone who takes over this gateway can read what else is in the store",
            "give it a role for that prefix alone: etcdctl role get; etcdctl user get",
        )
