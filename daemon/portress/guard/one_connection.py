"""A door that admits single connections: its sets, and the rules that let a first packet in. Pure.

In: the door. Out: nft text. By door and address family:

    one     source address . port: admitted, until somebody dials from there or the stay is over
    claim   the same: a first packet came from there; `limit rate 1/week burst 1` lets one packet in
    bound   what tells that packet from any other: its repeats pass
    near    source addresses that have an admitted connection
    tried   address . port: dialled from in vain by one of those, for `portress why`
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from portress.config.model import Config, Door
from portress.guard.language import ADDRESS, SADDR, Set, timed_set
from portress.knock import SECOND, TCP

ONE: Final = ".one_"
CLAIM: Final = ".claim_"
NEAR: Final = ".near_"
_BOUND: Final = ".bound_"
_TRIED: Final = ".tried_"
_MOST_TRIED: Final = 4096  # ports that are remembered for `why`


def one_set(door: str, family: int) -> str:
    """The set of the door's admitted connections of that address family: source address and port."""
    return f"{door}{ONE}{family}"


def tried_set(door: str, family: int) -> str:
    """The set of ports that admitted addresses dialled the door from in vain, for a minute."""
    return f"{door}{_TRIED}{family}"


def _port(family: int) -> str:
    return f"{SADDR[family]} . th sport"


def _bound_key(door: Door, family: int) -> tuple[str, str]:
    """What tells a first packet from all others of its address and port, and the type of that."""
    key, kind = f"{_port(family)} . th dport", f"{ADDRESS[family]} . inet_service . inet_service"
    if door.services[0].protocol == TCP:
        return f"{key} . tcp sequence", f"typeof {key} . tcp sequence"
    return key, f"type {kind}"


def sets(config: Config, door: Door, family: int) -> Iterable[Set]:
    """The door's sets."""
    kind, flags = f"type {ADDRESS[family]} . inet_service", "flags dynamic,timeout"
    yield Set(one_set(door.name, family), (kind, flags), size=config.admissions)
    yield Set(f"{door.name}{CLAIM}{family}", (kind, flags), size=config.admissions)
    yield timed_set(f"{door.name}{NEAR}{family}", family, config.admissions)
    yield Set(tried_set(door.name, family), (kind, flags), size=_MOST_TRIED)
    bound = (_bound_key(door, family)[1], flags)
    yield Set(f"{door.name}{_BOUND}{family}", bound, size=config.admissions)


def rules(door: Door, family: int) -> Iterable[str]:
    """The first packet from an admitted connection's port claims it, on however many processors at once.

    From then on its repeats pass and no other packet: nobody beside it gets in by dialling from that port.
    """
    name, port = door.name, _port(family)
    bound, _ = _bound_key(door, family)
    wait = f"timeout {-(-door.stay // SECOND)}s"
    yield f"{bound} @{name}{_BOUND}{family} accept"
    yield (
        f"{port} @{one_set(name, family)}"
        f" add @{name}{CLAIM}{family} {{ {port} {wait} limit rate 1/week burst 1 packets }}"
        f" add @{name}{_BOUND}{family} {{ {bound} {wait} }} accept"
    )
    yield f"{SADDR[family]} @{name}{NEAR}{family} add @{tried_set(name, family)} {{ {port} timeout 60s }}"


def admitting(door: Door, room: str) -> list[str]:
    """The packet that completes a sequence admits what comes from its own port: the rules for that, the last
    of which returns where there was room. `room` asks whether there may be any."""
    found, wait = [], f"timeout {door.stay // SECOND}s"
    for family, address in SADDR.items():
        port = _port(family)
        found += [
            f"delete @{door.name}{CLAIM}{family} {{ {port} }}",  # one that came before may come anew
            f"update @{door.name}{NEAR}{family} {{ {address} {wait} }}",
            f"{room}update @{one_set(door.name, family)} {{ {port} {wait} }} return",
        ]
    return found
