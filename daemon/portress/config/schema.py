"""The table of keys: what a configuration may say, how each value is read, and what an absent one means.

In: nothing. Out: `CONFIGURATION`, the shape that reads a whole file, and the JSON Schema for editors, written
by `python -m portress.config.schema > shared/portress.schema.json`. What the values mean together is for
`checks.py`.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from functools import partial
from ipaddress import IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Any, Final, get_args

from portress.config import leaving
from portress.config.calendar import HOURS
from portress.config.fleet import FLEET
from portress.config.model import CALLERS, STAY, STAY_OF_CONNECTIONS, Config, Decide, Door, Rotating, Watch
from portress.config.model import default as _of
from portress.config.shapes import Key, Keys, ListOf, Named, Shape, Text, Truth, Whole, one_of
from portress.config.words import JOURNAL_PREFIX, journal_prefix, listen, pool
from portress.durations import DAY, WRITTEN, parse_within, written
from portress.knock import PROTOCOLS, SECOND, Knock, Service

_DAY: Final = DAY * SECOND
_top = partial(_of, Config)  # the default of a key at the top

# What the guard calls its own sets and chains, or may come to: a door of that name would be taken for them.
RESERVED: Final = frozenset(
    {"always", "callers", "shunned", "opening", "public", "doors", "strict", "placed"}
    | {"public_to", "doors_to", "strict_to"}
    | {"at", "further", "next", "right", "ends", "stays", "checks", "slower", "claims", "spent", "priorities"}
    | {"entry", "report", "heard", "knocks", "paced", "door", "portress", "dismissed"}
)


def _lasting(what: str, most: int) -> Text:
    return Text(
        f"{what} is {WRITTEN}",
        partial(parse_within, what=what, most=most),
        {"pattern": "^0*[1-9][0-9]*[smhd]$", "examples": ["30s", "10m", "8h", "2d"]},
    )


def door_name(text: str) -> str:
    """A door's name: it becomes part of nftables names (`ssh_4`, `door_ssh`). Raises ValueError."""
    if not re.fullmatch(_DOOR_NAME, text, re.ASCII):
        raise ValueError("a door's name is a small letter and up to 15 more small letters, digits, - or _")
    if text in RESERVED:
        raise ValueError("the guard uses this name itself: choose another name for the door")
    return text


def interface(text: str) -> str:
    """The name of a network interface: at most 15 bytes (IFNAMSIZ less one). Raises ValueError."""
    if not re.fullmatch(_INTERFACE, text, re.ASCII) or text in (".", ".."):
        raise ValueError("an interface's name is 1 to 15 letters, digits and . _ - @ +, for example lan0")
    if text == "lo":
        raise ValueError("lo is never guarded: there is no need to name it")
    return text


def network(text: str) -> IPv4Network | IPv6Network:
    """An address or a prefix, `192.0.2.7` or `2001:db8::/32`. Raises ValueError."""
    try:
        if not re.fullmatch(r"[0-9A-Fa-f:.]+(/[0-9]{1,3})?", text, re.ASCII):
            raise ValueError
        loose = ip_network(text, strict=False)
    except ValueError:
        scope = ", without a zone" if "%" in text else ""
        raise ValueError(f"an address or a prefix{scope}, for example 192.0.2.7 or 2001:db8::/32") from None
    first = loose.network_address
    if isinstance(first, IPv6Address) and first.ipv4_mapped and loose.prefixlen >= 96:
        plain = ip_network((int(first.ipv4_mapped), loose.prefixlen - 96))
        raise ValueError(f"write an IPv4 address in its IPv4 form: {plain}")
    address = text.partition("/")[0]
    if ip_address(address) != first:
        raise ValueError(f"bits beyond the prefix are set: write {loose}, or {address} for that one address")
    return loose


def knock(text: str) -> Knock:
    """`tcp/4617` or `udp/2953`. Raises ValueError."""
    if "-" in text:
        raise ValueError("a knock is at one port, for example tcp/4617")
    return Knock.parse(text)


