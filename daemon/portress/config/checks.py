"""Checks of meaning: what is well written and yet cannot work, or guards nothing.

In: the `Found` of a whole configuration, with places. Out: mistakes and warnings in `Findings`. Every check
takes time in proportion to the file, for a file may name thousands of services.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Callable, Iterator
from ipaddress import IPv4Network, IPv6Network, collapse_addresses, ip_address
from itertools import accumulate, pairwise
from math import comb
from typing import Any, Final

from attrs import frozen

from portress.config import calendar, fleet, leaving, paper
from portress.config.browsers import refused_among
from portress.config.shapes import Found
from portress.config.yaml_tree import Findings
from portress.durations import written
from portress.knock import PROTOCOL_NAMES, PROTOCOLS, TCP, Knock, Service

# Common practice, no source: three knocks.
FEW: Final = {1: "one knock: any port sweep opens it", 2: "two knocks are easy to guess"}

_NO_PHONE: Final = "browsers refuse to dial {} (WHATWG Fetch), so no phone can knock here: avoid them"

# Names that drivers ask the kernel for with a number, `eth%d` and others in drivers/net.
_NUMBERED: Final = re.compile(r"(eth|wlan|usb|wwan|ppp|tun|tap|veth|ib|sl|wpan|rmnet|bnep)[0-9]+")

# All of IPv6 that is routed on the Internet (IANA: 2000::/3 is global unicast).
EVERYTHING: Final = (IPv4Network("0.0.0.0/0"), IPv6Network("2000::/3"))


@frozen
class Claim:
    """A service named in the file, and the door that guards it; None: it is public."""

    found: Found
    door: str | None

    @property
    def stands(self) -> tuple[int, str]:
        """Sorts claims by where they stand in the file."""
        return self.found.place.line, self.found.place.path

    @property
    def service(self) -> Service:
        service: Service = self.found.value
        return service

    def __str__(self) -> str:
        by = "is public" if self.door is None else f"is guarded by doors.{self.door}"
        return f"{self.service} {by}"


class _Ports:
    """Claims of one destination, to be asked for ports."""

    def __init__(self, claims: list[Claim]) -> None:
        self._by_protocol: dict[int, list[Claim]] = {}
        for claim in sorted(claims, key=lambda claim: claim.service):
            self._by_protocol.setdefault(claim.service.protocol, []).append(claim)
        self._firsts = {p: [claim.service.first for claim in some] for p, some in self._by_protocol.items()}
        # For each claim, which of it and those that begin before it reaches furthest.
        self._furthest = {p: list(accumulate(some, _further)) for p, some in self._by_protocol.items()}
        # How many ports are claimed by each claim and those before it, each port counted once.
        self._counts = {p: list(accumulate(self._new(p))) for p in self._by_protocol}

    def _new(self, protocol: int) -> list[int]:
        """For each claim the number of ports that none before it has."""
        reached, new = 0, []
        for claim in self._by_protocol[protocol]:
            service = claim.service
            new.append(max(0, service.last - max(service.first - 1, reached)))
            reached = max(reached, service.last)
        return new

    def overlaps(self) -> Iterator[tuple[Claim, Claim]]:
        """Pairs that share a port; whoever shares one is in some pair."""
        for protocol, some in self._by_protocol.items():
            for before, claim in zip(self._furthest[protocol], some[1:], strict=False):
                if before.service.overlaps(claim.service):
                    yield before, claim

    def holder(self, protocol: int, first: int, last: int) -> Claim | None:
        """A claim on one of these ports."""
        index = bisect_right(self._firsts.get(protocol, []), last) - 1
        if index < 0:
            return None
        claim = self._furthest[protocol][index]
        return claim if claim.service.last >= first else None

    def count(self, protocol: int, first: int, last: int) -> int:
        """How many of these ports are claimed."""
        return self._up_to(protocol, last) - self._up_to(protocol, first - 1)

    def _up_to(self, protocol: int, port: int) -> int:
        index = bisect_right(self._firsts.get(protocol, []), port) - 1
        if index < 0:
            return 0
        beyond = max(0, self._furthest[protocol][index].service.last - port)
        return self._counts[protocol][index] - beyond


class Claims:
    """All services of all doors and the public ones: those of this host itself, to be asked for ports, and
    those of other destinations, which are no place for a knock anyway."""

    def __init__(self, top: Found) -> None:
        self.all: list[Claim] = [Claim(found, None) for found in top.all("public")]
        for name, door in doors(top):
            self.all += [Claim(found, name) for found in door.all("services")]
        by_place: dict[IPv4Network | IPv6Network | None, list[Claim]] = {None: []}
        for claim in self.all:
            by_place.setdefault(claim.service.to, []).append(claim)
        self._places = {place: _Ports(claims) for place, claims in by_place.items()}
        self.own = self._places[None]
        self.holder, self.count = self.own.holder, self.own.count

    def overlaps(self) -> list[tuple[Claim, Claim]]:
        """Pairs that share a port of a destination, each in the order of the file; whoever shares one is in
        some pair."""
        pairs = [pair for ports in self._places.values() for pair in ports.overlaps()]
        lengths = {place.prefixlen for place in self._places if place is not None}
        for claim in self.all:
            service = claim.service
            for length in lengths if service.to is not None else ():
                if service.to is not None and length < service.to.prefixlen:
                    around = self._places.get(service.to.supernet(new_prefix=length))
                    other = around and around.holder(service.protocol, service.first, service.last)
                    pairs += [(other, claim)] if other else []
        return [(min(pair, key=_stands), max(pair, key=_stands)) for pair in pairs]

    def elsewhere(self, knock: Knock) -> Claim | None:
        """A claim on this port at another destination."""
        others = (ports for place, ports in self._places.items() if place is not None)
        found = (ports.holder(knock.protocol, knock.port, knock.port) for ports in others)
        return next((claim for claim in found if claim), None)


def _stands(claim: Claim) -> tuple[int, str]:
    return claim.stands


def _further(one: Claim, other: Claim) -> Claim:
    return other if other.service.last > one.service.last else one


def doors(top: Found) -> list[tuple[str, Found]]:
    """The doors that could be read, by name, in the order of the file."""
    found = top.get("doors")
    return [(name, door) for name, door in found.value.items() if door.ok] if found else []


def check(top: Found, findings: Findings, carriers: Callable[[], frozenset[str]] = frozenset) -> None:
    """Note every mistake and warning of meaning. `top`: what `keys.CONFIGURATION` read; `carriers`: the
    interfaces by which default routes go."""
    claims = Claims(top)
    decide, watch = top.get("decide"), top.get("watch")
    if decide and watch and decide.value == "kernel" and watch.value != "packet":
        findings.mistake(decide.place, f"watch: {watch.value} leaves it to the daemon: decide: daemon")
    _services(claims, findings)
    _inside(top, findings, carriers)
    _always(top, findings)
    _sequences(top, findings)
    _bases(top, findings)
    for _, door in doors(top):
        _fixed(door, "fixed", claims, findings)
        _fixed(door, "leaving", claims, findings)
        _pool(door, "rotating", claims, findings)
        _pool(door, "paper", claims, findings)
        paper.check(door, findings)
        _authenticator(door, claims, findings)
        _admits(top, door, findings)
        calendar.check(door, findings)
        calendar.check_places(door, findings)
    leaving.check(doors(top), findings)
    fleet.check(top, findings)
    metrics = top.get("metrics", "listen")
    if metrics and not ip_address(metrics.value[0]).is_loopback:
        findings.warn(metrics.place, "other hosts can read the metrics: 127.0.0.1 keeps them here")


def _services(claims: Claims, findings: Findings) -> None:
    """A service is behind one door, once, or public."""
    for first, second in claims.overlaps():
        if first.door != second.door:
            right = (
                "a service has one door"
                if first.door and second.door
                else "a service is guarded or public, not both"
            )
            findings.mistake(second.found.place, f"{first}: {right}")
        else:
            findings.mistake(second.found.place, f"{first.found.place.path} has it already: name a port once")


def _inside(top: Found, findings: Findings, carriers: Callable[[], frozenset[str]]) -> None:
    """What comes in by these is not guarded: a name has to stay with its interface."""
    confirmed = {found.value for found in top.all("inside_default_route")}
    inside = top.all("inside")
    known = carriers() if inside else frozenset()
    for found in inside:
        name = found.value
        if name in known and name not in confirmed:
            findings.mistake(
                found.place,
                "carries the default route: strangers come in by it and would find every door open; if"
                f" that is meant, add  inside_default_route: [{name}]",
            )
        if name.endswith("+"):
            findings.warn(found.place, "the interface of just this name: there are no wildcards")
        elif _NUMBERED.fullmatch(name):
            findings.warn(
                found.place,
                "the kernel hands out such names by number, and two interfaces can swap them: then the wrong"
                " one is not guarded; give it a name of its own, for example lan0, with a systemd .link file",
            )
    for found in top.all("inside_default_route"):
        if found.value not in {one.value for one in top.all("inside")}:
            findings.mistake(found.place, "it is not in inside, so it is guarded anyway")


def _always(top: Found, findings: Findings) -> None:
    """`always` must leave strangers somebody to be."""
    for everything in EVERYTHING:
        some = [found for found in top.all("always") if found.value.version == everything.version]
        whole = [found for found in some if _covers(found.value, everything)]
        for found in whole:
            findings.mistake(found.place, f"all of IPv{everything.version}: this would guard nothing")
        if not whole and any(
            _covers(one, everything) for one in collapse_addresses(found.value for found in some)
        ):
            what = f"with the others all of IPv{everything.version}: this would guard nothing"
            findings.mistake(some[-1].place, what)
        # Wider than any block of private use: 10.0.0.0/8 (RFC 1918), fc00::/7 (RFC 4193).
        widest = 8 if everything.version == 4 else 7
        for found in some:
            if found not in whole and found.value.prefixlen < widest:
                share = f"one IPv{everything.version} address in {2**found.value.prefixlen}"
                findings.warn(found.place, f"{share} never needs to knock")


def _covers(one: IPv4Network | IPv6Network, other: IPv4Network | IPv6Network) -> bool:
    return one.version == other.version and one.prefixlen <= other.prefixlen and other.network_address in one


def _sequences(top: Found, findings: Findings) -> None:
    """Two doors have two sequences, even if their gaps differ."""
    known: dict[tuple[Knock, ...], str] = {}
    for name, door in doors(top):
        knocks = door.get("fixed", "knocks")
        if knocks and knocks.whole:
            other = known.setdefault(knocks.plain, name)
            if other != name:
                findings.mistake(
                    knocks.place, f"the sequence of doors.{other}: every door has one of its own"
                )


def _bases(top: Found, findings: Findings) -> None:
    """Doors that share a base share a keyholder's sequences, and so the pause allowed within them."""
    known: dict[int, tuple[str, int]] = {}
    for name, door in doors(top):
        base, gap = door.get("authenticator", "base"), door.get("authenticator", "gap")
        if base and gap:
            other, wanted = known.setdefault(base.value, (name, gap.value))
            if gap.value != wanted:
                what = f"doors.{other} has the same base, so the gap is the same: {written(wanted)}"
                findings.mistake(gap.place, what)


