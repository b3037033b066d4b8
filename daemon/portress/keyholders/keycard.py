"""Keycards: what a keyholder's client needs, as a dict, as JSON, as a QR code in a terminal, in addresses.

In: a keyholder, a door and the name its host is reached by. Out: text that holds the secret, to be shown
or written once and kept nowhere else. Pure.
"""

from __future__ import annotations

import base64
import ipaddress
import json
import re
from typing import Any, Final
from urllib.parse import quote, urlencode, urlsplit

import segno

from portress.clock import STEP
from portress.config.model import Door
from portress.keyholders.keyholder import Keyholder
from portress.keyholders.secret import to_base32
from portress.knock import PROTOCOL_NAMES, SECOND

VERSION: Final = 1
DIGITS: Final = 8

_LABEL: Final = re.compile(r"(?!-)[a-z0-9_-]{1,63}(?<!-)", re.ASCII | re.IGNORECASE)
_PAGE_HOSTS: Final = ("localhost", "127.0.0.1", "::1")
_QUIET: Final = 4  # modules of white around a QR code (ISO/IEC 18004)
# Black on white of the 256-colour palette's fixed part: what a theme makes of "black" does not matter.
_INK: Final = "\x1b[38;5;16;48;5;231m"
_PLAIN: Final = "\x1b[0m"


def checked_host(text: str) -> str:
    """`text`, if it is a host's name or address. Raises ValueError."""
    try:
        return str(ipaddress.ip_address(text))
    except ValueError:
        pass
    try:
        name = text.rstrip(".").encode("idna").decode() if text else ""
    except UnicodeError:
        name = ""
    if len(name) > 253 or not all(_LABEL.fullmatch(label) for label in name.split(".")):
        raise ValueError("a host is a name or an address, for example vpn.example.org or 192.0.2.1")
    return name.lower()


def make(keyholder: Keyholder, door: Door, host: str, site: str = "") -> dict[str, Any]:
    """The keycard for one of the keyholder's doors, which has the keyholder's style; gaps in seconds."""
    card: dict[str, Any] = {
        "portress": VERSION,
        "host": host,
        "door": door.name,
        "keyholder": keyholder.name,
        "style": keyholder.style,
        "secret": to_base32(keyholder.secret),
    }
    if keyholder.style == "derived":
        assert door.rotating is not None
        rule = door.rotating
        if site:
            card["site"] = site
        card["pool"] = list(rule.pool)
        card["protocols"] = [PROTOCOL_NAMES[protocol] for protocol in rule.protocols]
        card["length"] = rule.length
        card["gap"] = _seconds(rule.gap)
        if rule.admits == "connection" and rule.last is not None:
            card["admits"] = rule.admits
            card["last"] = PROTOCOL_NAMES[rule.last]
    else:
        assert door.authenticator is not None
        card["base"] = door.authenticator.base
        card["gap"] = _seconds(door.authenticator.gap)
    if keyholder.style == "derived" and door.leaving:
        card["leaving"] = True
    card["services"] = [str(service) for service in door.services]
    return card


def _seconds(duration: int) -> int | float:
    whole, rest = divmod(duration, SECOND)
    return duration / SECOND if rest else whole


def text(card: dict[str, Any]) -> str:
    """The keycard as compact JSON on one line."""
    return json.dumps(card, separators=(",", ":"), ensure_ascii=False)


def fragment(card: dict[str, Any]) -> str:
    """The keycard as it stands behind the # of a page's address: base64url without padding (RFC 4648, 5)."""
    return base64.urlsafe_b64encode(text(card).encode()).decode().rstrip("=")


def checked_page(address: str) -> str:
    """`address`, if a page there can be trusted with a keycard. Raises ValueError.

    A page that came unprotected could send the secret anywhere, and browsers keep WebCrypto from it.
    """
    try:
        parts = urlsplit(address)
        host = parts.hostname or ""
    except ValueError:
        host, parts = "", urlsplit("")
    sure = (
        (parts.scheme == "https" and host)
        or (parts.scheme == "file" and parts.path)
        or (parts.scheme == "http" and host in _PAGE_HOSTS)
    )
    if not sure or not address.isascii() or not address.isprintable() or " " in address:
        raise ValueError(
            "a page has an https:// address (or file://), for example https://www.example.org/knock.html"
        )
    if "#" in address:
        raise ValueError("leave the # and what follows it away: the keycard goes there")
    return address


def page_address(card: dict[str, Any], page: str) -> str:
    """The address of the page with the keycard in its fragment, which browsers send to no server."""
    return f"{page}#{fragment(card)}"


def otpauth(keyholder: Keyholder, host: str) -> str:
    """The key URI that authenticator apps scan: RFC 6238 with HMAC-SHA-1, 8 digits, steps of 30 seconds."""
    label = quote(f"{host}:{keyholder.name}", safe=":@")
    parameters = {
        "secret": to_base32(keyholder.secret),
        "issuer": "Portress",
        "algorithm": "SHA1",
        "digits": DIGITS,
        "period": STEP,
    }
    return f"otpauth://totp/{label}?{urlencode(parameters)}"


def dialling(door: Door) -> str:
    """Which ports a code of 8 digits stands for at a door of style authenticator, in words."""
    assert door.authenticator is not None
    base = door.authenticator.base
    ports = [f"tcp/{base + 100 * i}" for i in range(4)]
    example = [f"tcp/{base + 100 * i + pair}" for i, pair in enumerate((94, 28, 70, 82))]
    return (
        f"Read the code in pairs and add them to {', '.join(ports[:3])} and {ports[3]}: "
        f"for the code 9428 7082 knock {' '.join(example)}, in that order, within its 30 seconds."
    )


def matrix(content: str) -> list[list[bool]]:
    """The modules of a QR code for `content`, dark ones True, with the quiet zone around them.

    Raises ValueError for what no QR code can hold.
    """
    try:
        code = segno.make(content.encode(), error="l", micro=False)
    except segno.DataOverflowError:
        raise ValueError("too long for a QR code") from None
    return [[bool(module) for module in row] for row in code.matrix_iter(border=_QUIET)]


def picture(content: str, colour: bool) -> str:
    """A QR code for a terminal, two rows of modules to a line.

    With `colour` it is black on white whatever the terminal's theme is. Without, light modules are drawn
    and dark ones left out: right on a dark terminal, and inverted on a light one. Raises ValueError for what
    no QR code can hold.
    """
    rows = matrix(content)
    if len(rows) % 2:
        rows.append([False] * len(rows[0]))
    lines = []
    for upper, lower in zip(rows[::2], rows[1::2], strict=True):
        pairs = zip(upper, lower, strict=True)
        if colour:
            lines.append(f"{_INK}{''.join(' ▄▀█'[2 * above + below] for above, below in pairs)}{_PLAIN}")
        else:
            lines.append("".join("█▀▄ "[2 * above + below] for above, below in pairs))
    return "\n".join(lines)