def site(text: str) -> str:
    """The name of a site: it takes part in the derivation, letter for letter. Raises ValueError."""
    if not re.fullmatch(_SITE, text, re.ASCII):
        raise ValueError(_SITE_WANTS)
    return text


_DOOR_NAME: Final = r"[a-z][a-z0-9_-]{0,15}"
_SITE: Final = r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}"
_SITE_WANTS: Final = (
    "a site's name is 1 to 64 letters, digits, dots, hyphens and underscores, the first a letter or digit"
)
_INTERFACE: Final = r"[A-Za-z0-9._@+-]{1,15}"


def _text(wants: str, parse: Callable[[str], Any], pattern: str, *examples: str) -> Text:
    return Text(
        wants, parse, {"pattern": f"^(?:{pattern})$"} | ({"examples": list(examples)} if examples else {})
    )


_PORT: Final = "[1-9][0-9]{0,4}"
_KNOCK: Final = _text("a knock, for example tcp/4617", knock, f"(tcp|udp)/{_PORT}", "tcp/4617", "udp/2953")
_SERVICE: Final = _text(
    "a service, for example tcp/22 or tcp/8000-8010",
    Service.parse,
    f"(tcp|udp)/{_PORT}(-{_PORT})?(@[0-9A-Fa-f:.]+(/[0-9]{{1,3}})?)?",
    "tcp/22",
    "udp/51820",
    "tcp/8000-8010",
    "tcp/443@172.17.0.2",
)
_NETWORK: Final = _text(
    "an address or a prefix, for example 192.0.2.7 or 2001:db8::/32",
    network,
    "[0-9A-Fa-f:.]+(/[0-9]{1,3})?",
    "192.0.2.0/24",
    "2001:db8::/32",
)

# No client needs an hour between two knocks; a caller's place is remembered no longer.
_GAP: Final = _lasting("a gap", 3600 * SECOND)
_SKEW: Final = Whole("a skew", 0, 10)
_GAP_TELLS: Final = "the longest pause allowed between two knocks"
_SKEW_TELLS: Final = "time steps of 30 s accepted before and after the present one"

_ADMITS: Final = Key(
    one_of("source", "connection"),
    "who is let in: the source address, or only the connection that comes from the last knock's own port",
    default=_of(Rotating, "admits"),
)

_FIXED: Final = Keys(
    {
        "knocks": Key(
            ListOf(
                _KNOCK,
                "knocks are a list in the order they come, for example [tcp/4617, udp/2953, tcp/6381]",
                1,
                True,
            ),
            "the knocks in the order they come, all different",
            required=True,
        ),
        "gap": Key(_GAP, _GAP_TELLS, default="30s"),
        "admits": _ADMITS,
    },
    "a fixed sequence, for example {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 30s}",
)

_PROTOCOLS: Final = ListOf(one_of(*PROTOCOLS), "protocols are a list: [tcp, udp], [tcp] or [udp]", 1, True)

_POOL: Final = Key(
    _text("a pool is a range of ports, for example 10100-32767", pool, f"{_PORT}-{_PORT}", "10100-32767"),
    "the ports that knocks are drawn from, for example 10100-32767",
    default="10100-32767",
)

_ROTATING: Final = Keys(
    {
        "pool": _POOL,
        "protocols": Key(_PROTOCOLS, "the protocols that knocks are drawn from", default=["tcp", "udp"]),
        # One knock would be opened by any port sweep. More than 16 cost time and buy nothing: 16 knocks from
        # a pool of 100 ports are more than 100 bits.
        "length": Key(Whole("a length", 2, 16), "how many knocks a sequence has", default=4),
        "gap": Key(_GAP, _GAP_TELLS, default="10s"),
        "skew": Key(_SKEW, _SKEW_TELLS, default=1),
        "admits": _ADMITS,
    },
    "a rule for rotating sequences, for example {pool: 10100-32767, length: 4}",
)

_PAPER: Final = Keys(
    {
        "sequences": Key(Whole("sequences", 1, 100), "how many sequences are on one sheet", default=10),
        "pool": _POOL,
        "protocols": Key(_PROTOCOLS, "the protocols that knocks are drawn from", default=["tcp"]),
        "length": Key(Whole("a length", 3, 16), "how many knocks a sequence has", default=5),
        "gap": Key(_GAP, _GAP_TELLS, default="60s"),
    },
    "a rule for sequences on paper, for example {sequences: 10}",
)

