"""Writes shared/sequence/vectors.json, computed straight from the text of shared/sequence/v1.md.

    python3 tests/make_vectors.py

It shares no code with the daemon or a client: HMAC is spelled out from RFC 2104 over hashlib's hashes, so
that the vectors judge the implementations and not the other way round.
"""

from __future__ import annotations

import base64
import hashlib
import json
from pathlib import Path
from typing import Any

VECTORS = Path(__file__).parents[1] / "shared/sequence/vectors.json"

Row = dict[str, Any]


def mac(hash_name: str, key: bytes, message: bytes) -> bytes:
    """HMAC, RFC 2104 section 2: H(K xor opad, H(K xor ipad, text)), blocks of 64 bytes."""
    if len(key) > 64:
        key = hashlib.new(hash_name, key).digest()
    key = key.ljust(64, b"\0")
    inner = hashlib.new(hash_name, bytes(byte ^ 0x36 for byte in key) + message).digest()
    return hashlib.new(hash_name, bytes(byte ^ 0x5C for byte in key) + inner).digest()


def derived(
    name: str,
    secret: bytes,
    door: str,
    protocols: str,
    pool: str,
    length: int,
    unix: int,
    site: str = "",
    last_protocol: str = "",
    label: bytes = b"portress-1",
) -> Row:
    first, last = (int(port) for port in pool.split("-"))
    ordered = [protocol for protocol in ("tcp", "udp") if protocol in protocols.split()]
    size = last - first + 1
    m = len(ordered) * size
    step = unix // 30
    rejected, skipped, knocks = [], [], list[str]()
    position = 0
    while len(knocks) < length:
        counter, place = divmod(position, 8)
        message = (
            label
            + b"\0"
            + site.encode()
            + b"\0"
            + door.encode()
            + b"\0"
            + step.to_bytes(8, "big")
            + counter.to_bytes(4, "big")
        )
        word = int.from_bytes(mac("sha256", secret, message)[4 * place : 4 * place + 4], "big")
        if last_protocol and len(knocks) == length - 1:
            choices, knock = size, f"{last_protocol}/{first + word % size}"
        else:
            choices, knock = m, f"{ordered[word % m // size]}/{first + word % m % size}"
        if word >= 2**32 // choices * choices:
            rejected.append({"position": position, "word": word})
        elif knock in knocks:
            skipped.append({"position": position, "word": word, "knock": knock})
        else:
            knocks.append(knock)
        position += 1
    return {
        "name": name,
        "secret_hex": secret.hex(),
        "secret": base64.b32encode(secret).decode().rstrip("="),
        "site": site,
        "door": door,
        "pool": [first, last],
        "protocols": protocols.split(),
        "length": length,
        **({"last": last_protocol} if last_protocol else {}),
        "unix": unix,
        "step": step,
        "knocks": knocks,
        "rejected": rejected,
        "skipped": skipped,
    }


def leaving(name: str, secret: bytes, door: str, unix: int, **rule: Any) -> Row:
    protocols, pool = rule.get("protocols", "tcp udp"), rule.get("pool", "10100-32767")
    length, site = rule.get("length", 4), rule.get("site", "")
    return derived(name, secret, door, protocols, pool, length, unix, site, label=b"portress-1-leave")


