"""The words that the guard is written in: libnftables JSON for its sets, chains and rules."""

from __future__ import annotations

from typing import Any, Final

from portress.knock import PROTOCOL_NAMES, Service

FAMILY: Final = "inet"
TABLE: Final = "portress"

Json = dict[str, Any]

SADDR: Final[dict[int, Json]] = {
    4: {"payload": {"protocol": "ip", "field": "saddr"}},
    6: {"payload": {"protocol": "ip6", "field": "saddr"}},
}
ADDRESS: Final = {4: "ipv4_addr", 6: "ipv6_addr"}
KNOCK_TYPE: Final = ["inet_proto", "inet_service"]
KNOCK: Final[Json] = {
    "concat": [{"meta": {"key": "l4proto"}}, {"payload": {"protocol": "th", "field": "dport"}}]
}
ACCEPT: Final[Json] = {"accept": None}
DROP: Final[Json] = {"drop": None}
COUNTER: Final[Json] = {"counter": {"packets": 0, "bytes": 0}}


def knock_element(knock: int) -> Json:
    """A knock as an element of a set of knocks."""
    return {"concat": [PROTOCOL_NAMES[knock >> 16], knock & 0xFFFF]}


def service_element(service: Service) -> Json:
    """A service, perhaps a range of ports, as an element of a set of knocks."""
    ports: Any = service.first
    if service.first != service.last:
        ports = {"range": [service.first, service.last]}
    return {"concat": [PROTOCOL_NAMES[service.protocol], ports]}


def among(name: str, left: Json, op: str = "==") -> Json:
    return {"match": {"op": op, "left": left, "right": f"@{name}"}}


def is_(left: Json, right: Any, op: str = "==") -> Json:
    return {"match": {"op": op, "left": left, "right": right}}


def meter(name: str, key: Json, timeout: int, size: int, statement: Json) -> Json:
    """A set that the packet path adds to, with a state for each element; the JSON of nft 1.0.6 knows no other
    way. It comes and goes with its rule."""
    elem = {"elem": {"val": key, "timeout": timeout}}
    return {"meter": {"name": name, "key": elem, "size": size, "stmt": statement}}


def update(name: str, key: Json, timeout: int) -> Json:
    elem = {"elem": {"val": key, "timeout": timeout}}
    return {"set": {"op": "update", "elem": elem, "set": f"@{name}"}}


def named_set(name: str, kind: Any, **more: Any) -> Json:
    return {"set": {"family": FAMILY, "table": TABLE, "name": name, "type": kind, **more}}


def named_map(name: str, **more: Any) -> Json:
    return {"map": {**named_set(name, KNOCK_TYPE, **more)["set"], "map": "verdict"}}


def chain(name: str, **more: Any) -> Json:
    return {"chain": {"family": FAMILY, "table": TABLE, "name": name, **more}}


def rule(chain: str, *expressions: Json, comment: str | None = None) -> Json:
    rule: Json = {"family": FAMILY, "table": TABLE, "chain": chain, "expr": list(expressions)}
    if comment is not None:
        rule["comment"] = comment
    return {"rule": rule}


def element(name: str, elements: list[Any]) -> Json:
    """The JSON object that names `elements` of the guard's set `name`."""
    return {"element": {"family": FAMILY, "table": TABLE, "name": name, "elem": elements}}