_AUTHENTICATOR: Final = Keys(
    {
        "base": Key(
            Whole("a base", 1, 65535 - 399),
            "the first of the 400 ports that the digits of a code stand for",
            required=True,
        ),
        "gap": Key(_GAP, _GAP_TELLS, default="30s"),
        "skew": Key(_SKEW, _SKEW_TELLS, default=1),
    },
    "a rule for authenticator codes, for example {base: 21000}",
)

_DOOR: Final = Keys(
    {
        "services": Key(
            ListOf(_SERVICE, "services are a list, for example [tcp/22, udp/51820]", 1, True),
            "what the door protects, for example [tcp/22, tcp/8000-8010]",
            required=True,
        ),
        "stay": Key(
            _lasting("a stay", 365 * _DAY),
            f"how long an admission lasts; left out: {written(STAY)},"
            f" or {written(STAY_OF_CONNECTIONS)} where a connection is admitted",
        ),
        "linger": Key(
            Truth(), "established sessions outlive the stay; false: they are cut", default=_of(Door, "linger")
        ),
        "fixed": Key(_FIXED, "the door opens to one sequence that stays the same"),
        "rotating": Key(
            _ROTATING, "the door opens to sequences derived from a keyholder's secret and the time"
        ),
        "authenticator": Key(
            _AUTHENTICATOR, "the door opens to the codes of a keyholder's authenticator app"
        ),
        "leaving": Key(
            leaving.shape(_FIXED.known["knocks"], _FIXED.known["gap"]),
            "a sequence that ends one's own admission: derived for each keyholder (true), or a fixed one",
        ),
        "places": Key(
            Whole("the number of places", 1, 1000),
            "how many sources one keyholder may have admitted at a time; the newest ends the oldest",
        ),
        "paper": Key(_PAPER, "keyholders may have sequences on paper, each good once, which need no clock"),
        "hours": Key(HOURS, "when the door is open; outside these hours no sequence opens it"),
        "at_closing": Key(
            one_of("stay", "end"),
            "what becomes of admissions when the hours are over: they stay, or end, and flows are cut",
            default=_of(Door, "at_closing"),
        ),
        "shared": Key(
            Truth(), "in a fleet, sources admitted here are admitted at every gateway with this door"
        ),
        "claim": Key(
            one_of("later", "first"),
            "in a fleet, whether the door waits until a sequence is known to be used nowhere else",
        ),
    },
    "a door, for example {services: [tcp/22], fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}}",
    any_of=("fixed", "rotating", "authenticator"),
    lacking="nothing opens this door: give it fixed, rotating or authenticator",
)


def _one(name: str, shape: Shape, tells: str, example: str, default: Any = None) -> Key:
    """A section with a single key in it."""
    return Key(
        Keys({name: Key(shape, tells, required=default is None, default=default)}, f"written as {example}"),
        tells,
    )


_MISSES: Final = Keys(
    {
        "limit": Key(Whole("a limit", 1, 1000), "how many misses are allowed, for example 5", required=True),
        "within": Key(
            _lasting("a period", _DAY),
            "the period in which misses are counted together, for example 10m",
            required=True,
        ),
        "shun": Key(
            _lasting("a shun", 365 * _DAY), "how long knocks are then ignored, for example 30m", required=True
        ),
    },
    "written as {limit: 5, within: 10m, shun: 30m}",
)

_SOURCE_PREFIX: Final = Keys(
    {
        "ipv4": Key(Whole("an IPv4 prefix", 8, 32), "bits of an IPv4 address", default=_top("prefix_4")),
        "ipv6": Key(Whole("an IPv6 prefix", 16, 128), "bits of an IPv6 address", default=_top("prefix_6")),
    },
    "written as {ipv4: 32, ipv6: 64}",
)

_INTERFACES: Final = ListOf(
    _text("an interface, for example lan0", interface, _INTERFACE, "lan0"),
    "interfaces are a list, for example [wg0, lan0]",
    0,
    True,
)

