"""What goes over the wire to etcd and back, as values: entries, changes, errors, the store's clock. Pure.

In: the JSON of etcd's HTTP gateway. Out: Entry, Change, or the error that a message stands for.
"""

from __future__ import annotations

import base64
import json
import ssl
from binascii import a2b_base64
from email.utils import parsedate_to_datetime
from functools import lru_cache
from typing import Any, NamedTuple

from attrs import define, frozen


class StoreError(Exception):
    """The store cannot be reached or refuses; the text says why in one line."""


class StoreFull(StoreError):
    """The store has no space left (etcd's alarm NOSPACE): it answers reads, and refuses writes."""


class Compacted(StoreError):
    """The revision asked for has been compacted away; everything has to be read again."""


class Entry(NamedTuple):
    """A key with its value."""

    key: bytes
    value: bytes


@frozen
class Change:
    """What a watch tells: `value` is None where the key is gone."""

    key: bytes
    value: bytes | None
    revision: int


class Refused(StoreError):
    """The store understood and will not: another endpoint would say the same."""


class NoLease(StoreError):
    """There is no such lease any more: it has ended, or the store was made anew."""


@define
class Clock:
    """How far this host's clock is ahead of the store's (s), from its answers' Date (RFC 9110, 6.6.1).

    A Date has whole seconds and is cut, not rounded: the offset lies between what the latest and the earliest
    answers of a second allow, and narrows with each.
    """

    low: float = float("-inf")
    high: float = float("inf")

    def heard(self, date: float, sent: float, received: float) -> None:
        """An answer with `date` (unix s) came at `received` to what was sent at `sent` (local clock)."""
        low, high = sent - (date + 1.0), received - date
        if low > self.high or high < self.low:  # one of the clocks was set
            self.low, self.high = low, high
        else:
            self.low, self.high = max(self.low, low), min(self.high, high)

    @property
    def ahead(self) -> float:
        """Seconds that the local clock is ahead; 0 as long as nothing was heard."""
        return 0.0 if self.high == float("inf") else (self.low + self.high) / 2


def told_of_clock(ahead: float, off: bool) -> str:
    """What is said of a clock that is so many seconds ahead of the store's. `off`: that is too much."""
    if not off:
        return "this clock agrees with the store's again"
    where = "ahead of" if ahead > 0 else "behind"
    return f"this clock is {abs(ahead):.0f} s {where} the store's: rotating sequences are refused"


@lru_cache(maxsize=4)
def moment(date: str) -> float:
    """A Date in unix seconds; parsed once, as many answers come within a second."""
    return parsedate_to_datetime(date).timestamp()


def until_after(prefix: bytes) -> bytes:
    """The first key after all that begin with `prefix` (etcd's `range_end`)."""
    return prefix[:-1] + bytes((prefix[-1] + 1,))


def text_of(data: bytes) -> str:
    return base64.b64encode(data).decode()


def put_of(key: bytes, value: bytes, lease: int | None) -> dict[str, Any]:
    put: dict[str, Any] = {"key": text_of(key), "value": text_of(value)}
    if lease is not None:
        put["lease"] = str(lease)
    return put


def entry_of(kv: dict[str, Any]) -> Entry:
    return Entry(a2b_base64(kv["key"]), a2b_base64(kv.get("value", "")))


def parsed(url: str, text: str) -> dict[str, Any]:
    try:
        answer = json.loads(text)
    except ValueError:
        raise StoreError(
            f"{url}: {text.strip().splitlines()[0][:120] if text.strip() else 'empty answer'}"
        ) from None
    if not isinstance(answer, dict):
        raise StoreError(f"{url}: not an answer of etcd")
    return answer


def leads(status: dict[str, Any]) -> bool:
    """Whether the member that gave this answer to `maintenance/status` is the store's leader."""
    return "leader" in status and status["leader"] == status["header"].get("member_id")


def trouble(url: str, message: str) -> StoreError:
    """The error that a message of the store stands for."""
    if "database space exceeded" in message:
        return StoreFull("the store is full (NOSPACE): compact and defragment it, then etcdctl alarm disarm")
    if "compacted" in message:
        return Compacted(f"{url}: {message}")
    if "lease not found" in message:
        return NoLease(f"{url}: {message.removeprefix('etcdserver: ')}")
    if (
        "permission denied" in message
        or "authentication failed" in message
        or "user name is empty" in message
    ):
        return Refused(
            f"{url}: {message.removeprefix('etcdserver: ')}: check the user, its password and its role"
        )
    return StoreError(f"{url}: {message.removeprefix('etcdserver: ')}")


def plain(error: Exception) -> str:
    """An error of the connection in one line."""
    cause = getattr(error, "certificate_error", None) or getattr(error, "os_error", None) or error
    if isinstance(cause, ssl.SSLCertVerificationError):
        return f"its certificate is not accepted: {cause.verify_message}"
    if isinstance(cause, OSError) and cause.strerror:
        return cause.strerror
    return str(cause).splitlines()[0] if str(cause) else type(cause).__name__
