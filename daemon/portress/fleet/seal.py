"""Keeps the store's readers from the secrets and its writers from the doors. Pure, but for `read_secret`.

In: the fleet's secret, 32 bytes that every gateway has and the store never sees. Out: a tag on every value,
bound to its key, and keyholders' secrets sealed, bound to the value's key and the keyholder's name.

Both keys are made with HKDF-SHA-256 (RFC 5869), each in a domain of its own that names the fleet. Tags are
HMAC-SHA-256 (RFC 2104); secrets are sealed with AES-256-GCM (NIST SP 800-38D) under random nonces of 96 bits.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import os
import stat
from binascii import b2a_base64
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from attrs import field, frozen
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from portress.errors import Mistake

if TYPE_CHECKING:
    from hashlib import _Hash

SIZE: Final = 32  # bytes of the secret, and of both keys
NONCE: Final = 12  # bytes
ERA: Final = 8  # bytes


class Forged(ValueError):
    """A value of which the tag, or the seal, does not fit: not written by a gateway of this fleet."""


@frozen
class Seals:
    """The two keys of a fleet, and the era of its paper. `random` gives so many random bytes."""

    _inner: _Hash = field(repr=False)
    _outer: _Hash = field(repr=False)
    _sealing: bytes = field(repr=False)
    era: str  # 16 digits from 0 to f: that of this fleet's paper; another secret begins another one
    _random: Callable[[int], bytes] = field(default=os.urandom, repr=False)

    @classmethod
    def of(cls, secret: bytes, fleet: str, random: Callable[[int], bytes] = os.urandom) -> Seals:
        """The keys made from the fleet's secret (32 bytes) and its name."""

        def made(use: str) -> bytes:
            info = f"portress fleet 1 {use} {fleet}".encode()
            return HKDF(algorithm=SHA256(), length=SIZE, salt=None, info=info).derive(secret)

        inner, outer = (_begun(made("tag"), byte) for byte in (0x36, 0x5C))
        return cls(inner, outer, made("seal"), made("paper")[:ERA].hex(), random)

    def tag(self, key: bytes, body: bytes) -> bytes:
        """The tag of a value's `body` at `key`.

        HMAC as RFC 2104, section 4, has it for many messages under one key: both hashes go on from behind
        the key's block. That takes a tenth of the time.
        """
        inner, outer = self._inner.copy(), self._outer.copy()
        inner.update(len(key).to_bytes(4, "big") + key + body)
        outer.update(inner.digest())
        return outer.digest()

    def signed(self, key: bytes, body: bytes) -> bytes:
        """The value to put at `key`: the tag in base64, a space, the body."""
        return b2a_base64(self.tag(key, body), newline=False) + b" " + body

    def opened(self, key: bytes, value: bytes) -> bytes:
        """The body of a value found at `key`. Raises Forged."""
        tag, space, body = value.partition(b" ")
        if not space or not hmac.compare_digest(tag, b2a_base64(self.tag(key, body), newline=False)):
            raise Forged("its tag does not fit: it was not written by a gateway of this fleet")
        return body

    def sealed(self, key: bytes, name: str, secret: bytes) -> str:
        """A keyholder's entry for the store, in base64; only for `key` and `name`."""
        nonce = self._random(NONCE)
        return base64.b64encode(
            nonce + AESGCM(self._sealing).encrypt(nonce, secret, _bound(key, name))
        ).decode()

    def unsealed(self, key: bytes, name: str, text: str) -> bytes:
        """The entry that `sealed` made. Raises Forged."""
        try:
            data = base64.b64decode(text, validate=True)
            return AESGCM(self._sealing).decrypt(data[:NONCE], data[NONCE:], _bound(key, name))
        except (binascii.Error, InvalidTag, ValueError):
            raise Forged(
                f"the secret of {name} cannot be unsealed: it belongs to another fleet or name"
            ) from None


def _begun(key: bytes, byte: int) -> _Hash:
    """SHA-256 of the block that HMAC makes of a key (RFC 2104, section 2), to go on from."""
    begun = hashlib.sha256()
    begun.update(bytes(one ^ byte for one in key.ljust(begun.block_size, b"\0")))
    return begun


def _bound(key: bytes, name: str) -> bytes:
    return len(key).to_bytes(4, "big") + key + name.encode()


def read_secret(path: Path) -> bytes:
    """The fleet's secret from a file: 32 bytes, or the same in base64. Raises Mistake.

    Whoever can read it can open every door of the fleet: a file that others can read is refused.
    """
    try:
        with path.open("rb") as file:
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            data = file.read(200)
    except OSError as error:
        raise Mistake(f"{path}: {error.strerror}: make it with: openssl rand -base64 32 > {path}") from None
    if mode & 0o007:
        raise Mistake(f"{path}: mode {mode:04o}: others can read the fleet's secret: chmod o= {path}")
    if len(data) != SIZE:
        try:
            data = base64.b64decode(data.strip(), validate=True)
        except (binascii.Error, ValueError):
            data = b""
    if len(data) != SIZE:
        raise Mistake(
            f"{path}: not 32 bytes, plain or in base64: make it with: openssl rand -base64 32 > {path}"
        )
    return data