_INTERVAL: Final = Text(
    "an interval is written as 100ms or 1s",
    partial(parse_within, what="an interval", most=SECOND, least=SECOND // 100, units="ms|s"),
    {"pattern": "^[0-9]+(ms|s)$", "examples": ["100ms"]},
)

_DOOR_NAME_SHAPE: Final = Text(
    "a door's name", door_name, {"pattern": f"^{_DOOR_NAME}$", "not": {"enum": sorted(RESERVED)}}
)

CONFIGURATION: Final = Keys(
    {
        "watch": Key(one_of(*get_args(Watch)), "what turns packets into knocks", default=_top("watch")),
        "decide": Key(
            one_of(*get_args(Decide)),
            "who decides what opens: kernel, in the knock's own packet and also while no daemon runs"
            " (default with watch: packet, which it needs), or daemon",
        ),
        "site": Key(
            _text(_SITE_WANTS, site, _SITE, "edge"),
            "goes into the derivation, so that hosts with the same keyholders have different sequences",
        ),
        "inside": Key(_INTERFACES, "interfaces that are not guarded; left out: only lo"),
        "inside_default_route": Key(
            _INTERFACES,
            "those of `inside` that may carry the default route: what arrives there is not guarded",
        ),
        "always": Key(
            ListOf(_NETWORK, "sources are a list, for example [192.0.2.0/24, 2001:db8::/32]", 0, True),
            "sources that never need to knock",
        ),
        "public": Key(
            ListOf(_SERVICE, "services are a list, for example [tcp/80, tcp/443]", 0, True),
            "services open to all: never guarded, never a knock",
        ),
        "closed": Key(
            one_of("alike", "drop", "reject"),
            "what a stranger meets at a guarded port; alike: what he meets at the host's other closed ports",
            default=_top("closed"),
        ),
        "source_prefix": Key(_SOURCE_PREFIX, "how much of an address counts as one source"),
        "misses": Key(_MISSES, "after how many misses a source is shunned; default: no shunning"),
        "callers": Key(
            Whole("the number of callers", 1, 1 << 20),
            f"sources remembered part-way at once; left out: {CALLERS['kernel']} where the kernel decides,"
            f" else {CALLERS['daemon']}",
        ),
        "admissions": Key(
            Whole("the number of admissions", 1, 1 << 20),
            "sources of one address family admitted through one door at once",
            default=_top("admissions"),
        ),
        "restore": Key(
            Truth(), "admissions with time left come back after a reboot", default=_top("restore")
        ),
        "doors": Key(
            Named(
                _DOOR_NAME_SHAPE,
                _DOOR,
                "doors by name, at least one, for example ssh: {services: [tcp/22], …}",
            ),
            "what is guarded, each door under a name",
            required=True,
        ),
        "metrics": _one(
            "listen",
            _text('"127.0.0.1:9753"', listen, rf"([0-9.]+|\[[0-9A-Fa-f:.]+\]):{_PORT}", "127.0.0.1:9753"),
            "address and port for Prometheus; left out: none",
            '{listen: "127.0.0.1:9753"}',
        ),
        "fleet": Key(FLEET, "the fleet this host belongs to; default: none"),
        "group": Key(
            Whole("a group", 1, 65535), "number of the kernel's packet log group", default=_top("group")
        ),
        "counter": _one(
            "interval",
            _INTERVAL,
            "pause between two polls",
            "{interval: 100ms}",
            written(_top("counter_interval")),
        ),
        "journal": _one(
            "prefix",
            _text("a prefix in quotes", journal_prefix, JOURNAL_PREFIX),
            "the prefix of the kernel's log lines",
            '{prefix: "portress: "}',
            _top("journal_prefix"),
        ),
    },
    "a configuration names at least one door, for example doors: {ssh: {…}}",
)


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 7) of a configuration. It knows the shapes, not the rules of `checks.py`."""
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": "Portress configuration",
        **CONFIGURATION.schema(),
    }


if __name__ == "__main__":
    print(json.dumps(schema(), indent=2, ensure_ascii=False))