def _fixed(door: Found, kind: str, claims: Claims, findings: Findings) -> None:
    """No knock is at a port that is guarded or public: it would never be heard as one."""
    for found in door.all(kind, "knocks"):
        knock: Knock = found.value
        if claim := claims.holder(knock.protocol, knock.port, knock.port):
            findings.mistake(found.place, f"{claim}: a knock is at a port that is neither guarded nor public")
        elif claim := claims.elsewhere(knock):
            findings.warn(found.place, f"{claim}: if that is this host's own address, no knock to it counts")
    knocks = door.get(kind, "knocks")
    if knocks and len(knocks.value) in FEW:
        findings.warn(knocks.place, f"{FEW[len(knocks.value)]}; three or more are common practice")
    if knocks and knocks.whole and _swept(knocks.plain, claims):
        findings.warn(knocks.place, "ports one after the other: a sweep of all ports opens it; mix them")


def _swept(knocks: tuple[Knock, ...], claims: Claims) -> bool:
    """Whether whoever dials all ports in order, up or down, dials these without a miss in between."""
    for ordered in (knocks, knocks[::-1]):
        if len(knocks) > 1 and all(
            one.protocol == other.protocol
            and one.port < other.port
            and claims.count(one.protocol, one.port, other.port) == other.port - one.port - 1
            for one, other in pairwise(ordered)
        ):
            return True
    return False


