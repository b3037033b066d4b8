"""A stranger's first packet, on paper: what it has where a rule looks, and whether a comparison holds.

In: expressions of libnftables' JSON. Out: values, and True, False or None (it cannot be known). Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from ipaddress import ip_address, ip_network
from typing import Any, Final

from attrs import frozen

from portress.knock import PROTOCOL_NAMES, TCP, UDP

# The name of a set -> its elements, None if they are not known.
Lookup = Callable[[str], Iterable[Any] | None]

SYN: Final = 0x02
_FLAGS: Final = {"fin": 1, "syn": 2, "rst": 4, "psh": 8, "ack": 16, "urg": 32, "ecn": 64, "cwr": 128}
# What goes by a number and a name, or by Ethernet's name and netfilter's.
_NAMES: Final[dict[object, object]] = {
    6: "tcp",
    17: "udp",
    2: "ipv4",
    10: "ipv6",
    "ip": "ipv4",
    "ip6": "ipv6",
}
_PROTOCOLS: Final = {**PROTOCOL_NAMES, 1: "icmp", 58: "ipv6-icmp"}
_ICMP: Final = {1: "icmp", 58: "icmpv6"}
_OTHERS: Final = ("icmp", "icmpv6", "sctp", "dccp", "arp", "igmp", "esp", "ah")


@frozen
class Packet:
    """A first packet at `entrance`: to a port of this host or, once passed on (DNAT), to `target`.

    `state` is what connection tracking makes of it. `leaving`: it is an answer that goes out by `entrance`,
    from `port`.
    """

    family: int  # 4 or 6
    protocol: int
    port: int
    entrance: str
    dialled: int  # the port as the stranger dialled it
    target: str | None = None  # None: this host
    translated: bool = False
    own: frozenset[str] = frozenset()  # this host's addresses, where they are known
    flags: int = SYN  # of TCP
    state: str = "new"
    leaving: bool = False

    @property
    def knock(self) -> int:
        return self.protocol << 16 | self.port


@frozen
class Path:
    """How a packet came here: as one of these named sources (none: as a stranger); tracked or not.

    `since`: how deep in jumps the rule is that named the source, while its effect lasts. `granted`: a rule
    accepted the packet because of its source. `assumed`: a condition that cannot be known was taken to hold.
    `beyond`: a rule gave it to what cannot be followed, as a queue.
    """

    sources: tuple[str, ...] = ()
    untracked: bool = False
    since: int | None = None
    granted: bool = False
    assumed: bool = False
    beyond: bool = False


class _Special:
    """A value that is none, and says so where it is printed."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __repr__(self) -> str:
        return self._name


@frozen
class _Own:
    """One of this host's addresses, it is not known which."""

    addresses: frozenset[str]


UNKNOWN: Final = _Special("UNKNOWN")
NOTHING: Final = _Special("NOTHING")  # the rule is for other packets
SOURCE: Final = _Special("SOURCE")


def stranger(
    family: int,
    knock: int,
    entrance: str,
    target: str | None = None,
    own: frozenset[str] = frozenset(),
) -> Packet:
    """The first packet of that kind that comes in there, to this host or another destination."""
    port = knock & 0xFFFF
    return Packet(family, knock >> 16, port, entrance, port, target, own=own)


def value(left: Any, packet: Packet, path: Path) -> Any:
    """What the packet has there: a value, or UNKNOWN, NOTHING (the rule does not fit it) or SOURCE."""
    if not isinstance(left, dict):
        return UNKNOWN
    ((kind, body),) = left.items()
    if kind == "concat":
        parts = [value(part, packet, path) for part in body]
        for special in (NOTHING, SOURCE, UNKNOWN):
            if special in parts:
                return special
        return tuple(parts)
    if kind == "&":
        found, mask = value(body[0], packet, path), _number(body[1])
        return found & mask if isinstance(found, int) and mask is not None else found
    if kind == "payload":
        return _payload(body, packet)
    if kind == "meta":
        return _meta(body.get("key"), packet)
    if kind == "ct":
        return _ct(body, packet, path)
    if kind == "fib":
        return _fib(body, packet)
    return UNKNOWN


def _fib(body: Any, packet: Packet) -> Any:
    result, flags = body.get("result"), body.get("flags", ())
    if packet.leaving:
        return UNKNOWN
    if result == "type" and "daddr" in flags:
        if packet.target is None:
            return "local"
        return "unicast" if _is_address(packet.target) else UNKNOWN
    if result == "type" and "saddr" in flags:
        return "unicast"
    if result == "oif" and "saddr" in flags:
        return True  # there is a way back to him, or he would not hear any answer
    return UNKNOWN


def _is_address(text: str) -> bool:
    return "." in text or ":" in text


