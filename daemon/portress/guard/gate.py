"""Which packets go to doors, and what becomes of them, as rules in nft's own language. Pure.

In: the configuration; the part of the guard that knocks come to. Out: sets and maps of services, and the
rules of the chains that packets come in by. Most packets go to no door: a look at their port tells.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from portress.config.model import Config
from portress.guard import continuing, judging
from portress.guard.closed import LATE
from portress.guard.language import (
    ADDRESS,
    DADDR,
    KNOCK,
    KNOCK_TYPE,
    SADDR,
    Part,
    Set,
    no_knocks,
    service_element,
    source,
)
from portress.knock import Service

RANGES: Final = "_ranges"  # behind the name of a set of services: those of ranges of ports
TO: Final = {4: "_to_4", 6: "_to_6"}  # those of other destinations, by their address family
NEAR: Final = "near"  # the chain of packets to ports of doors, among others
MET: Final = "met"  # the chain of packets to ports of doors or of knocks
ARRIVING: Final = "arriving"  # the same before connection tracking
HERE: Final = "here"  # the chain of packets to ports of doors
DISMISSED: Final = "dismissed"  # sources whose every packet needs an admission: dismissed_4, dismissed_6
DISMISSED_FOR: Final = 86400  # s since the last packet to a port of a door
# What the host itself takes a packet by; only the first is a place for knocks.
_OWN: Final = "local, broadcast, multicast, anycast"
NOT_OWN: Final = f"fib daddr type != {{ {_OWN} }} accept"
_NOT_SYN: Final = "tcp flags & (fin | syn | rst | ack) != syn accept"


def door_chain(door: str) -> str:
    """The chain a packet to one of the door's services goes through."""
    return f"door_{door}"


def dismissed_set(family: int) -> str:
    """The set of sources of that address family (4 or 6) that were dismissed."""
    return f"{DISMISSED}_{family}"


def services(config: Config) -> dict[str, list[tuple[Service, str]]]:
    """Which services are in which set or map, and in a map where a packet to it goes.

    Ranges of ports and destinations are apart: a look-up among them takes longer the more there are, one
    among single ports does not.
    """
    doors = config.doors.values()
    groups = {
        "strict": [
            (one, f" : {'jump own' if one.to is None else 'goto strict'}_{door.name}")
            for door in doors
            if not door.linger
            for one in door.services
        ],
        "public": [(service, "") for service in sorted(config.public)],
        "doors": [(one, f" : goto {door_chain(door.name)}") for door in doors for one in door.services],
    }
    by_set: dict[str, list[tuple[Service, str]]] = {}
    for name, entries in groups.items():
        for service, goal in entries:
            if service.to is not None:
                suffix = TO[service.to.version]
            else:
                suffix = "" if service.first == service.last else RANGES
            by_set.setdefault(name + suffix, []).append((service, goal))
    return by_set


def _key_type(name: str) -> str:
    """What the elements of a set of services are made of."""
    return next((f"{KNOCK_TYPE} . {ADDRESS[f]}" for f, end in TO.items() if name.endswith(end)), KNOCK_TYPE)


def mirrors(config: Config) -> Iterable[Set]:
    for name, entries in services(config).items():
        is_map = bool(entries[0][1])
        flags = ("flags interval",) if name.endswith((RANGES, *TO.values())) else ()
        yield Set(
            name,
            (f"type {_key_type(name)}{' : verdict' if is_map else ''}", *flags),
            "map" if is_map else "set",
            elements=tuple(service_element(service) + goal for service, goal in entries),
        )
    yield from placed(config)
    for family in (4, 6):
        networks = sorted(str(network) for network in config.always if network.version == family)
        if networks:
            spec = (f"type {ADDRESS[family]}", "flags interval")
            yield Set(f"always_{family}", spec, elements=tuple(networks))


def placed(config: Config) -> Iterable[Set]:
    """Every service with a destination, where somebody has to know whether there is one."""
    if all(door.linger for door in config.doors.values()):
        return
    doors = (one for door in config.doors.values() for one in door.services)
    services = sorted({*doors, *config.public})
    for family, end in TO.items():
        here = tuple(service_element(one) for one in services if one.to and one.to.version == family)
        if here:
            yield Set(f"placed_{family}", (f"type {_key_type(end)}", "flags interval"), elements=here)


def always(config: Config) -> Iterable[str]:
    for family in (4, 6):
        if any(network.version == family for network in config.always):
            yield f"{SADDR[family]} @always_{family} accept"


def _looked_up(config: Config, keys: dict[str, str]) -> Iterable[str]:
    """Where packets to the services of these sets (name -> key) go, of those that there are."""
    by_set = services(config)
    for name, key in keys.items():
        if name in by_set:
            yield f"{key} vmap @{name}" if by_set[name][0][1] else f"{key} @{name} accept"


def at_own(config: Config, group: str) -> Iterable[str]:
    """Where packets to services of this host itself go, once it is known that they are for it."""
    yield from _looked_up(config, {group: KNOCK, group + RANGES: KNOCK})