def _pool(door: Found, kind: str, claims: Claims, findings: Findings) -> None:
    """The pool holds enough knocks, and hardly any of them at guarded or public ports."""
    pool, length = door.get(kind, "pool"), door.get(kind, "length")
    protocols = door.get(kind, "protocols")
    if not pool or not length or not protocols or not protocols.whole:
        return
    first, last = pool.value
    numbers = [PROTOCOLS[name] for name in protocols.plain]
    size = len(numbers) * (last - first + 1)
    if size < length.value:
        findings.mistake(
            pool.place, f"{size} knocks to draw {length.value} different ones from: widen the pool"
        )
        return
    if length.value in FEW:
        findings.warn(length.place, f"{FEW[length.value]}; three or more are common practice")
    if kind == "rotating" and numbers == [TCP] and (refused := refused_among(first, last)):
        findings.warn(pool.place, f"{_NO_PHONE.format(refused)}, for example 10100-32767")
    deaf = sum(claims.count(number, first, last) for number in numbers)
    if deaf:
        number = next(number for number in numbers if claims.count(number, first, last))
        holder = claims.holder(number, first, last)
        what = (
            str(holder)
            if deaf == 1
            else f"{deaf} of its {size:,} knocks are guarded or public, for example {holder}"
        )
        good, every = comb(size - deaf, length.value), comb(size, length.value)
        if good:
            findings.warn(pool.place, f"{what}: {_share(every - good, every)}")
        else:
            findings.mistake(pool.place, f"{what}: no sequence can work: move the pool")


