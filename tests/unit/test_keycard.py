"""Keycards say what a client needs, and their QR codes say the same."""

from __future__ import annotations

import base64
import json
import re
from urllib.parse import parse_qs, unquote, urlsplit

import pytest
import segno
from attrs import evolve

from portress.config.model import Authenticator, Door, Rotating
from portress.keyholders import keycard
from portress.keyholders.keyholder import Keyholder
from portress.knock import SECOND, TCP, UDP, Service

VPN = Door(
    "vpn",
    (Service.parse("udp/51820"),),
    SECOND,
    rotating=Rotating((20000, 51999), (TCP, UDP), 4, 10 * SECOND, 1),
)
SSH = Door("ssh", (Service.parse("tcp/22"),), SECOND, authenticator=Authenticator(21000, 30 * SECOND, 1))
ANA = Keyholder("ana", ("vpn",), b"12345678901234567890")
BEN = Keyholder("ben@example.org", ("ssh",), b"12345678901234567890", "authenticator")
SECRET = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"  # base32 -w0 <<<'12345678901234567890'


def test_a_keycard_of_style_derived_holds_the_rule() -> None:
    assert keycard.make(ANA, VPN, "vpn.example.org") == {
        "portress": 1,
        "host": "vpn.example.org",
        "door": "vpn",
        "keyholder": "ana",
        "style": "derived",
        "secret": SECRET,
        "pool": [20000, 51999],
        "protocols": ["tcp", "udp"],
        "length": 4,
        "gap": 10,
        "services": ["udp/51820"],
    }


def test_a_keycard_carries_the_site_where_there_is_one() -> None:
    assert keycard.make(ANA, VPN, "vpn.example.org", "edge")["site"] == "edge"
    assert "site" not in keycard.make(ANA, VPN, "vpn.example.org")
    assert "site" not in keycard.make(BEN, SSH, "vpn.example.org", "edge")  # codes do not depend on it


def test_a_keycard_of_style_authenticator_holds_the_base() -> None:
    assert keycard.make(BEN, SSH, "192.0.2.1") == {
        "portress": 1,
        "host": "192.0.2.1",
        "door": "ssh",
        "keyholder": "ben@example.org",
        "style": "authenticator",
        "secret": SECRET,
        "base": 21000,
        "gap": 30,
        "services": ["tcp/22"],
    }