def paper(name: str, secret: bytes, door: str, number: int, site: str = "", **rule: Any) -> Row:
    first, last = rule.get("pool", (10100, 32767))
    ordered = rule.get("protocols", ["tcp"])
    rejected, skipped, knocks = [], [], list[str]()
    position = 0
    while len(knocks) < rule.get("length", 5):
        size = last - first + 1 if knocks else min(64, last - first + 1)
        m = len(ordered) * size
        counter, place = divmod(position, 8)
        label = b"portress-1-paper" + b"\0" + site.encode() + b"\0" + door.encode() + b"\0"
        block = mac("sha256", secret, label + number.to_bytes(8, "big") + counter.to_bytes(4, "big"))
        word = int.from_bytes(block[4 * place : 4 * place + 4], "big")
        index = word % m
        knock = f"{ordered[index // size]}/{first + index % size}"
        if word >= 2**32 // m * m:
            rejected.append({"position": position, "word": word})
        elif knock in knocks:
            skipped.append({"position": position, "word": word, "knock": knock})
        else:
            knocks.append(knock)
        position += 1
    return {
        "name": name,
        "secret_hex": secret.hex(),
        "secret": base64.b32encode(secret).decode().rstrip("="),
        "site": site,
        "door": door,
        "pool": [first, last],
        "protocols": ordered,
        "length": rule.get("length", 5),
        "number": number,
        "knocks": knocks,
        "rejected": rejected,
        "skipped": skipped,
    }


def authenticator(name: str, secret: bytes, base: int, unix: int) -> Row:
    step = unix // 30
    tag = mac("sha1", secret, step.to_bytes(8, "big"))
    start = tag[19] & 0xF
    number = int.from_bytes(tag[start : start + 4], "big") & 0x7FFFFFFF
    code = f"{number % 10**8:08}"
    return {
        "name": name,
        "secret_hex": secret.hex(),
        "secret": base64.b32encode(secret).decode().rstrip("="),
        "base": base,
        "unix": unix,
        "step": step,
        "code": code,
        "knocks": [f"tcp/{base + 100 * i + int(code[2 * i : 2 * i + 2])}" for i in range(4)],
    }


def keycard(name: str, card: Row) -> Row:
    text = json.dumps(card, ensure_ascii=False, separators=(",", ":"))
    fragment = base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")
    return {"name": name, "keycard": card, "fragment": fragment}


def made(length: int) -> bytes:
    """A secret of `length` bytes without a pattern that anyone could mistake for chosen."""
    return hashlib.shake_256(f"portress vector {length}".encode()).digest(length)


HUNTED = hashlib.sha256(b"search a").digest()[:20]  # the secret for which words to reject were searched
RFC_6238 = b"12345678901234567890"  # RFC 6238 appendix B, the SHA-1 rows
NOW = 1_900_000_000
LAST_EXACT = 2**53 - 1  # the last whole number that every JSON reader holds exactly