def _payload(body: Any, packet: Packet) -> Any:
    protocol, field = body.get("protocol"), body.get("field")
    if protocol in ("tcp", "udp") and protocol != _PROTOCOLS[packet.protocol]:
        return NOTHING
    if protocol in ("ip", "ip6"):
        if packet.family != (4 if protocol == "ip" else 6):
            return NOTHING
        if field == ("daddr" if packet.leaving else "saddr"):
            return SOURCE
        if field in ("protocol", "nexthdr"):
            return _PROTOCOLS[packet.protocol]
        if field not in ("saddr", "daddr"):
            return UNKNOWN
        return packet.target or (_Own(packet.own) if packet.own else UNKNOWN)
    if packet.protocol in (TCP, UDP) and protocol in ("tcp", "udp", "th"):
        if field == ("sport" if packet.leaving else "dport"):
            return packet.port
        if protocol == "tcp" and field == "flags":
            return packet.flags
    if protocol == _ICMP.get(packet.protocol):
        return "destination-unreachable" if field == "type" else UNKNOWN
    return NOTHING if protocol in _OTHERS else UNKNOWN


def _meta(key: Any, packet: Packet) -> Any:
    known = {
        "l4proto": _PROTOCOLS[packet.protocol],
        "nfproto": "ipv4" if packet.family == 4 else "ipv6",
        "protocol": "ipv4" if packet.family == 4 else "ipv6",
        "pkttype": UNKNOWN if packet.leaving else "host",
    }
    for name in ("oifname", "oif") if packet.leaving else ("iifname", "iif"):
        known[name] = packet.entrance
    return known.get(key, UNKNOWN)


def _ct(body: Any, packet: Packet, path: Path) -> Any:
    key = body.get("key")
    if key == "state":
        return "untracked" if path.untracked else packet.state
    if key == "direction":
        return "reply" if packet.leaving else "original"
    if key == "status":
        return "dnat" if packet.translated else "none"
    if key == "proto-dst" and body.get("dir") == "original":
        return packet.dialled
    return UNKNOWN


def fits(op: str, found: Any, right: Any, lookup: Lookup) -> bool | None:
    """Whether the comparison of a value that `value` found holds; None: it cannot be known."""
    if found is NOTHING:
        return False
    if found is UNKNOWN or found is SOURCE:
        return None
    if isinstance(found, _Own):
        answers = {_among(address, right, lookup) for address in found.addresses}
        return (op == "!=") if answers == {False} else None
    if op in ("<", ">", "<=", ">="):
        return _ordered(op, found, right)
    mask = _flags(right) if isinstance(found, int) else None
    if mask is not None:
        holds: bool | None = bool(found & mask) if op == "in" else found == mask
    else:
        holds = _among(found, right, lookup)
    return holds if op != "!=" or holds is None else not holds


def _among(found: Any, right: Any, lookup: Lookup) -> bool | None:
    if isinstance(right, str) and right.startswith("@"):
        known = lookup(right[1:])
        if known is None:
            return None
        right = list(known)
    answers = [_equals(found, leaf) for leaf in leaves(right)]
    return True if True in answers else None if None in answers else False


def leaves(right: Any) -> list[Any]:
    """The single values, ranges and prefixes that a right-hand side lists."""
    if isinstance(right, list):
        return [leaf for one in right for leaf in leaves(one)]
    if isinstance(right, dict):
        for kind in ("set", "|"):
            if kind in right:
                return leaves(right[kind])
        if "elem" in right:
            return leaves(right["elem"]["val"])
    return [right]


def _equals(found: Any, item: Any) -> bool | None:
    if item == "*":
        return True
    if isinstance(found, bool):
        return found is item if isinstance(item, bool) else None
    if isinstance(item, dict):
        if "prefix" in item and isinstance(found, str):
            return _in_prefix(found, item["prefix"])
        if "range" in item:
            low, high = item["range"]
            return low <= found <= high if isinstance(found, int) and isinstance(low, int) else None
        if "concat" in item and isinstance(found, tuple):
            parts = [_equals(one, each) for one, each in zip(found, item["concat"], strict=False)]
            return False if False in parts else None if None in parts else True
        return None
    if isinstance(found, str) and isinstance(item, str) and item.endswith("*"):
        return found.startswith(item[:-1])
    if isinstance(found, str):
        return bool(_NAMES.get(found, found) == _NAMES.get(item, item))
    return bool(found == item)


def _in_prefix(address: str, prefix: Any) -> bool | None:
    try:
        return ip_address(address) in ip_network(f"{prefix['addr']}/{prefix['len']}", strict=False)
    except ValueError:
        return None


def _ordered(op: str, found: Any, right: Any) -> bool | None:
    if not isinstance(found, int) or not isinstance(right, int):
        return None
    return {"<": found < right, ">": found > right, "<=": found <= right, ">=": found >= right}[op]


def _flags(right: Any) -> int | None:
    """TCP flags as a number, None if the right-hand side names none."""
    names = leaves(right)
    if not names or not all(isinstance(name, str) and name in _FLAGS for name in names):
        return None
    return sum({_FLAGS[name] for name in names})


def _number(mask: Any) -> int | None:
    return mask if isinstance(mask, int) else _flags(mask)


def told(right: Any) -> str:
    """A source as a rule names it, in words."""
    words = []
    for leaf in leaves(right):
        if isinstance(leaf, dict) and "prefix" in leaf:
            words.append(f"{leaf['prefix']['addr']}/{leaf['prefix']['len']}")
        elif isinstance(leaf, dict) and "range" in leaf:
            words.append("-".join(map(str, leaf["range"])))
        else:
            words.append(f"set {leaf[1:]}" if str(leaf).startswith("@") else str(leaf))
    return ", ".join(words)
