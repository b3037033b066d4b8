"""What stands in the store: where, and in which form. Pure.

Below /portress/FLEET/ there are
    a/N/DOOR/SOURCE       an admission, or the dismissal that ended it; N, 00 to ff, follows from the rest
    u/OWNER/STEP          the use of a sequence; OWNER is what uses of the keyholder's secret are kept under
    k/NAME                a keyholder, or that there is none of that name any more
    g/GATEWAY             a gateway that is alive

Of admissions there may be very many: N parts them, so that parts of like size can be read side by side.

A value is a tag, a space and a body in JSON (see `seal`). Every body has `v`, a version that grows:
old values that somebody puts back are recognised by it. Times are unix seconds by the store's clock.
"""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Sequence
from functools import lru_cache
from socket import AF_INET, AF_INET6, inet_pton
from typing import Any, Final
from urllib.parse import quote, unquote
from zlib import crc32

from attrs import field, frozen

from portress.fleet.seal import Forged, Seals
from portress.knock import Source

ADMISSIONS: Final = "a"
USES: Final = "u"
KEYHOLDERS: Final = "k"
GATEWAYS: Final = "g"
_ENCODED: Final = json.JSONEncoder(separators=(",", ":"), sort_keys=True).encode


@frozen
class Admitted:
    """A source let in at `gateway` through a door until a moment. `ended`: dismissed since; how."""

    door: str
    source: Source
    until: float
    gateway: str
    version: int
    keyholder: str | None = None
    ended: str | None = None


@frozen
class Spent:
    """The use of a keyholder's sequence of time step `step`, at `gateway` by `source`.

    One on paper has the step TIMELESS, and its use stays in the store for ever.
    """

    owner: str
    door: str
    step: int
    gateway: str
    source: Source
    at: float
    version: int


@frozen
class Holder:
    """A keyholder of the fleet: `entry` is what keyholders.yaml would say, secret and all; it is sealed.

    `gone`: there is none of that name any more.
    """

    name: str
    version: int
    doors: tuple[str, ...] = ()
    entry: str = field(default="", repr=False)
    gone: bool = False


@frozen
class Alive:
    """A gateway that keeps its lease."""

    gateway: str
    version: int
    since: float


Record = Admitted | Spent | Holder | Alive


