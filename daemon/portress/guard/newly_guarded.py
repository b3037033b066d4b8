"""Sessions that needed no admission until another configuration came: a reload does not end them.

In: the configuration before and now. Out: those that would need one for every packet now. Connection tracking
is told of those that it did not see begin.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator

from attrs import evolve

from portress.config.model import Config
from portress.guard import continuing, flows, tracked
from portress.guard.continuing import Session
from portress.guard.tracked import Flow, Routes
from portress.knock import TCP, Service, Source
from portress.netlink import Netfilter
from portress.session import Connection, connected


def find(before: Config, now: Config) -> list[Session]:
    """The sessions that `now` would cut and `before` did not guard, once each. Raises OSError."""
    if _guarded(before) == _guarded(now):
        return []
    with contextlib.closing(Routes()) as routes:
        services = (one for door in now.doors.values() for one in door.services)
        missed = [one for one in connected(services) if not _guards(before, _flow(one), routes)]
        flows.adopt(missed)
        strict = evolve(now, doors={name: door for name, door in now.doors.items() if not door.linger})
        if not strict.doors:
            return []
        with Netfilter() as netfilter:
            found = {
                Session(one.protocol, one.source, one.source_port, one.target, one.port): None
                for flow in tracked.flows(netfilter)
                if flow.answered
                for one in _both_ways(flow)
                if _door(strict, one, routes) and not _guards(before, one, routes)
            }
    return list(found)


def needed(config: Config, ends: Iterable[tuple[Source, bytes, int]]) -> list[list[str]]:
    """For each TCP connection, by its source and its address and port here: the doors of which one has to
    admit the source; none where no admission is needed. Port 0: not known, each door with TCP counts.

    Raises OSError.
    """
    with contextlib.closing(Routes()) as routes:
        return [
            list(_needed(config, Flow(TCP, source.packed, 0, local, port, None, b""), routes))
            for source, local, port in ends
        ]


def _needed(config: Config, flow: Flow, routes: Routes) -> Iterator[str]:
    if not _stopped(config, flow.source, routes) or (flow.port and not _door(config, flow, routes)):
        return
    for door in config.doors.values():
        if any(_goes(flow, one, routes) if flow.port else one.protocol == TCP for one in door.services):
            yield door.name


def too_many(sessions: Iterable[Session]) -> int:
    """How many of them find no room in the guard."""
    by_family = {4: 0, 6: 0}
    for one in sessions:
        by_family[one.family] += 1
    return sum(max(0, count - continuing.SIZE) for count in by_family.values())


def _guarded(config: Config) -> tuple[object, ...]:
    """What of a configuration says who is guarded from whom, and for how long."""
    doors = {(name, door.services, door.linger) for name, door in config.doors.items()}
    return doors, config.inside, config.always, config.public


def _flow(one: Connection) -> Flow:
    return Flow(TCP, one.peer, one.peer_port, one.local, one.local_port, None, b"")


def _both_ways(flow: Flow) -> Iterator[Flow]:
    """The flow, and one of TCP also from its other end: tracking may have begun in the middle."""
    yield flow
    if flow.protocol == TCP and (back := flow.backwards) is not None:
        yield back


def _guards(config: Config, flow: Flow, routes: Routes) -> bool:
    """Whether who has the flow needs an admission."""
    return _door(config, flow, routes) and _stopped(config, flow.source, routes)


def _stopped(config: Config, source: bytes, routes: Routes) -> bool:
    """Whether this source passes no door without an admission."""
    if config.lets_in(Source.of(source)):
        return False
    return routes.interface(source) not in ("lo", *config.inside)


def _door(config: Config, flow: Flow, routes: Routes) -> bool:
    """Whether the flow goes to a door; a service with a destination goes before one without."""
    open_ = [one for one in config.public if _goes(flow, one, routes)]
    doors = [one for door in config.doors.values() for one in door.services if _goes(flow, one, routes)]
    placed = any(one.to is not None for one in doors)
    return bool(doors) and (placed or all(one.to is None for one in open_))


def _goes(flow: Flow, service: Service, routes: Routes) -> bool:
    if (flow.protocol << 16 | flow.port) not in service or not service.covers(flow.target):
        return False
    return service.to is not None or routes.own(flow.target)
