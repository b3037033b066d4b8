"""The section `fleet`: its keys, what they mean together, and its settings as a value.

In: the `Found` of a whole configuration. Out: mistakes and warnings in `Findings`; `Fleet`.
"""

from __future__ import annotations

import re
import socket
from ipaddress import ip_address
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from portress.config.model import Fleet, default
from portress.config.shapes import Found, Key, Keys, ListOf, Text, one_of
from portress.config.yaml_tree import Findings

_NAME: Final = r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}"
_NAME_WANTS: Final = "1 to 64 letters, digits, dots, hyphens and underscores, the first a letter or digit"


def url(text: str) -> str:
    """`https://192.0.2.11:2379`: scheme, host and port, and nothing behind them. Raises ValueError."""
    wants = "the URL of a member of the store, for example https://192.0.2.11:2379"
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        raise ValueError(wants) from None
    plain = parts.path in ("", "/") and not parts.query and not parts.fragment and parts.username is None
    if parts.scheme not in ("https", "http") or not parts.hostname or port is None or not plain:
        raise ValueError(wants)
    return text.rstrip("/")


def name(text: str) -> str:
    """The name of a fleet or of a gateway. Raises ValueError."""
    if not re.fullmatch(_NAME, text, re.ASCII):
        raise ValueError(_NAME_WANTS)
    return text


def path(text: str) -> Path:
    """An absolute path. Raises ValueError."""
    if not text.startswith("/") or "\0" in text:
        raise ValueError("an absolute path, for example /etc/portress/fleet/secret")
    return Path(text)


def _called(what: str) -> Text:
    return Text(f"{what}: {_NAME_WANTS}", name, {"pattern": f"^(?:{_NAME})$", "examples": ["edge"]})


_PATH: Final = Text("an absolute path", path, {"pattern": "^/"})
_URLS: Final = ListOf(
    Text("a URL", url, {"pattern": "^https?://", "examples": ["https://192.0.2.11:2379"]}),
    'URLs are a list, for example ["https://192.0.2.11:2379"]',
    1,
    True,
)

FLEET: Final = Keys(
    {
        "name": Key(_called("the fleet's name"), "the fleet's name: its keys lie under it", required=True),
        "store": Key(_URLS, "the members of the etcd store, by URL", required=True),
        "secret": Key(_PATH, "a file of 32 bytes that all gateways share", required=True),
        "gateway": Key(_called("a gateway's name"), "this gateway's name; left out: the host's"),
        "ca": Key(_PATH, "the authority that signed the store's certificates; left out: the system's"),
        "cert": Key(_PATH, "this gateway's certificate for the store"),
        "key": Key(_PATH, "the key of that certificate"),
        "user": Key(_called("a user of the store"), "the store's user, where its roles are switched on"),
        "password": Key(_PATH, "a file with that user's password"),
        "alone": Key(
            one_of("local", "refuse"),
            "what rotating sequences and codes do while the store is away",
            default=default(Fleet, "alone"),
        ),
    },
    'a fleet: {name: edge, store: ["https://192.0.2.11:2379"], secret: /etc/portress/fleet/secret}',
)


def check(top: Found, findings: Findings) -> None:
    """Note what is wrong with the section, and with what belongs to it elsewhere."""
    fleet = top.get("fleet")
    if fleet is None:
        _strays(top, findings)
        return
    site, called = top.get("site"), fleet.get("name")
    if site and called and site.value != called.value:
        findings.mistake(site.place, f"in a fleet the site is the fleet's name, {called.value}: remove it")
    decide, waits = top.get("decide"), fleet.get("alone")
    if decide and decide.value == "kernel" and waits and waits.value == "refuse":
        findings.warn(waits.place, "the daemon decides, not the kernel: a door waits for the store's answer")
    _waiting_doors(top, findings)
    for one, other in (("cert", "key"), ("key", "cert"), ("user", "password"), ("password", "user")):
        alone = fleet.get(one)
        if alone and fleet.get(other) is None:
            findings.mistake(alone.place, f"{one} needs {other} as well")
    for found in fleet.all("store"):
        if found.value.startswith("http:") and not _here(found.value):
            what = "not encrypted: anyone on the path can read who knocks, and hold messages back"
            findings.warn(found.place, f"{what}: use https")


def _waiting_doors(top: Found, findings: Findings) -> None:
    """Doors with `claim: first`, which wait for the store where something can be used once."""
    doors, decide = top.get("doors"), top.get("decide")
    for _, door in doors.value.items() if doors else ():
        claim = door.get("claim") if door.ok else None
        if not claim or claim.value != "first":
            continue
        if all(door.get(kind) is None for kind in ("rotating", "authenticator", "paper")):
            findings.warn(claim.place, "nothing that opens this door is used up: remove it")
        elif decide and decide.value == "kernel":
            what = "the daemon decides, not the kernel: the door waits for the store's answer"
            findings.warn(claim.place, what)


def _here(text: str) -> bool:
    host = urlsplit(text).hostname or ""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _strays(top: Found, findings: Findings) -> None:
    doors = top.get("doors")
    for _, door in doors.value.items() if doors else ():
        for key in ("shared", "claim"):
            if door.ok and (found := door.get(key)):
                findings.warn(found.place, f"{key} means nothing without a fleet: remove it")


def settings(values: dict[str, Any]) -> Fleet:
    """The settings from what `FLEET` read. The gateway's name is the host's if the file names none."""
    host = re.sub(r"[^A-Za-z0-9._-]", "-", socket.gethostname())[:64].lstrip("._-") or "gateway"
    return Fleet(**{"gateway": host, **values})
