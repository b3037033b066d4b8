"""Sessions that go on where every packet needs an admission, since they needed none when they began. Pure.

In: flows, by their ends. Out: the guard's sets of them, and the rules by which they pass. Only what is
established passes so, and no first packet: who dials anew, from the same port even, is a stranger. Who was
dismissed passes no more.
"""

from __future__ import annotations

from collections.abc import Iterable
from ipaddress import ip_address
from typing import Final

from attrs import frozen

from portress.config.model import Config
from portress.guard.language import ADDRESS, DADDR, FAMILY, SADDR, TABLE, Set, source
from portress.knock import PROTOCOL_NAMES, Among, Service

SETS: Final = {4: "continuing4", 6: "continuing6"}
SIZE: Final = 65536  # sessions of an address family
_FOR: Final = "timeout 5d"  # since the last packet: what the kernel gives an idle established connection
_NOT_FIRST: Final = "tcp flags & (fin | syn | rst | ack) != syn ct state established"
# A flow of datagrams that this host itself begins anew, after an end, must not let the other side in.
_OF_DATAGRAMS: Final = "meta l4proto udp ct state established ct direction original"


@frozen
class Session:
    """A flow by its ends: addresses in network byte order, of either family; ports."""

    protocol: int
    source: bytes
    source_port: int
    target: bytes
    port: int

    @property
    def family(self) -> int:
        return 4 if len(self.source) == 4 else 6

    @property
    def key(self) -> bytes:
        """The element that it is: each part filled up to four bytes."""
        ports = (one.to_bytes(2, "big") + b"\0\0" for one in (self.source_port, self.port))
        protocol, ends = bytes((self.protocol, 0, 0, 0)), zip((self.source, self.target), ports, strict=True)
        return protocol + b"".join(part for end in ends for part in end)

    @classmethod
    def of(cls, key: bytes) -> Session:
        """The session that an element is."""
        half = (len(key) - 4) // 2
        one, other = key[4 : 4 + half], key[4 + half :]
        ports = (int.from_bytes(each[-4:-2], "big") for each in (one, other))
        return cls(key[0], one[:-4], next(ports), other[:-4], next(ports))

    def __str__(self) -> str:
        """As nft writes it."""
        source, target = (ip_address(one) for one in (self.source, self.target))
        return f"{PROTOCOL_NAMES[self.protocol]} . {source} . {self.source_port} . {target} . {self.port}"

    def belongs(self, sources: Among, services: Iterable[Service]) -> bool:
        """Whether one of `sources` has it, with one of `services`."""
        dialled = self.protocol << 16 | self.port
        if not any(dialled in one and one.covers(self.target) for one in services):
            return False
        return sources.find(self.source, self.source_port) is not None


def strict(config: Config) -> bool:
    """Whether there is a door where sessions need an admission for every packet."""
    return any(not door.linger for door in config.doors.values())


def _key(family: int) -> str:
    return f"meta l4proto . {SADDR[family]} . th sport . {DADDR[family]} . th dport"


def sets(config: Config) -> Iterable[Set]:
    """The sets, where there are doors that need them."""
    if strict(config):
        for family, name in SETS.items():
            kind = f"inet_proto . {ADDRESS[family]} . inet_service . {ADDRESS[family]} . inet_service"
            yield Set(name, (f"type {kind}", "flags dynamic,timeout"), size=SIZE)


def early_rules() -> Iterable[str]:
    """What leaves a datagram to the rules below: only connection tracking knows whether it is established."""
    for family, name in SETS.items():
        yield f"meta l4proto udp {_key(family)} @{name} accept"


def rules(config: Config, dismissed: dict[int, str]) -> Iterable[str]:
    """What lets their packets pass. `dismissed`: by address family, the set of dismissed sources."""
    for family, name in SETS.items():
        which = f"{source(config, family)} != @{dismissed[family]} {_key(family)} @{name}"
        for established in (_NOT_FIRST, _OF_DATAGRAMS):
            yield f"{established} {which} update @{name} {{ {_key(family)} {_FOR} }} accept"


def lines(sessions: Iterable[Session]) -> list[str]:
    """nft text that has these in the sets from now on."""
    listed: dict[str, list[str]] = {}
    for one in sessions:
        listed.setdefault(SETS[one.family], []).append(f"{one} {_FOR}")
    return [f"add element {FAMILY} {TABLE} {name} {{ {', '.join(texts)} }}" for name, texts in listed.items()]
