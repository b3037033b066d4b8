"""What a stranger meets at a guarded port, so that it looks like the closed ports beside it. Pure.

In: for each address family and kind of packet, what this host's closed ports answer and, where that cannot
be known, why. Out: chains in nft's own language. `closed` answers; `late` leaves to the chain after
connection tracking what has to be answered there. Where nothing is known, the answer is none: drop.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, Literal

from attrs import frozen

from portress.config.model import Config
from portress.knock import TCP

CLOSED: Final = "closed"
LATE: Final = "late"
LABELS: Final = "labels"
FOLLOWING: Final = frozenset({CLOSED, LATE, LABELS})  # the chains that follow the host's other rules
SILENCE: Final = "silence"
RESET: Final = "tcp reset"
# A first packet; one as from within a connection; any other of TCP (FIN, none of the flags, …); a datagram.
Kind = Literal["syn", "ack", "odd", "udp"]
KINDS: Final[tuple[Kind, ...]] = ("syn", "ack", "odd", "udp")
# As nft writes them (nft(8), REJECT STATEMENT), by address family.
CODES: Final = {
    4: frozenset(
        {"net-unreachable", "host-unreachable", "prot-unreachable", "port-unreachable"}
        | {"net-prohibited", "host-prohibited", "admin-prohibited"}
    ),
    6: frozenset(
        {
            "no-route",
            "admin-prohibited",
            "addr-unreachable",
            "port-unreachable",
            "policy-fail",
            "reject-route",
        }
    ),
}
_NFPROTO: Final = {4: "ipv4", 6: "ipv6"}
_FLAGS: Final = "tcp flags & (fin | syn | rst | ack)"
_WHICH: Final[dict[Kind, str]] = {
    "syn": f"{_FLAGS} == syn",
    "ack": f"{_FLAGS} == ack",
    "odd": f"{_FLAGS} != {{ syn, ack }}",
    "udp": "meta l4proto udp",
}
# At another host's address another host's ports are the neighbours, and nobody here can speak for them; at
# addresses of many the kernel's TCP keeps silent, and a rule would not (tcp_v4_rcv, tcp_v6_send_reset).
_NOT_HERE: Final = (
    "meta l4proto tcp fib daddr type != local drop",
    "meta l4proto udp fib daddr type != { local, anycast } drop",
)
# Words of a TCP header, the usual first. The kernel's TCP takes a packet only if they are all there; a rule
# that looks at the last byte of a header that is not ends.
_LENGTHS: Final = (10, 6, 5, 11, 8, 7, 9, 12, 13, 14, 15)


@frozen
class Answer:
    """What closed ports answer to packets of one kind: `silence`, `tcp reset`, or `icmp CODE`, `icmpv6 CODE`.

    `why`: why it could not be told, "" if it could. `late`: it has to belong to a flow, or this host's own
    rules would not let it out. `labelled`: with a flow label of IPv6, as the kernel's own TCP gives.
    `own`: it is the kernel itself that answers, no rule.
    """

    family: int
    kind: Kind
    how: str = SILENCE
    why: str = ""
    late: bool = False
    labelled: bool = False
    own: bool = False


Answers = tuple[Answer, ...]


def unknown(why: str) -> Answers:
    """Silence everywhere, for that reason."""
    return tuple(Answer(family, kind, why=why) for family in (4, 6) for kind in KINDS)


NOT_YET: Final = unknown("this host's rules have not been checked yet")


def _said(answers: Answers) -> list[Answer]:
    return [one for one in answers if one.how != SILENCE]


def closed_rules(answers: Answers) -> tuple[str, ...]:
    """The rules of the chain `closed`: it lets nothing through."""
    said = _said(answers)
    return (*(_NOT_HERE if said else ()), *_grouped(said), "drop")


def _grouped(said: Iterable[Answer]) -> Iterable[str]:
    """The rules for each answer; once for all of TCP, or for both families, where they are the same."""
    hows = {(one.family, one.kind): (one.how, one.own) for one in said}
    by_kind: dict[tuple[int, str], tuple[str, bool]] = {}
    kinds: tuple[Kind, ...] = ("syn", "ack", "odd")
    for family in (4, 6):
        tcp = {hows.get((family, kind)) for kind in kinds}
        if None not in tcp and len(tcp) == 1:
            by_kind[family, "meta l4proto tcp"] = hows[family, "syn"]
        else:
            by_kind |= {
                (family, _WHICH[k]): how for (f, k), how in hows.items() if f == family and k != "udp"
            }
        if (family, "udp") in hows:
            by_kind[family, _WHICH["udp"]] = hows[family, "udp"]
    for (family, which), (how, own) in by_kind.items():
        if (how, own) != by_kind.get((10 - family, which)) or how != RESET:
            yield from _rules(f"meta nfproto {_NFPROTO[family]} {which}", how, own)
        elif family == 4:
            yield from _rules(which, how, own)


def _rules(which: str, how: str, own: bool) -> Iterable[str]:
    if not own or how != RESET:
        if own and how.startswith("icmpv6"):
            yield f"{which} udp checksum 0 drop"  # which the kernel's UDP does not take (RFC 8200, 8.1)
        yield f"{which} reject with {how}"
        return
    for words in _LENGTHS:
        yield f"{which} tcp doff {words} @th,{32 * words - 8},8 >= 0x0 reject with {how}"


def late_rules(answers: Answers) -> tuple[str, ...]:
    """The rules of the chain `late`."""
    return tuple(
        f"meta nfproto {_NFPROTO[one.family]} {_WHICH[one.kind]} accept"
        for one in _said(answers)
        if one.late and one.kind in ("syn", "udp")  # others do not come so early
    )


def label_rules(config: Config, answers: Answers) -> tuple[str, ...]:
    """The rules of the chain `labels`, at output: resets by a rule have no flow label, the kernel's own have
    one for each connection (RFC 6437, 3). None if that makes no difference."""
    services = [one for door in config.doors.values() for one in door.services]
    ports = [f"{one.first}-{one.last}" for one in services if one.protocol == TCP and one.to is None]
    if not ports or not any(one.labelled for one in answers):
        return ()
    reset = f"tcp sport {{ {', '.join(dict.fromkeys(ports))} }} tcp flags & rst == rst ip6 flowlabel 0"
    # A number of 28 bits, of which the first 24 are written: four of the class, which are 0, and the label.
    label = "jhash ip6 daddr . tcp sport . tcp dport mod 268435456"
    return (f"meta nfproto ipv6 {reset} @nh,8,24 set {label}",)