def test_a_gap_of_half_a_second_stays_half_a_second() -> None:
    assert VPN.rotating is not None
    door = evolve(VPN, rotating=evolve(VPN.rotating, gap=SECOND // 2))
    assert keycard.make(ANA, door, "vpn.example.org")["gap"] == 0.5


def test_text_and_fragment_hold_the_same_object() -> None:
    card = keycard.make(ANA, VPN, "vpn.example.org")
    assert json.loads(keycard.text(card)) == card
    assert " " not in keycard.text(card) and "\n" not in keycard.text(card)
    address = keycard.page_address(card, "https://www.example.org/knock.html")
    page, _, fragment = address.partition("#")
    assert page == "https://www.example.org/knock.html"
    assert re.fullmatch(r"[A-Za-z0-9_-]+", fragment)
    assert json.loads(base64.urlsafe_b64decode(fragment + "=" * (-len(fragment) % 4))) == card


def test_the_key_uri_has_what_authenticator_apps_read() -> None:
    parts = urlsplit(keycard.otpauth(BEN, "vpn.example.org"))
    assert (parts.scheme, parts.netloc) == ("otpauth", "totp")
    assert unquote(parts.path) == "/vpn.example.org:ben@example.org"
    assert parse_qs(parts.query) == {
        "secret": [SECRET],
        "issuer": ["Portress"],
        "algorithm": ["SHA1"],
        "digits": ["8"],
        "period": ["30"],
    }


def test_the_words_for_dialling_use_the_doors_own_base() -> None:
    """The code is RFC 6238's, appendix B, for 59 s and SHA-1."""
    words = keycard.dialling(SSH)
    assert "tcp/21000, tcp/21100, tcp/21200 and tcp/21300" in words
    assert "9428 7082 knock tcp/21094 tcp/21128 tcp/21270 tcp/21382" in words


@pytest.mark.parametrize(
    ("text", "host"),
    [
        ("vpn.example.org", "vpn.example.org"),
        ("VPN.Example.org.", "vpn.example.org"),
        ("bücher.example", "xn--bcher-kva.example"),  # punycode, RFC 3492
        ("192.0.2.1", "192.0.2.1"),
        ("2001:DB8::1", "2001:db8::1"),
        ("gate", "gate"),
    ],
)
def test_a_host_is_a_name_or_an_address(text: str, host: str) -> None:
    assert keycard.checked_host(text) == host


@pytest.mark.parametrize(
    "text", ["", ".", "a b", "a..b", "-a.example", "a" * 64, "https://a.example", "a/b", "a:22"]
)
def test_anything_else_is_no_host(text: str) -> None:
    with pytest.raises(ValueError, match="a host is a name or an address"):
        keycard.checked_host(text)


@pytest.mark.parametrize(
    "address",
    [
        "https://www.example.org/knock.html",
        "file:///sdcard/knock.html",
        "http://localhost:8080/",
        "http://[::1]/",
    ],
)
def test_a_page_is_trusted_over_https_or_from_this_device(address: str) -> None:
    assert keycard.checked_page(address) == address


@pytest.mark.parametrize(
    "address",
    [
        "http://www.example.org/",
        "www.example.org",
        "https://",
        "ftp://a.example/",
        "https://a b/",
        "http://[::",
        "",
    ],
)
def test_no_other_page_is_given_a_keycard(address: str) -> None:
    with pytest.raises(ValueError, match="https://"):
        keycard.checked_page(address)


def test_a_pages_address_leaves_the_fragment_to_the_keycard() -> None:
    with pytest.raises(ValueError, match="leave the #"):
        keycard.checked_page("https://www.example.org/#top")


# QR codes


def modules(picture: str, drawn_is_dark: bool) -> list[list[bool]]:
    """What a camera sees of the half blocks, two rows a line."""
    rows: list[list[bool]] = []
    for line in picture.split("\n"):
        line = re.sub(r"\x1b\[[0-9;]*m", "", line)
        rows.append([(character in "█▀") == drawn_is_dark for character in line])
        rows.append([(character in "█▄") == drawn_is_dark for character in line])
    return rows


@pytest.mark.parametrize("colour", [True, False])
def test_the_picture_shows_every_module_and_the_quiet_zone(colour: bool) -> None:
    content = keycard.text(keycard.make(ANA, VPN, "vpn.example.org"))
    code = segno.make(content.encode(), error="l", micro=False)
    wanted = [[bool(module) for module in row] for row in code.matrix_iter(border=4)]
    seen = modules(keycard.picture(content, colour), drawn_is_dark=colour)
    assert seen[: len(wanted)] == wanted
    assert not any(seen[-1])  # the odd last row is white


def test_a_coloured_picture_sets_and_resets_its_colours_on_every_line() -> None:
    for line in keycard.picture("x", colour=True).split("\n"):
        assert line.startswith("\x1b[38;5;16;48;5;231m") and line.endswith("\x1b[0m")


def test_a_usual_keycard_fits_a_terminal_of_80_columns_also_in_an_address() -> None:
    card = keycard.make(ANA, VPN, "a-rather-long-host-name.vpn.example.org")
    for content in (keycard.text(card), keycard.page_address(card, "https://www.example.org/knock.html")):
        assert len(keycard.matrix(content)[0]) <= 80


def test_what_no_qr_code_holds_is_a_value_error() -> None:
    with pytest.raises(ValueError, match="too long for a QR code"):
        keycard.picture("x" * 3000, colour=True)
