"""The nouns: Knock, Sequence, Service, Source, Expected. Frozen values without I/O.

Durations and moments are whole nanoseconds (int), as `time.monotonic_ns()` gives them.
"""

from __future__ import annotations

from collections.abc import Collection
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from typing import Final, NamedTuple

from attrs import field, frozen

TCP: Final = 6
UDP: Final = 17
PROTOCOLS: Final = {"tcp": TCP, "udp": UDP}
PROTOCOL_NAMES: Final = {TCP: "tcp", UDP: "udp"}

_MAPPED: Final = bytes(10) + b"\xff\xff"  # ::ffff:0:0/96
SECOND: Final = 1_000_000_000

# What a watcher tells in place of knocks of which it does not know the order: no knock of any sequence.
UNSURE: Final = 0

# The time step of a sequence that is in force at any time and yet works once only: one on paper. It is later
# than any step that comes.
TIMELESS: Final = 1 << 62


def _protocol(text: str) -> int:
    try:
        return PROTOCOLS[text]
    except KeyError:
        raise ValueError("a protocol is tcp or udp") from None


def _port(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and text[0] != "0" and int(text[:6]) <= 65535):
        raise ValueError("a port is 1 to 65535")
    return int(text)


def _split(text: str, example: str) -> tuple[int, str]:
    protocol, slash, rest = text.partition("/")
    if not slash or not rest:
        raise ValueError(f"written protocol/port, for example {example}")
    return _protocol(protocol), rest


def _destination(text: str) -> IPv4Network | IPv6Network:
    """An address or a prefix behind the @ of a service. Raises ValueError."""
    try:
        if "%" in text:
            raise ValueError
        loose = ip_network(text, strict=False)
    except ValueError:
        raise ValueError(
            "behind the @ is an address or a prefix, for example tcp/443@172.17.0.2 or tcp/22@2001:db8:7::/64"
        ) from None
    first = loose.network_address
    if ip_address(text.partition("/")[0]) != first:
        raise ValueError(
            f"bits beyond the prefix are set: write @{loose}, or @{text.partition('/')[0]} for one"
        )
    if first.packed.startswith(_MAPPED):
        raise ValueError("write an IPv4 address in its IPv4 form, for example tcp/443@172.17.0.2")
    return loose


class Knock(int):
    """One opening packet: a TCP SYN or a UDP datagram to one port, written `tcp/4617`.

    A knock is the number `protocol << 16 | port`, with the IP protocol number (6 or 17): what the
    packet path computes is a plain int that is equal to the knock.
    """

    __slots__ = ()

    @classmethod
    def of(cls, protocol: int, port: int) -> Knock:
        """`protocol` is an IP protocol number, 6 or 17; `port` is 1 to 65535. Raises ValueError."""
        if protocol not in PROTOCOL_NAMES:
            raise ValueError("a protocol is tcp or udp")
        if not 1 <= port <= 65535:
            raise ValueError("a port is 1 to 65535")
        return cls(protocol << 16 | port)

    @classmethod
    def parse(cls, text: str) -> Knock:
        """Read `tcp/4617` or `udp/2953`. Raises ValueError, its text saying what would be right."""
        protocol, port = _split(text, "tcp/4617")
        return cls(protocol << 16 | _port(port))

    @property
    def protocol(self) -> int:
        return self >> 16

    @property
    def port(self) -> int:
        return self & 0xFFFF

    def __str__(self) -> str:
        if self == UNSURE:
            return "knocks in no certain order"
        return f"{PROTOCOL_NAMES[self >> 16]}/{self & 0xFFFF}"

    def __repr__(self) -> str:
        return f"Knock({str(self)!r})"


@frozen
class Sequence:
    """An ordered list of knocks, all different, and the longest pause allowed between two of them."""

    knocks: tuple[Knock, ...]
    gap: int  # ns, > 0

    def __attrs_post_init__(self) -> None:
        if not self.knocks:
            raise ValueError("a sequence has at least one knock")
        if len(set(self.knocks)) != len(self.knocks):
            raise ValueError("a sequence's knocks are all different")
        if self.gap <= 0:
            raise ValueError("a gap is longer than 0")