def _elsewhere(config: Config, group: str) -> Iterable[str]:
    """Where packets to services of other destinations go."""
    yield from _looked_up(config, {group + end: f"{KNOCK} . {DADDR[f]}" for f, end in TO.items()})


def _inside(config: Config) -> str:
    """What is not named is guarded, under whatever name it comes."""
    if not config.inside:
        return 'iif "lo"'
    names = ", ".join(f'"{name}"' for name in ("lo", *sorted(config.inside)))
    return f"iifname {{ {names} }}"


def _dialled(config: Config) -> tuple[set[int], list[tuple[int, int]]]:
    """The ports of doors, and ranges of them."""
    services = [one for door in config.doors.values() for one in door.services]
    single = {one.first for one in services if one.first == one.last}
    return single, [(one.first, one.last) for one in services if one.first < one.last]


def near(config: Config) -> list[str]:
    """What tells, by its port alone, a packet that may be to a door."""
    return judging.among_ports(*_dialled(config))


def _near_or_knocked(config: Config) -> list[str]:
    """What tells, by its port alone, a packet that may be to a door or a knock."""
    (of_doors, door_ranges), (of_knocks, knock_ranges) = _dialled(config), judging.knocked(config)
    every = of_doors | of_knocks, door_ranges + knock_ranges
    if judging.are_few(*every):
        return judging.among_ports(*every)
    return [*near(config), *judging.ports(config)]


def met(config: Config) -> Iterable[str]:
    """What becomes of packets to ports of doors or of knocks: what passes the gate may be a knock."""
    yield from (f"{one} jump {NEAR}" for one in near(config))
    yield from judging.tail(config)
    yield f"goto {judging.STRANGER}"


def early(config: Config) -> Iterable[str]:
    """Before connection tracking spends anything on them: what may be to a door."""
    yield from (f"{one} goto {ARRIVING}" for one in near(config))


def arriving(config: Config) -> Iterable[str]:
    """Refuses SYNs, and datagrams where every one needs the admission. Other datagrams may belong to a flow
    that outlives it, which only connection tracking knows."""
    yield f"{_inside(config)} accept"
    yield f"meta l4proto tcp {_NOT_SYN}"
    if config.closed == "alike":
        yield f"jump {LATE}"
    if continuing.strict(config):
        yield from continuing.early_rules()
    yield from (*_elsewhere(config, "strict"), *at_own(config, "strict"))
    yield "meta l4proto != tcp accept"
    yield from _guarded(config)
    yield NOT_OWN
    yield from at_own(config, "doors")


def _guarded(config: Config) -> Iterable[str]:
    """Where first packets to services go, but for doors of this host itself. What comes after is for those,
    or for none."""
    yield from always(config)
    yield from (*_elsewhere(config, "public"), *_elsewhere(config, "doors"))
    yield from at_own(config, "public")  # what is not for this host is accepted all the same


def uncounted(config: Config) -> list[str]:
    """What tells packets that are no knock, or count for none, those first that are told soonest: repeats of
    what has been asked of packets near a door."""
    asked = [*always(config), *_elsewhere(config, "public"), *at_own(config, "public")]
    return [
        _inside(config),
        f"meta l4proto tcp {_NOT_SYN}".removesuffix(" accept"),
        "ct state established,invalid",
        *(one.removesuffix(" accept") for one in asked),
        *no_knocks(config),
    ]


def gate(config: Config) -> Iterable[str]:
    """What becomes of packets to doors. What is left are first packets to other ports."""
    yield f"{_inside(config)} accept"
    yield from (*_elsewhere(config, "strict"), *at_own(config, "strict"))
    for family in (4, 6):
        yield f"{source(config, family)} @{dismissed_set(family)} jump {DISMISSED}"
    # Not what is related to a flow: a stranger can lead a helper to expect a connection to a door. ICMP
    # errors go on as any ICMP does.
    yield "ct state established accept"
    yield from _guarded(config)
    # What the address is takes the kernel longest to tell: it is only asked where it matters.
    yield from (
        f"{KNOCK} @{one} jump {HERE}" for one in ("doors", "doors" + RANGES) if one in services(config)
    )
    yield f"meta l4proto tcp {_NOT_SYN}"
    yield "meta l4proto != { tcp, udp } accept"


def entry(config: Config, knocks: Part) -> Iterable[str]:
    if knocks.checks:
        yield from (f"{one} goto {MET}" for one in _near_or_knocked(config))
        yield from judging.callers(config)
        return
    yield from gate(config)
    yield from (f"{one} accept" for one in ("ct state invalid", *no_knocks(config)))
    yield from knocks.rules


def dismissed(config: Config) -> Iterable[str]:
    """A flow that this host itself keeps alive would let them go on: it stays established whoever is cut."""
    yield from always(config)
    for family in (4, 6):
        key = f"{source(config, family)} timeout {DISMISSED_FOR}s"
        yield f"update @{dismissed_set(family)} {{ {key} }}"
    yield from _elsewhere(config, "public")
    yield from _elsewhere(config, "doors")
    yield NOT_OWN
    yield from at_own(config, "doors")
