"""The configuration as the rest of Portress sees it. Frozen values without I/O.

Durations are whole nanoseconds.
"""

from __future__ import annotations

from ipaddress import IPv4Network, IPv6Network
from pathlib import Path
from typing import Any, Final, Literal

from attrs import AttrsInstance, field, fields_dict, frozen

from portress.hours import Hours
from portress.knock import SECOND, Sequence, Service, Source, Widths

Watch = Literal["packet", "journal", "counter"]
Decide = Literal["kernel", "daemon"]
Claim = Literal["later", "first"]
Admits = Literal["source", "connection"]

# Sources part-way at once, where nothing else is said: in the kernel they take little, and a flood many.
CALLERS: Final[dict[Decide, int]] = {"kernel": 1 << 17, "daemon": 1 << 16}
STAY: Final = 8 * 3600 * SECOND
STAY_OF_CONNECTIONS: Final = 30 * SECOND  # time to connect: sessions outlive it


def default(of: type[AttrsInstance], name: str) -> Any:
    """What an absent value means, by the classes below: the one place that says so."""
    return fields_dict(of)[name].default


@frozen
class Rotating:
    """Sequences derived from a keyholder's secret and the time (shared/sequence/v1.md)."""

    pool: tuple[int, int]  # first and last port, both included
    protocols: tuple[int, ...]  # IP protocol numbers, tcp before udp
    length: int
    gap: int
    skew: int  # time steps of 30 s accepted before and after the present one
    last: int | None = None  # the protocol of the last knock, where it is that of the door's services
    admits: Admits = "source"


@frozen
class Paper:
    """Sequences that are printed, numbered, and work once each, whatever the time (shared/sequence/v1.md)."""

    pool: tuple[int, int]  # first and last port, both included
    protocols: tuple[int, ...]  # IP protocol numbers, tcp before udp
    length: int
    gap: int
    sequences: int  # on one sheet


@frozen
class Authenticator:
    """Sequences read off an RFC 6238 code of 8 digits: knock i goes to tcp port base + 100 i + pair i."""

    base: int
    gap: int
    skew: int

    @property
    def length(self) -> int:
        """How many knocks a code stands for."""
        return 4


@frozen
class Door:
    """What is guarded: one or more services, how they are opened and for how long."""

    name: str
    services: tuple[Service, ...]
    stay: int
    linger: bool = True
    fixed: Sequence | None = None
    rotating: Rotating | None = None
    authenticator: Authenticator | None = None
    paper: Paper | None = None
    shared: bool = True  # in a fleet: its admissions hold at all gateways that have the door
    claim: Claim = "later"  # in a fleet: the door opens before a use is claimed, or after
    fixed_admits: Admits = "source"
    places: int | None = None  # how many sources of one keyholder at a time; None: any number
    hours: Hours = ()  # when it is open; empty: always
    at_closing: Literal["stay", "end"] = "stay"  # what becomes of admissions when the hours are over
    leaving: bool = False  # each keyholder has a derived sequence that ends an own admission
    leaving_fixed: Sequence | None = None  # ends an admission of nobody in particular

    @property
    def openers(self) -> dict[str, Sequence | Rotating | Authenticator | Paper]:
        """All that opens it, by their keys in the configuration."""
        all_of_them = {"fixed": self.fixed, **self.by_time, "paper": self.paper}
        return {name: one for name, one in all_of_them.items() if one is not None}

    @property
    def by_time(self) -> dict[str, Rotating | Authenticator]:
        """What of it belongs to keyholders and changes with the time, by their keys in the configuration."""
        both = {"rotating": self.rotating, "authenticator": self.authenticator}
        return {name: one for name, one in both.items() if one is not None}

    @property
    def gaps(self) -> set[int]:
        """The longest pauses (ns) that its sequences allow, those that leave as well."""
        found = {one.gap for one in self.openers.values()}
        return found if self.leaving_fixed is None else {*found, self.leaving_fixed.gap}

    @property
    def by_connection(self) -> bool:
        """Whether any of its sequences lets in only the connection that follows."""
        rotating = self.rotating is not None and self.rotating.admits == "connection"
        return rotating or self.fixed_admits == "connection"


@frozen
class Misses:
    """After `limit` misses `within` a while, a source's knocks are ignored for `shun`."""

    limit: int
    within: int
    shun: int


@frozen
class Fleet:
    """The fleet that a host belongs to, and how it reaches the store."""

    name: str
    store: tuple[str, ...]
    secret: Path
    gateway: str
    ca: Path | None = None
    cert: Path | None = None
    key: Path | None = None
    user: str | None = None
    password: Path | None = None
    alone: Literal["local", "refuse"] = "local"


@frozen
class Config:
    """A whole configuration, checked. What is absent in the file has the default given here."""

    doors: dict[str, Door]
    watch: Watch = "packet"
    decide: Decide = "kernel"
    site: str = ""  # goes into the derivation of rotating sequences; empty: none is named
    inside: tuple[str, ...] = ()  # interfaces that are not guarded, beside lo
    inside_default_route: tuple[str, ...] = ()  # those of them that may carry the default route
    always: tuple[IPv4Network | IPv6Network, ...] = ()
    public: tuple[Service, ...] = ()
    closed: Literal["alike", "drop", "reject"] = "alike"
    prefix_4: int = 32  # source_prefix.ipv4
    prefix_6: int = 64  # source_prefix.ipv6
    misses: Misses | None = None  # None: nobody is shunned
    callers: int = CALLERS["kernel"]  # sources remembered part-way at once
    admissions: int = 16384  # sources of one family admitted through one door at once
    restore: bool = False  # admissions with time left come back after a reboot
    metrics: tuple[str, int] | None = None  # address and port
    fleet: Fleet | None = None
    group: int = 7507  # number of the kernel's packet log group
    counter_interval: int = SECOND // 10  # counter.interval: pause between two polls
    journal_prefix: str = "portress: "  # journal.prefix: how the kernel log lines begin
    warnings: tuple[str, ...] = field(default=(), eq=False)  # worth telling, one line each
    text: str = field(default="", eq=False, repr=False)  # the file it was read from

    @property
    def longest_gap(self) -> int:
        """The longest pause (ns) that any of its sequences allows."""
        return max((gap for door in self.doors.values() for gap in door.gaps), default=SECOND)

    @property
    def ears(self) -> tuple[object, ...]:
        """What of it the watcher is made from."""
        origins = any(door.by_connection for door in self.doors.values())
        kind = (self.watch, self.decide, self.group, origins)
        return (*kind, *self.widths, self.counter_interval, self.journal_prefix)

    @property
    def widths(self) -> Widths:
        """How many bits of an IPv4 and of an IPv6 address count as one source."""
        return Widths(self.prefix_4, self.prefix_6)

    def source(self, packed: bytes) -> Source:
        """The source that an address in network byte order belongs to."""
        return self.widths.source(packed)

    def lets_in(self, source: Source) -> bool:
        """Whether `source` never needs to knock: by `always`, or from this host itself."""
        one = source.network
        return one.is_loopback or any(
            each.version == one.version and one.network_address in each for each in self.always
        )