def _share(part: int, whole: int) -> str:
    if 100 * part < whole:
        return f"1 sequence in {whole // part:,} cannot work"
    return f"{100 * part / whole:.0f} % of the sequences cannot work"


def _admits(top: Found, door: Found, findings: Findings) -> None:
    """What lets in a single connection needs services of one protocol, and the last knock to be of it."""
    styles = [style for style in ("fixed", "rotating") if _word(door.get(style, "admits")) == "connection"]
    if not styles:
        return
    admits = door.get(styles[0], "admits")
    assert admits is not None
    protocols = {found.value.protocol for found in door.all("services")}
    if len(protocols) > 1:
        what = "a door that admits a connection has services of one protocol: make it two doors"
        findings.mistake(admits.place, what)
    if _word(top.get("watch")) in ("journal", "counter"):
        what = f"`watch: {_word(top.get('watch'))}` does not tell a knock's port: use `watch: packet`"
        findings.mistake(admits.place, what)
    linger = door.get("linger")
    if linger and linger.value is False:
        findings.mistake(linger.place, "sessions outlive an admission of a connection: leave linger out")
    if len(protocols) == 1:
        (protocol,) = protocols
        name = PROTOCOL_NAMES[protocol]
        listed = door.get("rotating", "protocols")
        if "rotating" in styles and listed and name not in listed.plain:
            what = f"the last knock is of the services' protocol: write [{', '.join([*listed.plain, name])}]"
            findings.mistake(listed.place, what)
        pool, length = door.get("rotating", "pool"), door.get("rotating", "length")
        if "rotating" in styles and pool and length and pool.value[1] - pool.value[0] + 1 < length.value:
            findings.mistake(
                pool.place, f"the last knock has one protocol: a pool of {length.value} ports or more"
            )
        knocks = door.get("fixed", "knocks")
        if "fixed" in styles and knocks and knocks.whole and knocks.plain[-1].protocol != protocol:
            what = f"the connection comes from the last knock's port: end with a {name} knock"
            findings.mistake(knocks.value[-1].place, what)
    if door.get("authenticator") and "rotating" in styles:
        what = "codes are dialled with any program, so they admit the whole source all the same"
        findings.warn(admits.place, what)


def _word(found: Found | None) -> object:
    return None if found is None else found.value


def _authenticator(door: Found, claims: Claims, findings: Findings) -> None:
    """All 400 ports that a code can lead to are free."""
    base: Any = door.get("authenticator", "base")
    if base and (claim := claims.holder(TCP, base.value, base.value + 399)):
        ports = f"tcp/{base.value}-{base.value + 399}"
        findings.mistake(base.place, f"its knocks are {ports}, and {claim}: move the base")
    elif base and (refused := refused_among(base.value, base.value + 399)):
        findings.warn(base.place, f"{_NO_PHONE.format(refused)}, for example 21000")