@frozen
class Expected:
    """A sequence now in force and what it opens, or leaves: a door, for a keyholder's time step where there
    is one.

    `claim`: what its use is remembered under (`keyholders.secret.claim`); empty for a fixed sequence.
    One on paper has its place on the sheet, as (3, 10), and the step `TIMELESS`: it works once at any time.
    """

    sequence: Sequence
    door: str
    keyholder: str | None = None
    step: int | None = None
    claim: bytes = b""
    # Whether it admits only the connection that follows from the last knock's own port.
    one_connection: bool = field(default=False, kw_only=True)
    paper: tuple[int, int] | None = None
    leaves: bool = field(default=False, kw_only=True)  # it ends an admission to the door

    @property
    def named(self) -> str:
        """What tells it from its keyholder's others: `paper 3 of 10`; empty where nothing does."""
        if self.leaves:
            return "leaving sequence"
        return "" if self.paper is None else "paper {} of {}".format(*self.paper)

    @property
    def holder(self) -> tuple[str | None, str, bytes]:
        """Whose sequence it is: the keyholder, the door and the secret, by its claim."""
        return (self.keyholder, self.door, self.claim)


def _place(to: IPv4Network | IPv6Network | None) -> tuple[int, int, int]:
    """Sorts destinations: this host itself, then by family and address."""
    return (0, 0, 0) if to is None else (to.version, int(to.network_address), to.prefixlen)


@frozen(order=True)
class Service:
    """What a door protects: one port or a range of one protocol, `tcp/22`, `tcp/8000-8010`.

    Without a destination `to` it is at every address of this host itself. With one, as
    `tcp/443@172.17.0.2` or `tcp/22@2001:db8:7::/64`, it is at those addresses alone, whoever has them.
    """

    protocol: int
    first: int
    last: int
    to: IPv4Network | IPv6Network | None = field(default=None, order=_place)

    @classmethod
    def parse(cls, text: str) -> Service:
        """Read `tcp/22`, `tcp/8000-8010` or `tcp/443@172.17.0.2`. Raises ValueError, its text saying what
        would be right."""
        text, at, place = text.partition("@")
        protocol, ports = _split(text, "tcp/22 or tcp/8000-8010")
        first, dash, last = ports.partition("-")
        service = cls(
            protocol, _port(first), _port(last if dash else first), _destination(place) if at else None
        )
        if service.last < service.first:
            raise ValueError(
                "a range is written from the lower port to the higher, for example tcp/8000-8010"
            )
        return service

    def __contains__(self, knock: int) -> bool:
        """Whether it has this port; its destination is not looked at."""
        return knock >> 16 == self.protocol and self.first <= knock & 0xFFFF <= self.last

    def covers(self, packed: bytes) -> bool:
        """Whether a packet to this address (4 or 16 bytes) may be one to it, by its destination alone.

        Without a destination any may: which addresses are this host's own is not known here.
        """
        if self.to is None:
            return True
        shift = self.to.max_prefixlen - self.to.prefixlen
        same_family = len(packed) * 8 == self.to.max_prefixlen
        return same_family and int.from_bytes(packed, "big") >> shift == int(self.to.network_address) >> shift

    def overlaps(self, other: Service) -> bool:
        """Whether a packet can be one to both. One with a destination goes before one without."""
        if self.protocol != other.protocol or self.first > other.last or other.first > self.last:
            return False
        if self.to is None or other.to is None:
            return self.to is other.to
        return self.to.version == other.to.version and self.to.overlaps(other.to)

    def __str__(self) -> str:
        ports = f"{self.first}" if self.first == self.last else f"{self.first}-{self.last}"
        return f"{PROTOCOL_NAMES[self.protocol]}/{ports}{self.destination}"

    @property
    def destination(self) -> str:
        """`@172.17.0.2` or `@172.17.0.0/16`; empty without one."""
        if self.to is None:
            return ""
        whole = self.to.prefixlen == self.to.max_prefixlen
        return f"@{self.to.network_address if whole else self.to}"


