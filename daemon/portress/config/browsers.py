"""What browsers can knock: TCP alone, and not the ports that they refuse to dial.

In: a door and a style. Out: what keeps a phone's page from knocking there. Pure.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from portress.knock import PROTOCOL_NAMES, TCP

if TYPE_CHECKING:
    from portress.config.model import Authenticator, Door, Rotating

# WHATWG Fetch, "Port blocking", the table of bad ports; the same as shared/fetch-bad-ports.json.
# fmt: off
BAD_PORTS: Final = frozenset({
    1, 7, 9, 11, 13, 15, 17, 19, 20, 21, 22, 23, 25, 37, 42, 43, 53, 69, 77, 79, 87, 95, 101, 102, 103,
    104, 109, 110, 111, 113, 115, 117, 119, 123, 135, 137, 139, 143, 161, 179, 389, 427, 465, 512, 513,
    514, 515, 526, 530, 531, 532, 540, 548, 554, 556, 563, 587, 601, 636, 989, 990, 993, 995, 1719,
    1720, 1723, 2049, 3659, 4045, 4190, 5060, 5061, 6000, 6566, 6665, 6666, 6667, 6668, 6669, 6679,
    6697, 10080,
})
# fmt: on


def obstacles(door: Door, style: str) -> list[str]:
    """Why a phone's page cannot knock on `door` in that style, each with what to change; none: it can."""
    if style == "authenticator" and door.authenticator is not None:
        return _of_base(door.name, door.authenticator)
    if style == "derived" and door.rotating is not None:
        return _of_pool(door.name, door.rotating)
    return [f"doors.{door.name}: a page knocks only where sequences are of style {style}"]


def _of_base(name: str, authenticator: Authenticator) -> list[str]:
    base = authenticator.base
    refused = refused_among(base, base + 399)
    if not refused:
        return []
    return [
        f"doors.{name}.authenticator.base: {base}: browsers refuse to dial {refused} (WHATWG Fetch): "
        "take a base above 10080"
    ]


def _of_pool(name: str, rotating: Rotating) -> list[str]:
    found = []
    if rotating.protocols != (TCP,):
        written = ", ".join(PROTOCOL_NAMES[protocol] for protocol in rotating.protocols)
        found.append(
            f"doors.{name}.rotating.protocols: [{written}]: browsers send no UDP datagrams: write [tcp], and "
            "give this door's keyholders new keycards"
        )
    first, last = rotating.pool
    if refused := refused_among(first, last):
        found.append(
            f"doors.{name}.rotating.pool: {first}-{last}: browsers refuse to dial {refused} (WHATWG Fetch): "
            "take a pool without them, for example 10100-32767, and give this door's keyholders new keycards"
        )
    return found


def refused_among(first: int, last: int) -> str:
    """The bad ports from `first` to `last`, in words; empty if there is none."""
    ports = sorted(port for port in BAD_PORTS if first <= port <= last)
    if len(ports) > 3:
        return f"{len(ports)} of these ports, for example {ports[0]} and {ports[-1]}"
    return " and ".join(f"port {port}" for port in ports)