DERIVED = [
    derived("the design's example", made(20), "vpn", "tcp udp", "10100-32767", 4, NOW),
    derived("one step later", made(20), "vpn", "tcp udp", "10100-32767", 4, NOW + 30),
    derived("the last second of a step", made(20), "vpn", "tcp udp", "10100-32767", 4, NOW + 19),
    derived("the first second of the next", made(20), "vpn", "tcp udp", "10100-32767", 4, NOW + 20),
    derived("another door, same secret", made(20), "ssh", "tcp udp", "10100-32767", 4, NOW),
    derived("a site, same door", made(20), "vpn", "tcp udp", "10100-32767", 4, NOW, "edge"),
    derived("another site", made(20), "vpn", "tcp udp", "10100-32767", 4, NOW, "edge-2"),
    derived("site and door exchanged", made(20), "edge", "tcp udp", "10100-32767", 4, NOW, "vpn"),
    derived("site beyond ASCII", made(20), "büro", "tcp udp", "10100-32767", 4, NOW, "倉庫"),
    derived("step 0", made(20), "vpn", "tcp udp", "10100-32767", 4, 0),
    derived("the last second of step 0", made(20), "vpn", "tcp udp", "10100-32767", 4, 29),
    derived("unix time beyond 32 bits", made(20), "vpn", "tcp udp", "10100-32767", 4, 2**32 + 1),
    derived("step 2^32 - 1", made(20), "vpn", "tcp udp", "10100-32767", 4, (2**32 - 1) * 30),
    derived("step 2^32", made(20), "vpn", "tcp udp", "10100-32767", 4, 2**32 * 30),
    derived("step beyond 2^40", made(20), "vpn", "tcp udp", "10100-32767", 4, (2**40 + 12345) * 30 + 7),
    derived("the last exact moment", made(20), "vpn", "tcp udp", "10100-32767", 4, LAST_EXACT),
    derived("tcp only", made(20), "phone", "tcp", "10100-32767", 4, NOW),
    derived("udp only", made(20), "phone", "udp", "10100-32767", 4, NOW),
    derived("udp written first", made(20), "vpn", "udp tcp", "10100-32767", 4, NOW),
    derived("shortest secret, 128 bits", made(16), "vpn", "tcp udp", "10100-32767", 4, NOW),
    derived("secret of 33 bytes", made(33), "vpn", "tcp udp", "10100-32767", 4, NOW),
    derived("secret of one hash block, 64 bytes", made(64), "vpn", "tcp udp", "10100-32767", 4, NOW),
    derived("secret longer than a hash block", made(65), "vpn", "tcp udp", "10100-32767", 4, NOW),
    derived(
        "secret with zero bytes at both ends",
        bytes(4) + made(12) + bytes(4),
        "vpn",
        "tcp",
        "2000-2999",
        4,
        NOW,
    ),
    derived("door with hyphen, digit and underscore", made(20), "web-2_b", "tcp udp", "10100-32767", 4, NOW),
    derived("door of 64 letters", made(20), "d" * 64, "tcp udp", "10100-32767", 4, NOW),
    derived("door beyond ASCII", made(20), "büro-倉庫", "tcp udp", "10100-32767", 4, NOW),
    derived("door beyond 16 bits of Unicode", made(20), "🚪", "tcp udp", "10100-32767", 4, NOW),
    derived("one knock", made(20), "vpn", "tcp udp", "10100-32767", 1, NOW),
    derived("eight knocks, one block", made(20), "vpn", "tcp udp", "10100-32767", 8, NOW),
    derived("nine knocks, two blocks", made(20), "vpn", "tcp udp", "10100-32767", 9, NOW),
    derived("16 knocks, the most", made(20), "vpn", "tcp udp", "10100-32767", 16, NOW),
    derived("every port", made(20), "vpn", "tcp udp", "1-65535", 6, NOW),
    derived("M = 2^15, nothing to reject", made(20), "vpn", "tcp", "32768-65535", 6, NOW),
    derived("M = 2^16, nothing to reject", made(20), "vpn", "udp tcp", "32768-65535", 6, NOW),
    derived("last knock tcp", made(20), "ssh", "tcp udp", "10100-32767", 4, NOW, "", "tcp"),
    derived("last knock udp", made(20), "vpn", "tcp udp", "10100-32767", 4, NOW, "", "udp"),
    derived("last knock tcp, of one protocol", made(20), "ssh", "tcp", "10100-32767", 4, NOW, "edge", "tcp"),
    derived(
        "last knock of a small pool, to skip", made(20), "ssh", "tcp udp", "4617-4621", 5, NOW, "", "tcp"
    ),
    derived("pool of one port, both protocols", made(20), "vpn", "tcp udp", "4617-4617", 2, NOW),
    derived("small pool, knocks to skip", made(20), "vpn", "tcp", "4617-4622", 4, NOW),
    derived("a whole pool in some order", made(20), "vpn", "tcp udp", "4617-4620", 8, NOW),
    derived("first word rejected", HUNTED, "vpn", "tcp udp", "10100-32767", 4, 63363783 * 30),
    derived("first word rejected, tcp only", HUNTED, "ssh", "tcp", "1024-65535", 4, 63528960 * 30 + 29),
    derived("last word but one rejected", HUNTED, "vpn", "tcp udp", "1024-65535", 7, 63826249 * 30 + 15),
    derived("rejected in the second block", HUNTED, "lab", "tcp udp", "1024-65512", 12, 63345830 * 30),
    derived("one skipped, one rejected", HUNTED, "lab", "tcp udp", "1024-65512", 16, 65015330 * 30),
]