@frozen
class Source:
    """Who knocks: an IPv4 or IPv6 address, or the prefix it stands for.

    `packed` is the network address in network byte order (4 or 16 bytes), bits beyond `length` zero.
    On the packet path a source is just those bytes; a host counts one prefix length a family.
    """

    packed: bytes
    length: int
    port: int = 0  # of an admitted connection: the source port it has to come from; 0: any

    @classmethod
    def parse(cls, text: str) -> Source:
        """Read `192.0.2.7`, `2001:db8::7` or a prefix of either. Raises ValueError.

        An IPv4-mapped address (RFC 4291, 2.5.5.2), as programs with one socket for both families write it in
        their logs, is the IPv4 address: no packet bears the other.
        """
        try:
            network = ip_network(text.partition("%")[0] if "/" not in text else text, strict=False)
        except ValueError:
            raise ValueError(
                "a source is an address or a prefix, for example 192.0.2.7 or 2001:db8::/64"
            ) from None
        packed, length = network.network_address.packed, network.prefixlen
        if length >= 96 and packed.startswith(_MAPPED):
            return cls(packed[12:], length - 96)
        return cls(packed, length)

    @classmethod
    def of(cls, packed: bytes, length: int | None = None) -> Source:
        """The source that `packed` belongs to when `length` bits of an address count (default all)."""
        full = len(packed) * 8
        if length is None or length >= full:
            return cls(packed, full)
        number = int.from_bytes(packed, "big") >> (full - length) << (full - length)
        return cls(number.to_bytes(len(packed), "big"), length)

    @property
    def whole(self) -> Source:
        """It without its port."""
        return Source(self.packed, self.length) if self.port else self

    @property
    def key(self) -> bytes:
        """Its element in a set of the guard: the address, and the port if it has one, filled to 4 bytes."""
        return self.packed + self.port.to_bytes(2, "big") + b"\0\0" if self.port else self.packed

    @property
    def family(self) -> int:
        """4 or 6."""
        return 4 if len(self.packed) == 4 else 6

    @property
    def network(self) -> IPv4Network | IPv6Network:
        return ip_network((self.packed, self.length))

    def __str__(self) -> str:
        address = str(ip_address(self.packed))
        if self.port:
            return f"{address} port {self.port}"
        return address if self.length == len(self.packed) * 8 else f"{address}/{self.length}"


class Widths(NamedTuple):
    """How many bits of an IPv4 and of an IPv6 address count as one source."""

    ipv4: int
    ipv6: int

    def of(self, family: int) -> int:
        """The bits of an address of that family, 4 or 6."""
        return self.ipv4 if family == 4 else self.ipv6

    def source(self, packed: bytes) -> Source:
        """The source that an address in network byte order belongs to."""
        return Source.of(packed, self.of(4 if len(packed) == 4 else 6))

    def counted(self, source: Source) -> Source:
        """That of these widths which a source belongs to; a single connection, and a wider one, are as they
        are."""
        if source.port or source.length <= self.of(source.family):
            return source
        return self.source(source.packed)


WHOLE: Final = Widths(32, 128)  # each address is a source of its own


class Among:
    """Sources, of whatever width, to look addresses up in: as quick for very many as for one."""

    def __init__(self, sources: Collection[Source]) -> None:
        # Of very many, addresses alone are kept: pairs would be looked through by the garbage collector.
        self._packed: dict[int, dict[int, set[bytes]]] = {4: {}, 16: {}}  # by size and length
        for one in sources:
            if not one.port:
                self._packed[len(one.packed)].setdefault(one.length, set()).add(one.packed)
        self._ports = {(one.packed, one.port) for one in sources if one.port}
        self._lengths = {size: sorted(found, reverse=True) for size, found in self._packed.items()}

    def find(self, address: bytes, port: int = 0) -> Source | None:
        """The narrowest source that the address (4 or 16 bytes), and the port it uses, belong to."""
        if (address, port) in self._ports:
            return Source(address, len(address) * 8, port)
        for length in self._lengths.get(len(address), ()):
            source = Source.of(address, length)
            if source.packed in self._packed[len(address)][length]:
                return source
        return None
