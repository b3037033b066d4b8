"""Answers -> a configuration with comments, and what is drawn for it. Pure: `draw` is the only randomness.

In: which services to shut, how people will knock, who never has to. Out: the text of portress.yaml.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable
from ipaddress import IPv4Network, IPv6Network
from typing import Final, Literal

from attrs import frozen

from portress.config.schema import door_name
from portress.knock import PROTOCOL_NAMES, TCP, UDP, Knock, Service

Way = Literal["rotating", "phone", "authenticator", "fixed"]

POOL: Final = (10100, 32767)
FIRST_BASE: Final = 21000
LENGTH: Final = 4  # knocks of a fixed sequence
_TRIES: Final = 1000
_NAMES: Final = {
    "tcp/22": "ssh",
    "udp/51820": "vpn",
    "udp/1194": "vpn",
    "tcp/3389": "desktop",
    "tcp/5900": "desktop",
}
_STAYS: Final = {"ssh": "8h", "vpn": "12h"}

Draw = Callable[[int], int]  # draw(n): a number below n


@frozen
class Shut:
    """A service to shut, and the program behind it as far as it is known."""

    service: Service
    program: str = ""


@frozen
class Answers:
    """What the administrator wants."""

    services: tuple[Shut, ...]
    way: Way = "rotating"
    keyholder: str = "admin"
    host: str = ""
    always: tuple[IPv4Network | IPv6Network, ...] = ()
    connection: bool = False  # admits the connection only, not the address


@frozen
class Planned:
    """A door of the plan: its name, its service, and how it opens."""

    name: str
    shut: Shut
    knocks: tuple[Knock, ...] = ()
    base: int | None = None


def door_names(services: Iterable[Shut]) -> list[str]:
    """A name for each, all different: by the port's usual service, the program's name, or the port."""
    names: list[str] = []
    for one in services:
        program = re.sub(r"[^a-z0-9_-]", "", one.program.lower())[:12]
        program = {"sshd": "ssh", "ssh": "ssh"}.get(program, program)
        port = f"{PROTOCOL_NAMES[one.service.protocol]}{one.service.first}"
        name = _NAMES.get(str(one.service)) or program
        if name in names or not _fits(name):
            name = port
        names.append(name)
    return names


def _fits(name: str) -> bool:
    try:
        return bool(door_name(name))
    except ValueError:
        return False


def doors(answers: Answers, taken: Collection[int], draw: Draw) -> list[Planned]:
    """The doors. `taken`: knocks (protocol and port) at which somebody listens: nothing is drawn there."""
    planned: list[Planned] = []
    used = set(taken)
    base = FIRST_BASE
    for name, one in zip(door_names(answers.services), answers.services, strict=True):
        if answers.way == "fixed":
            knocks = _drawn(used, draw, one.service.protocol)
            used.update(knocks)
            planned.append(Planned(name, one, knocks))
        elif answers.way == "authenticator":
            while any(TCP << 16 | port in used for port in range(base, base + 400)):
                base += 400
            planned.append(Planned(name, one, base=base))
            base += 400
        else:
            planned.append(Planned(name, one))
    return planned


def _drawn(used: set[int], draw: Draw, last: int) -> tuple[Knock, ...]:
    """LENGTH knocks at ports far from each other, none of them taken, in no order that a sweep goes.

    The last one is of the service's own protocol, so that a door may later admit the connection only.
    """
    for _ in range(_TRIES):
        protocols = [(TCP, UDP)[draw(2)] for _ in range(LENGTH - 1)] + [last]
        ports = [POOL[0] + draw(POOL[1] - POOL[0] + 1) for _ in range(LENGTH)]
        near = {one for port in ports for one in (port - 1, port, port + 1)}
        far = len(near) == 3 * LENGTH
        swept = ports in (sorted(ports), sorted(ports, reverse=True))
        knocks = tuple(Knock.of(one, port) for one, port in zip(protocols, ports, strict=True))
        if far and not swept and len(set(protocols)) == 2 and not used.intersection(knocks):
            return knocks
    raise ValueError("no free ports to knock at")


def text(answers: Answers, planned: Iterable[Planned], date: str) -> str:
    """The configuration. `date`: the day, as YYYY-MM-DD."""
    lines = [
        f"# Written by portress begin on {date}. `man portress.yaml` explains every",
        "# key, `portress check` checks this file, and `portress guard --trial 5m` tries",
        "# a change without locking you out.",
        "",
    ]
    if answers.always:
        lines += [
            f"always: [{', '.join(_quoted(str(one)) for one in answers.always)}]   # never has to knock",
            "",
        ]
    lines.append("doors:")
    for one in planned:
        lines += _door(answers, one)
    return "\n".join(lines) + "\n"


def _quoted(network: str) -> str:
    """An IPv6 prefix has colons, which YAML has a use of its own for."""
    plain = network.removesuffix("/32") if ":" not in network else network.removesuffix("/128")
    return f'"{plain}"' if ":" in plain else plain


def _door(answers: Answers, one: Planned) -> list[str]:
    program = f"   # {one.shut.program}" if one.shut.program else ""
    connection = answers.connection and answers.way in ("rotating", "fixed")
    stay = "30s" if connection else _STAYS.get(one.name, "8h")
    what = "time to connect" if connection else "then knock again"
    return [
        f"  {one.name}:",
        f"    services: [{one.shut.service}]{program}",
        f"    stay: {stay}   # {what}; open sessions continue",
        *_opener(answers, one, ", admits: connection" if connection else ""),
    ]


def _opener(answers: Answers, one: Planned, admits: str) -> list[str]:
    if answers.way == "fixed":
        knocks = ", ".join(str(knock) for knock in one.knocks)
        return [
            "    # Anyone who sees these knocks can repeat them.",
            f"    fixed: {{knocks: [{knocks}], gap: 30s{admits}}}",
        ]
    if answers.way == "authenticator":
        return [
            "    # The code of an authenticator app, read in pairs: the first pair is",
            "    # added to base, the second to base + 100, and so on. Each works once.",
            f"    authenticator: {{base: {one.base}}}",
        ]
    if answers.way == "phone":
        return [
            "    # A phone's browser sends TCP only. Each sequence works once.",
            "    rotating: {pool: 10100-32767, protocols: [tcp], length: 4, gap: 30s}",
        ]
    more = ["      length: 4, gap: 10s, admits: connection}"] if admits else []
    return [
        "    # Changes every 30 seconds, each sequence works once.",
        "    rotating: {pool: 10100-32767, protocols: [tcp, udp],"
        + ("" if more else " length: 4, gap: 10s}"),
        *more,
    ]
