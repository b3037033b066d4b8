"""What strangers meet at this host's closed ports, by its own rules: what a guarded port has to look like.

In: the other tables, the interfaces, the ports that programs listen to. Out: an answer for each address
family and kind of packet. It is found on paper (`passage`), for closed ports next to each guarded one and for
most of all others. Where they differ, or rules go by the source, by a limit, or by what cannot be read, there
is no answer that fits everybody: silence, and why.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from attrs import evolve, field, frozen

from portress.config.model import Config
from portress.doctor.probe import links, rules, sockets
from portress.doctor.probe.links import FAMILY_NAMES, Links
from portress.doctor.probe.others import sure_to_be_always
from portress.doctor.probe.packet import SYN, Packet, stranger
from portress.doctor.probe.passage import End, departure, journey
from portress.doctor.probe.rules import Tables
from portress.errors import Mistake
from portress.guard.closed import CODES, KINDS, NOT_YET, RESET, SILENCE, Answer, Answers, Kind, unknown
from portress.knock import TCP, UDP, Knock, Service

_ACK: Final = 0x10
_FIN: Final = 0x01
_RST: Final = 0x04
_PACKETS: Final[dict[Kind, tuple[int, int, str]]] = {  # protocol, flags of TCP, what conntrack makes of it
    "syn": (TCP, SYN, "new"),
    "ack": (TCP, _ACK, "new"),  # nf_conntrack_tcp_loose
    "odd": (TCP, _FIN, "invalid"),  # tcp_conntracks of nf_conntrack_proto_tcp.c, from the state NONE
    "udp": (UDP, 0, "new"),
}
_FIREWALLD: Final = Path("/etc/systemd/system/multi-user.target.wants/firewalld.service")
_BESIDE: Final = 2  # closed ports looked at on either side of a guarded service
_STRETCHES: Final = 48  # stretches of ports that rules treat alike, looked at, the longest first
_CLEARLY: Final = 0.9  # how much of all closed ports has to be as those beside the doors
_ICMPX: Final = {  # nft(8), REJECT STATEMENT: what `icmpx` means in each family
    "port-unreachable": {4: "port-unreachable", 6: "port-unreachable"},
    "admin-prohibited": {4: "admin-prohibited", 6: "admin-prohibited"},
    "no-route": {4: "net-unreachable", 6: "no-route"},
    "host-unreachable": {4: "host-unreachable", 6: "addr-unreachable"},
}
_OWN: Final = "own "  # of the kernel's TCP or UDP, not of a rule
_OWN_RESET: Final = f"{_OWN}{RESET}"
_IPV6: Final = Path("/proc/sys/net/ipv6")
_ELSEWHERE: Final = "passed on"  # to another host or container: no closed port of this one
_ICMP: Final = {4: 1, 6: 58}
_NAMES: Final = {4: "icmp", 6: "icmpv6"}
_SOURCE: Final = "rules of other tables go by the source"
_UNREAD: Final = "other tables have rules that cannot be read or foreseen"


class _Unsure(Exception):
    """It cannot be told; the text says why."""


def known(config: Config) -> Answers:
    """What this host's closed ports answer now, in this thread's network namespace; raises nothing.

    What goes wrong is a reason why it cannot be told.
    """
    if config.closed != "alike":
        return NOT_YET
    try:
        return judged(config, rules.read(), links.read())
    except Mistake as mistake:
        return unknown(str(mistake))
    except OSError as error:  # of the interfaces; the doors have to be shut all the same
        return unknown(f"this host's interfaces cannot be read: {error.strerror or error}")


def judged(config: Config, tables: Tables, place: Links) -> Answers:
    """The same where tables and interfaces are read already."""
    if config.closed != "alike":
        return NOT_YET
    try:
        served = frozenset(one.knock for one in sockets.read(named=False))
        return judge(config, tables, place, served, labels=_labels())
    except Mistake as mistake:
        return unknown(str(mistake))
    except OSError as error:
        return unknown(f"{error.filename or 'this host'} cannot be read: {error.strerror or error}")
    except Exception as error:  # the doors have to be shut, whatever other people's rules look like
        return unknown(f"this host's rules cannot be read: {type(error).__name__}: {error}")


def at_boot(config: Config) -> Answers:
    """The same where the host may still be starting, and firewalld, which comes later, has more to say."""
    found = known(config)
    if not _FIREWALLD.exists():
        return found
    try:
        loaded = any(key[:2] == ("inet", "firewalld") for key in rules.read().chains)
    except Mistake:
        loaded = False
    return found if loaded else unknown("firewalld has not loaded its rules yet")


def _labels() -> bool:
    """Whether the kernel gives its resets over IPv6 flow labels of its own (ip-sysctl of the kernel)."""
    automatic, reflected = (
        int((_IPV6 / name).read_text()) for name in ("auto_flowlabels", "flowlabel_reflect")
    )
    return automatic in (1, 3) and not reflected & 2


def judge(
    config: Config, tables: Tables, place: Links, served: frozenset[int], *, labels: bool = False
) -> Answers:
    """The answers, by what was read. Pure.

    `served`: knocks that programs answer; `labels`: the kernel gives its own resets over IPv6 flow labels.
    """
    if tables.legacy:
        return unknown("rules of the older iptables are in force, which cannot be read")
    return tuple(
        _answer(_Look(config, tables, place, served, family, kind), labels and family == 6)
        for family in (4, 6)
        for kind in KINDS
    )


@frozen(eq=False)
class _Look:
    """One address family and kind of packet."""

    config: Config
    tables: Tables
    place: Links
    served: frozenset[int]
    family: int
    kind: Kind
    outcome: Callable[[int], str] = field(init=False)

    def __attrs_post_init__(self) -> None:
        object.__setattr__(self, "outcome", cache(lambda port: outcome(self, port)))

    @property
    def protocol(self) -> int:
        return _PACKETS[self.kind][0]

    @property
    def entrances(self) -> tuple[str, ...]:
        """Where strangers of this family come in."""
        ways = {name for family, name in self.place.ways if family == self.family}
        return tuple(sorted(ways - {"lo", *self.config.inside})) or self.place.entrances(self.config)

    def taken(self, port: int) -> bool:
        """Whether the port is guarded, open to all, or listened to: no closed one."""
        knock = self.protocol << 16 | port
        doors = self.config.doors.values()
        listed = (*self.config.public, *(one for door in doors for one in door.services))
        return knock in self.served or any(one.to is None and knock in one for one in listed)

    def packet(self, port: int, entrance: str) -> Packet:
        protocol, flags, state = _PACKETS[self.kind]
        first = stranger(self.family, protocol << 16 | port, entrance, own=self.place.addresses)
        return evolve(first, flags=flags, state=state)


def _answer(look: _Look, labels: bool) -> Answer:
    services = _guarded(look)
    if not services:
        return Answer(look.family, look.kind)
    if look.family not in look.place.families or not look.entrances:
        return Answer(look.family, look.kind, why=f"this host has no {FAMILY_NAMES[look.family]} address yet")
    try:
        found = _agreed(look, services)
        how = found.removeprefix(_OWN)
        late = how != SILENCE and _late(look, how)
    except _Unsure as unsure:
        return Answer(look.family, look.kind, why=str(unsure))
    return Answer(
        look.family, look.kind, how, late=late, labelled=labels and found == _OWN_RESET, own=found != how
    )


def _guarded(look: _Look) -> list[Service]:
    doors = look.config.doors.values()
    return [
        one for door in doors for one in door.services if one.to is None and one.protocol == look.protocol
    ]


def _agreed(look: _Look, services: Iterable[Service]) -> str:
    """What the closed ports beside the doors answer, and most others, too."""
    beside = {port: look.outcome(port) for service in services for port in _beside(look, service)}
    beside = {port: how for port, how in beside.items() if how != _ELSEWHERE}
    by_how = {how: port for port, how in sorted(beside.items(), reverse=True)}
    if len(by_how) > 1:
        (one, first), (two, second), *_ = sorted(by_how.items(), key=lambda item: item[1])
        named = [Knock(look.protocol << 16 | port) for port in (first, second)]
        raise _Unsure(
            f"closed ports beside the doors differ: {named[0]} {_said(one)}, {named[1]} {_said(two)}"
        )
    if not by_how:
        raise _Unsure("there is no closed port beside the doors")
    (how,) = by_how
    weights = _weights(look)
    if weights[how] < _CLEARLY * sum(weights.values()):
        other = next(one for one, _ in weights.most_common() if one != how)
        raise _Unsure(f"closed ports differ: beside the doors {_said(how)}, many others {_said(other)}")
    return how


def _said(how: str) -> str:
    return {SILENCE: "does not answer", RESET: "is reset by a rule", _OWN_RESET: "is reset"}.get(
        how, f"answers {how.removeprefix(_OWN)}"
    )


def _beside(look: _Look, service: Service) -> Iterator[int]:
    """The nearest closed ports below and above."""
    for ports in (range(service.first - 1, 0, -1), range(service.last + 1, 65536)):
        found = (port for port in ports if not look.taken(port))
        yield from (port for port, _ in zip(found, range(_BESIDE), strict=False))


def _weights(look: _Look) -> Counter[str]:
    """How many closed ports answer what; stretches of ports that no rule tells apart count by one of them."""
    cuts = sorted({1, 65536, *_named(look.tables)})
    stretches = sorted(pairwise(cuts), key=lambda ends: ends[0] - ends[1])
    weights: Counter[str] = Counter()
    for first, end in stretches[:_STRETCHES]:
        port = next((port for port in range(first, end) if not look.taken(port)), None)
        if port is not None:
            try:
                how = look.outcome(port)
            except _Unsure:
                how = "?"
            if how != _ELSEWHERE:
                weights[how] += end - first
    return weights


def _named(tables: Tables) -> set[int]:
    """Every number in rules and sets that may be a port, and the next one: where treatment may change."""
    found: set[int] = set()
    chains = tables.chains.values()
    rest: list[Any] = [*(rule for chain in chains for rule in chain.rules), *tables.sets.values()]
    while rest:
        one = rest.pop()
        if isinstance(one, int):
            found |= {number for number in (one, one + 1) if 0 < number < 65536}
        elif isinstance(one, dict):
            rest += one.values()
        elif isinstance(one, list | tuple):
            rest += one
    return found


def outcome(look: _Look, port: int) -> str:
    """What a stranger's packet to that port is answered with. Raises _Unsure."""
    found: set[str] = set()
    for entrance in look.entrances:
        ends = journey(look.tables, look.packet(port, entrance), look.place.addresses).ends
        met = {_met(look, end, entrance) for end in ends if not end.path.sources}
        named = {
            _met(look, end, entrance)
            for end in ends
            if end.path.sources and not all(sure_to_be_always(look.config, one) for one in end.path.sources)
        }
        if any(end.path.beyond for end in ends) or len(met) != 1:
            raise _Unsure(_UNREAD)
        if named - met:
            raise _Unsure(_SOURCE)
        found |= met
    if len(found) != 1:
        raise _Unsure("closed ports answer differently by the interface at which strangers come in")
    return found.pop()