class Codec:
    """Records to keys and values, and back, for one fleet."""

    def __init__(self, fleet: str, seals: Seals) -> None:
        self.prefix = f"/portress/{fleet}/".encode()
        # Where all that there is falls into parts of much the same size.
        self.cuts = [*(self.key(ADMISSIONS, f"{one:02x}") for one in range(8, 256, 8)), self.key("b")]
        self.era = seals.era
        self._seals = seals

    def key(self, *parts: str) -> bytes:
        """The key with these parts; each is quoted, so that none reaches into another's place."""
        return self.prefix + "/".join(map(_quoted, parts)).encode()

    def parts(self, key: bytes) -> list[str]:
        """What `key` was made of. Raises Forged for a key that is none of this fleet's."""
        if not key.startswith(self.prefix):
            raise Forged("not a key of this fleet")
        try:
            text = key[len(self.prefix) :].decode("ascii")
            parts = text.split("/")
            return [unquote(part, errors="strict") for part in parts] if "%" in text else parts
        except UnicodeDecodeError:
            raise Forged("not a key of this fleet") from None

    def at(self, record: Record) -> bytes:
        """Where a record stands."""
        if isinstance(record, Admitted):
            door, source = record.door, str(record.source)
            return self.key(ADMISSIONS, _part(door, source), door, source)
        if isinstance(record, Spent):
            return self.key(USES, record.owner, str(record.step))
        if isinstance(record, Holder):
            return self.key(KEYHOLDERS, record.name)
        return self.key(GATEWAYS, record.gateway)

    def written(self, record: Record) -> tuple[bytes, bytes]:
        """The key and the value of a record."""
        key = self.at(record)
        return key, self.value(key, record)

    def value(self, key: bytes, record: Record) -> bytes:
        """The value of a record, for `key`, which is its own."""
        if isinstance(record, Admitted):
            body = {"v": record.version, "until": record.until, "gw": record.gateway}
            body |= {"kh": record.keyholder} if record.keyholder is not None else {}
            body |= {"ended": record.ended} if record.ended is not None else {}
        elif isinstance(record, Spent):
            body = {"v": record.version, "gw": record.gateway, "src": str(record.source), "at": record.at}
            body["door"] = record.door
        elif isinstance(record, Holder):
            body = self._holder_body(key, record)
        else:
            body = {"v": record.version, "since": record.since}
        return self._seals.signed(key, _ENCODED(body).encode())

    def _holder_body(self, key: bytes, record: Holder) -> dict[str, Any]:
        if record.gone:
            return {"v": record.version, "gone": True}
        sealed = self._seals.sealed(key, record.name, record.entry.encode())
        return {"v": record.version, "doors": list(record.doors), "entry": sealed}

    def version(self, value: bytes) -> int:
        """The version that a value claims to have; 0 where it claims none. Its tag is not looked at."""
        try:
            return int(json.loads(value.partition(b" ")[2])["v"])
        except (ValueError, KeyError, TypeError):
            return 0

    def read(self, key: bytes, value: bytes) -> Record:
        """The record at a key. Raises Forged for what no gateway of this fleet wrote there."""
        (found,) = self.read_all([(key, value)])
        if isinstance(found, Forged):
            raise found
        return found

    def read_all(self, values: Sequence[tuple[bytes, bytes]]) -> list[Record | Forged]:
        """The records at these keys, or why one is none: as `read`, and much quicker for many."""
        opened, bodies = self._seals.opened, list[bytes | Forged]()
        for key, value in values:
            try:
                bodies.append(opened(key, value))
            except Forged as why:
                bodies.append(why)
        said = iter(_parsed([one for one in bodies if not isinstance(one, Forged)]))
        return [
            one if isinstance(one, Forged) else self._record(key, next(said))
            for (key, _), one in zip(values, bodies, strict=True)
        ]

    def _record(self, key: bytes, said: Any) -> Record | Forged:
        """What an authentic body says at its key."""
        try:
            parts = self.parts(key)
            kind, version = parts[0], int(said["v"])
            if kind == ADMISSIONS:
                _, _, door, where = parts
                return _admitted(door, _source(where), version, said)
            if kind == USES:
                _, owner, step = parts
                source, at = _source(said["src"]), float(said["at"])
                return Spent(owner, said["door"], int(step), said["gw"], source, at, version)
            if kind == KEYHOLDERS:
                return self._holder(key, parts[1], version, said)
            if kind == GATEWAYS:
                return Alive(parts[1], version, float(said["since"]))
        except Forged as why:
            return why
        except (KeyError, ValueError, TypeError, IndexError):
            pass
        return Forged("written by another version of Portress")

    def _holder(self, key: bytes, name: str, version: int, said: dict[str, Any]) -> Holder:
        if said.get("gone"):
            return Holder(name, version, gone=True)
        entry = self._seals.unsealed(key, name, said["entry"]).decode()
        return Holder(name, version, tuple(said["doors"]), entry)


@lru_cache(maxsize=256)
def _quoted(part: str) -> str:
    return quote(part, safe="@:._-")


def _part(door: str, source: str) -> str:
    """Which part an admission is in: it means nothing, but is the same at every gateway."""
    return f"{crc32(f'{door}/{source}'.encode()) >> 24:02x}"


def _parsed(bodies: list[bytes]) -> list[Any]:
    """What these say, in one go: a gateway writes an object into each. None for one that is no JSON."""
    with contextlib.suppress(ValueError):
        said = json.loads(b"[" + b",".join(bodies) + b"]")
        if len(said) == len(bodies):
            return list(said)
    return [_alone(one) for one in bodies]


def _alone(body: bytes) -> Any:
    try:
        return json.loads(body)
    except ValueError:
        return None


def _admitted(door: str, source: Source, version: int, said: dict[str, Any]) -> Admitted:
    """There may be very many: each name is kept once."""
    keyholder, ended, intern = said.get("kh"), said.get("ended"), sys.intern
    return Admitted(
        intern(door),
        source,
        float(said["until"]),
        intern(said["gw"]),
        version,
        None if keyholder is None else intern(keyholder),
        ended,
    )


def _source(text: str) -> Source:
    """The source that a gateway wrote: a whole address, as most are, without the detour over a network."""
    if "/" in text or "%" in text:
        return Source.parse(text)
    try:
        return Source(inet_pton(AF_INET6, text), 128) if ":" in text else Source(inet_pton(AF_INET, text), 32)
    except OSError:
        raise ValueError("not an address") from None