LEAVING = [
    leaving("the design's example", made(20), "vpn", NOW),
    leaving("one step later", made(20), "vpn", NOW + 30),
    leaving("another door", made(20), "ssh", NOW),
    leaving("a site", made(20), "vpn", NOW, site="edge"),
    leaving("tcp only", made(20), "phone", NOW, protocols="tcp"),
    leaving("step 0", made(20), "vpn", 0),
    leaving("step 2^32", made(20), "vpn", 2**32 * 30),
    leaving("the last exact moment", made(20), "vpn", LAST_EXACT),
    leaving("shortest secret, 128 bits", made(16), "vpn", NOW),
    leaving("secret longer than a hash block", made(65), "vpn", NOW),
    leaving("sixteen knocks, two blocks", made(20), "vpn", NOW, length=16),
    leaving("small pool, knocks to skip", made(20), "vpn", NOW, protocols="tcp", pool="4617-4622"),
    leaving("door beyond ASCII", made(20), "büro-倉庫", NOW),
    leaving("a door called leave", made(20), "leave", NOW),
]

PAPER = [
    paper("the first of a sheet", made(20), "vpn", 1),
    paper("the tenth", made(20), "vpn", 10),
    paper("another door", made(20), "ssh", 1),
    paper("a site", made(20), "vpn", 1, "edge"),
    paper("a number that is also a time step", made(20), "vpn", NOW // 30),
    paper("number 2^32", made(20), "vpn", 2**32),
    paper("both protocols", made(20), "vpn", 1, protocols=["tcp", "udp"]),
    paper("sixteen knocks", made(20), "vpn", 1, length=16),
    paper("a pool smaller than 64", made(20), "vpn", 1, pool=(4617, 4622)),
    paper("a pool of 70, knocks to skip", made(20), "vpn", 3, pool=(4617, 4686), length=16),
    paper("shortest secret, 128 bits", made(16), "vpn", 1),
    paper("door beyond ASCII", made(20), "büro-倉庫", 1),
]

AUTHENTICATOR = [
    *(
        authenticator(f"RFC 6238 appendix B, T = {unix}", RFC_6238, 21000, unix)
        for unix in (59, 1111111109, 1111111111, 1234567890, 2000000000, 20000000000)
    ),
    authenticator("step 0", RFC_6238, 21000, 0),
    authenticator("step 2^32", made(20), 21000, 2**32 * 30),
    authenticator("the last exact moment", made(20), 21000, LAST_EXACT),
    authenticator("shortest secret, 128 bits", made(16), 40000, NOW),
    authenticator("secret longer than a hash block", made(65), 40000, NOW),
    authenticator("lowest base", made(20), 1, NOW),
    authenticator("highest base", made(20), 65136, NOW),
]

_DERIVED_CARD: Row = {
    "portress": 1,
    "host": "vpn.example.org",
    "door": "vpn",
    "keyholder": "ana",
    "style": "derived",
    "secret": base64.b32encode(made(20)).decode(),
    "pool": [10100, 32767],
    "protocols": ["tcp", "udp"],
    "length": 4,
    "gap": 10,
    "services": ["udp/51820"],
}
_AUTHENTICATOR_CARD: Row = {
    "portress": 1,
    "host": "192.0.2.7",
    "door": "ssh",
    "keyholder": "ana",
    "style": "authenticator",
    "secret": base64.b32encode(RFC_6238).decode(),
    "base": 21000,
    "gap": 30,
    "services": ["tcp/22"],
}
KEYCARDS = [
    keycard("derived", _DERIVED_CARD),
    keycard("authenticator", _AUTHENTICATOR_CARD),
    keycard(
        "tcp only, IPv6 host, unknown key",
        {**_DERIVED_CARD, "host": "2001:db8::7", "protocols": ["tcp"], "x": 1},
    ),
    keycard("derived, with a site", {**_DERIVED_CARD, "site": "edge"}),
    keycard("a site that is empty, as good as none", {**_DERIVED_CARD, "site": ""}),
    keycard("a door that admits a connection", {**_DERIVED_CARD, "admits": "connection", "last": "udp"}),
    keycard("a door that admits the source, said so", {**_DERIVED_CARD, "admits": "source"}),
    keycard("a door that can be left", {**_DERIVED_CARD, "leaving": True}),
    keycard("a door that cannot, said so", {**_DERIVED_CARD, "leaving": False}),
    keycard("names beyond ASCII", {**_DERIVED_CARD, "door": "büro-倉庫", "keyholder": "zoë", "gap": 2.5}),
]
REFUSED = [
    keycard("another version", {**_DERIVED_CARD, "portress": 2}),
    keycard("no version", {key: value for key, value in _DERIVED_CARD.items() if key != "portress"}),
    keycard("unknown style", {**_DERIVED_CARD, "style": "spoken"}),
    keycard("no host", {**_DERIVED_CARD, "host": ""}),
    keycard("no door", {key: value for key, value in _DERIVED_CARD.items() if key != "door"}),
    keycard("secret of 120 bits", {**_DERIVED_CARD, "secret": base64.b32encode(made(15)).decode()}),
    keycard("secret that is not base32", {**_DERIVED_CARD, "secret": "1" * 32}),
    keycard("pool upside down", {**_DERIVED_CARD, "pool": [32767, 10100]}),
    keycard("pool beyond 65535", {**_DERIVED_CARD, "pool": [20000, 65536]}),
    keycard("pool from port 0", {**_DERIVED_CARD, "pool": [0, 999]}),
    keycard("no protocol", {**_DERIVED_CARD, "protocols": []}),
    keycard("unknown protocol", {**_DERIVED_CARD, "protocols": ["tcp", "sctp"]}),
    keycard("no knocks", {**_DERIVED_CARD, "length": 0}),
    keycard("more knocks than the pool has", {**_DERIVED_CARD, "pool": [4617, 4618], "length": 5}),
    keycard("more than 16 knocks", {**_DERIVED_CARD, "length": 17}),
    keycard("admits something else", {**_DERIVED_CARD, "admits": "all"}),
    keycard("a connection, without the last protocol", {**_DERIVED_CARD, "admits": "connection"}),
    keycard(
        "a last protocol that is not among them",
        {**_DERIVED_CARD, "protocols": ["udp"], "admits": "connection", "last": "tcp"},
    ),
    keycard(
        "a pool too small for a last knock of one protocol",
        {**_DERIVED_CARD, "pool": [4617, 4619], "length": 4, "admits": "connection", "last": "tcp"},
    ),
    keycard("a last protocol, but the source", {**_DERIVED_CARD, "last": "tcp"}),
    keycard("leaving that is no truth", {**_DERIVED_CARD, "leaving": "yes"}),
    keycard("leaving, of a code", {**_AUTHENTICATOR_CARD, "leaving": True}),
    keycard(
        "leaving a single connection",
        {**_DERIVED_CARD, "admits": "connection", "last": "udp", "leaving": True},
    ),
    keycard("a site that is no text", {**_DERIVED_CARD, "site": 7}),
    keycard("a site that is null", {**_DERIVED_CARD, "site": None}),
    keycard("a site with a zero byte", {**_DERIVED_CARD, "site": "edge\0"}),
    keycard("no time between knocks", {**_DERIVED_CARD, "gap": 0}),
    keycard("base too high", {**_AUTHENTICATOR_CARD, "base": 65137}),
]


def vectors() -> Row:
    return {
        "version": 1,
        "specification": "shared/sequence/v1.md",
        "derived": DERIVED,
        "leaving": LEAVING,
        "paper": PAPER,
        "authenticator": AUTHENTICATOR,
        "keycards": KEYCARDS,
        "refused": REFUSED,
    }


if __name__ == "__main__":
    VECTORS.write_text(json.dumps(vectors(), ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
