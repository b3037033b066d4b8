"""What stands in the store: where, and in which form. Pure.

Below /portress/FLEET/ there are
    a/DOOR/SOURCE         an admission, or the dismissal that ended it
    u/OWNER/STEP          the use of a sequence; OWNER is what uses of the keyholder's secret are kept under
    k/NAME                a keyholder, or that there is none of that name any more
    g/GATEWAY             a gateway that is alive

A value is a tag, a space and a body in JSON (see `seal`). Every body has `v`, a version that grows:
old values that somebody puts back are recognised by it. Times are unix seconds by the store's clock.
"""

from __future__ import annotations

import json
from socket import AF_INET, AF_INET6, inet_pton
from typing import Any, Final
from urllib.parse import quote, unquote

from attrs import field, frozen

from portress.fleet.seal import Forged, Seals
from portress.knock import Source

ADMISSIONS: Final = "a"
USES: Final = "u"
KEYHOLDERS: Final = "k"
GATEWAYS: Final = "g"


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
        self.era = seals.era
        self._seals = seals

    def key(self, *parts: str) -> bytes:
        """The key with these parts; each is quoted, so that none reaches into another's place."""
        return self.prefix + "/".join(quote(part, safe="@:._-") for part in parts).encode()

    def parts(self, key: bytes) -> list[str]:
        """What `key` was made of. Raises Forged for a key that is none of this fleet's."""
        if not key.startswith(self.prefix):
            raise Forged("not a key of this fleet")
        try:
            return [
                unquote(part, errors="strict") for part in key[len(self.prefix) :].decode("ascii").split("/")
            ]
        except UnicodeDecodeError:
            raise Forged("not a key of this fleet") from None

    def at(self, record: Record) -> bytes:
        """Where a record stands."""
        if isinstance(record, Admitted):
            return self.key(ADMISSIONS, record.door, str(record.source))
        if isinstance(record, Spent):
            return self.key(USES, record.owner, str(record.step))
        if isinstance(record, Holder):
            return self.key(KEYHOLDERS, record.name)
        return self.key(GATEWAYS, record.gateway)

    def written(self, record: Record) -> tuple[bytes, bytes]:
        """The key and the value of a record."""
        key = self.at(record)
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
        text = json.dumps(body, separators=(",", ":"), sort_keys=True)
        return key, self._seals.signed(key, text.encode())

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
        body = self._seals.opened(key, value)
        parts = self.parts(key)
        try:
            said = json.loads(body)
            kind, version = parts[0], int(said["v"])
            if kind == ADMISSIONS:
                _, door, source = parts
                return Admitted(
                    door,
                    _source(source),
                    float(said["until"]),
                    said["gw"],
                    version,
                    said.get("kh"),
                    said.get("ended"),
                )
            if kind == USES:
                _, owner, step = parts
                where, at = _source(said["src"]), float(said["at"])
                return Spent(owner, said["door"], int(step), said["gw"], where, at, version)
            if kind == KEYHOLDERS:
                return self._holder(key, parts[1], version, said)
            if kind == GATEWAYS:
                return Alive(parts[1], version, float(said["since"]))
        except Forged:
            raise
        except (KeyError, ValueError, TypeError, IndexError):
            raise Forged("written by another version of Portress") from None
        raise Forged("written by another version of Portress")

    def _holder(self, key: bytes, name: str, version: int, said: dict[str, Any]) -> Holder:
        if said.get("gone"):
            return Holder(name, version, gone=True)
        entry = self._seals.unsealed(key, name, said["entry"]).decode()
        return Holder(name, version, tuple(said["doors"]), entry)


def _source(text: str) -> Source:
    """The source that a gateway wrote: a whole address, as most are, without the detour over a network."""
    if "/" in text or "%" in text:
        return Source.parse(text)
    try:
        return Source.of(inet_pton(AF_INET6 if ":" in text else AF_INET, text))
    except OSError:
        raise ValueError("not an address") from None