def _met(look: _Look, end: End, entrance: str) -> str:
    """What one end of a packet means for who sent it."""
    if end.passed and end.packet.target is not None:
        return _ELSEWHERE
    if end.passed:
        how = _OWN_RESET if look.protocol == TCP else f"{_OWN}{_NAMES[look.family]} port-unreachable"
    else:
        how = _rejected(look.family, end.how)
    if how == SILENCE:
        return how
    # What the kernel's TCP answers by itself belongs to the connection; a rule's reject is related to it.
    state = "established" if how == _OWN_RESET else "related"
    return how if _gets_out(look, how, end.packet.port, entrance, state) else SILENCE


def _rejected(family: int, how: str) -> str:
    """The answer of a rule that drops ("") or rejects."""
    if how in ("", RESET):
        return how or SILENCE
    kind, _, code = how.partition(" ")
    code = _ICMPX.get(code, {}).get(family, "") if kind == "icmpx" else code
    if code not in CODES[family]:
        raise _Unsure(f"other tables reject with {how}, which is not known here")
    return f"{_NAMES[family]} {code}"


def _gets_out(look: _Look, how: str, port: int, entrance: str, state: str) -> bool:
    """Whether this host's rules for what goes out let such an answer out. Raises _Unsure."""
    if any(chain.hook == "egress" and chain.rules for chain in look.tables.chains.values()):
        raise _Unsure("there are rules at the hook egress")
    protocol = TCP if how in (RESET, _OWN_RESET) else _ICMP[look.family]
    packet = Packet(
        look.family, protocol, port, entrance, port, own=look.place.addresses,
        flags=_RST | _ACK, state=state, leaving=True,
    )  # fmt: skip
    ends = departure(look.tables, packet, look.place.addresses)
    out = {end.passed for end in ends if not end.path.sources}
    if len(out) != 1 or any(end.path.beyond for end in ends) or {end.passed for end in ends} != out:
        raise _Unsure("rules for what goes out may hold the answers of closed ports back")
    return out.pop()


def _late(look: _Look, how: str) -> bool:
    """Whether the answer gets out only as part of a flow. Raises _Unsure if the guard's would not at all."""
    port = _guarded(look)[0].first

    def gets_out(state: str) -> bool:
        return all(_gets_out(look, how, port, entrance, state) for entrance in look.entrances)

    if gets_out("invalid"):
        return False
    if gets_out("related"):
        return True
    raise _Unsure("rules for what goes out would hold the guard's answers back")
