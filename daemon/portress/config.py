"""The configuration as the rest of Portress sees it, and `load`, which makes it from a YAML file.

Durations are whole nanoseconds. `reading.py` reads the YAML, `keys.py` holds the table of what may stand in
it, `meaning.py` checks the whole; all mistakes are told at once, each in a line with its place.
"""

from __future__ import annotations

import stat
from ipaddress import IPv4Network, IPv6Network, collapse_addresses
from pathlib import Path
from typing import Any, Literal

from attrs import evolve, field, frozen

from portress import meaning, reading
from portress.keys import CONFIGURATION
from portress.knock import PROTOCOLS, SECOND, Sequence, Service

Watch = Literal["packet", "journal", "counter"]


@frozen
class Rotating:
    """Sequences derived from a keyholder's secret and the time (shared/sequence/v1.md)."""

    pool: tuple[int, int]  # first and last port, both included
    protocols: tuple[int, ...]  # IP protocol numbers, tcp before udp
    length: int
    gap: int
    skew: int  # time steps of 30 s accepted before and after the present one


@frozen
class Authenticator:
    """Sequences read off an RFC 6238 code of 8 digits: knock i goes to tcp port base + 100 i + pair i."""

    base: int
    gap: int
    skew: int


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


@frozen
class Misses:
    """After `limit` misses `within` a while, a source's knocks are ignored for `shun`."""

    limit: int
    within: int
    shun: int


@frozen
class Config:
    """A whole configuration, checked. What is absent in the file has the default given here."""

    doors: dict[str, Door]
    watch: Watch = "packet"
    outside: tuple[str, ...] = ()  # empty: every interface but lo
    always: tuple[IPv4Network | IPv6Network, ...] = ()
    public: tuple[Service, ...] = ()
    closed: Literal["drop", "reject"] = "drop"
    prefix_4: int = 32  # source_prefix.ipv4
    prefix_6: int = 128  # source_prefix.ipv6
    misses: Misses | None = None  # None: nobody is shunned
    callers: int = 65536  # sources remembered part-way at once
    restore: bool = False  # admissions with time left come back after a reboot
    metrics: tuple[str, int] | None = None  # address and port
    group: int = 7507  # number of the kernel's packet log group
    counter_interval: int = SECOND // 10  # counter.interval: pause between two polls
    journal_prefix: str = "portress: "  # journal.prefix: how the kernel log lines begin
    warnings: tuple[str, ...] = field(default=(), eq=False)  # worth telling, one line each
    text: str = field(default="", eq=False, repr=False)  # the file it was read from

    @property
    def ears(self) -> tuple[object, ...]:
        """What of it the watcher is made from."""
        return (self.watch, self.group, *self.widths, self.counter_interval, self.journal_prefix)

    @property
    def widths(self) -> tuple[int, int]:
        """How many bits of an IPv4 and of an IPv6 address count as one source."""
        return (self.prefix_4, self.prefix_6)


def load(path: Path) -> Config:
    """The configuration in a file. Raises Mistake. A file that others can read or change draws a warning."""
    data, about = reading.slurp(path, "there is no such file: write it, or name another with --config")
    text = reading.decode(data, str(path))
    config = parse(text, str(path))
    warnings = []
    name = reading.called(str(path))
    mode = stat.S_IMODE(about.st_mode)
    if mode & stat.S_IWOTH:
        warnings.append(f"{name}: mode {mode:04o}: everybody on this host can change it: chmod o-rwx {name}")
    elif mode & stat.S_IROTH and any(door.fixed for door in config.doors.values()):
        warnings.append(
            f"{name}: mode {mode:04o}: everybody on this host can read its sequences: chmod o-rwx {name}"
        )
    return evolve(config, text=text, warnings=(*warnings, *config.warnings))


def parse(text: str, name: str) -> Config:
    """The configuration in a text; `name` is what messages call it. Raises Mistake with all that is wrong."""
    findings = reading.Findings(name)
    node = reading.tree(text, findings)
    top = CONFIGURATION.read(node, reading.Place.root(node), findings)
    meaning.check(top, findings)
    findings.close()
    return _config(top.plain, findings.warnings())


def _config(values: dict[str, Any], warnings: tuple[str, ...]) -> Config:
    prefix = values.pop("source_prefix", {"ipv4": 32, "ipv6": 128})
    networks: tuple[IPv4Network | IPv6Network, ...] = values.pop("always", ())
    sections = {
        "doors": {name: _door(name, door) for name, door in values.pop("doors").items()},
        "always": _fewest(networks),
        "prefix_4": prefix["ipv4"],
        "prefix_6": prefix["ipv6"],
        "warnings": warnings,
    }
    if "misses" in values:
        sections["misses"] = Misses(**values.pop("misses"))
    if "metrics" in values:
        sections["metrics"] = values.pop("metrics")["listen"]
    if "counter" in values:
        sections["counter_interval"] = values.pop("counter")["interval"]
    if "journal" in values:
        sections["journal_prefix"] = values.pop("journal")["prefix"]
    return Config(**sections, **values)


def _door(name: str, values: dict[str, Any]) -> Door:
    kinds: dict[str, Any] = {}
    if "fixed" in values:
        kinds["fixed"] = Sequence(**values.pop("fixed"))
    if "rotating" in values:
        rule = values.pop("rotating")
        protocols = tuple(sorted(PROTOCOLS[protocol] for protocol in rule.pop("protocols")))
        kinds["rotating"] = Rotating(protocols=protocols, **rule)
    if "authenticator" in values:
        kinds["authenticator"] = Authenticator(**values.pop("authenticator"))
    return Door(name=name, **kinds, **values)


def _fewest(networks: tuple[IPv4Network | IPv6Network, ...]) -> tuple[IPv4Network | IPv6Network, ...]:
    """The same addresses in as few networks as can be: an nftables set takes no overlaps."""
    fours = collapse_addresses(one for one in networks if isinstance(one, IPv4Network))
    sixes = collapse_addresses(one for one in networks if isinstance(one, IPv6Network))
    return (*fours, *sixes)
