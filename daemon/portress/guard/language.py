"""The words of the guard: its sets, maps and chains in nft's own language. Pure.

In: names, specifications and rules as text. Out: the text of a table. Only what is written here and in the
modules that use it is ever loaded; nothing translates it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, Literal

from attrs import evolve, frozen

from portress.config.model import Config
from portress.knock import PROTOCOL_NAMES, Service

FAMILY: Final = "inet"
TABLE: Final = "portress"

SADDR: Final = {4: "ip saddr", 6: "ip6 saddr"}
DADDR: Final = {4: "ip daddr", 6: "ip6 daddr"}
ADDRESS: Final = {4: "ipv4_addr", 6: "ipv6_addr"}
KNOCK: Final = "meta l4proto . th dport"
KNOCK_TYPE: Final = "inet_proto . inet_service"
OWNED: Final = "flags owner, persist"  # of a table: kernel 6.9, nft 1.1


@frozen
class Set:
    """A named set or map. `spec` is its type and further lines; `size` is how many elements it takes at the
    most (0: no limit). Elements that are not `steady` change with time and say nothing of the configuration.
    """

    name: str
    spec: tuple[str, ...]
    kind: Literal["set", "map"] = "set"
    size: int = 0
    elements: tuple[str, ...] = ()
    steady: bool = True


@frozen
class Chain:
    """A chain with its rules, a line each; `head` is the line that makes it a base chain."""

    name: str
    rules: tuple[str, ...]
    head: str = ""


@frozen
class Part:
    """A part of the guard. `living` sets keep their elements over a reload, `mirrors` are recreated; a chain
    comes before those that go to it; `rules` are the part's own in the chain that it belongs to. `checks`: it
    sees to it itself that what `no_knocks` says does not count."""

    counters: tuple[str, ...] = ()
    living: tuple[Set, ...] = ()
    mirrors: tuple[Set, ...] = ()
    chains: tuple[Chain, ...] = ()
    rules: tuple[str, ...] = ()
    checks: bool = False


def no_knocks(config: Config) -> list[str]:
    """What tells packets that count for nothing, of all first packets.

    What is not for the host itself; and those who are shunned, where anybody can be.
    """
    if config.misses is None:
        return ["fib daddr type != local"]
    shunned = (f"{source(config, family)} @shunned_{family}" for family in SADDR)
    return ["fib daddr type != local", *shunned]


def source(config: Config, family: int) -> str:
    """The source of a packet: its address, or as much of it as the configuration counts."""
    length, full = config.widths.of(family), 32 if family == 4 else 128
    if length == full:
        return SADDR[family]
    mask = -1 << (full - length)
    if family == 4:
        text = ".".join(str(mask >> shift & 255) for shift in (24, 16, 8, 0))
    else:
        text = ":".join(f"{mask >> shift & 0xFFFF:x}" for shift in range(112, -1, -16))
    return f"{SADDR[family]} & {text}"


def knock_element(knock: int) -> str:
    """A knock as an element of a set of knocks."""
    return f"{PROTOCOL_NAMES[knock >> 16]} . {knock & 0xFFFF}"


def service_element(service: Service) -> str:
    """A service, perhaps a range of ports and a destination, as an element of a set."""
    ports = f"{service.first}" if service.first == service.last else f"{service.first}-{service.last}"
    to = "" if service.to is None else f" . {service.destination[1:]}"
    return f"{PROTOCOL_NAMES[service.protocol]} . {ports}{to}"


def timed_set(name: str, family: int, size: int = 0, *more: str) -> Set:
    """A set of sources of that address family (4 or 6), each for a time of its own.

    Dynamic, whether or not the packet path adds to it now: what a reload adds again has to be the same.
    """
    return Set(name, (f"type {ADDRESS[family]}", "flags dynamic,timeout", *more), size=size)


def without_passing(sets: Iterable[Set]) -> tuple[Set, ...]:
    """The sets without the elements that change with time."""
    return tuple(one if one.steady else evolve(one, elements=()) for one in sets)


def set_text(one: Set) -> str:
    lines = [f"\t{one.kind} {one.name} {{", *(f"\t\t{line}" for line in one.spec)]
    if one.size:
        lines.append(f"\t\tsize {one.size}")
    if one.elements:
        listed = ",\n\t\t\t     ".join(one.elements)
        lines.append(f"\t\telements = {{ {listed} }}")
    return "\n".join((*lines, "\t}\n"))


def chain_text(one: Chain) -> str:
    lines = [f"\tchain {one.name} {{", *([f"\t\t{one.head}"] if one.head else [])]
    return "\n".join((*lines, *(f"\t\t{rule}" for rule in one.rules), "\t}\n"))


def replacement(one: Chain) -> str:
    """What gives a chain these rules instead of those that it has, if it is there.

    The table is not named by itself: one that has an owner may be named with its flags only (EOPNOTSUPP).
    """
    which = f"{FAMILY} {TABLE} {one.name}"
    lines = [f"add chain {which}{f' {{ {one.head} }}' if one.head else ''}", f"flush chain {which}"]
    return "".join(f"{line}\n" for line in (*lines, *(f"add rule {which} {rule}" for rule in one.rules)))


def removal(one: Chain) -> str:
    """What removes a chain that is there, and its rules."""
    return f"flush chain {FAMILY} {TABLE} {one.name}\ndelete chain {FAMILY} {TABLE} {one.name}\n"


def counter_text(name: str) -> str:
    return f"\tcounter {name} {{\n\t}}\n"
