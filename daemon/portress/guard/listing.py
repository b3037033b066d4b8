"""What of the guard is in the kernel: names of sets, chains and counters, sizes, who owns it; no elements.

Read over netlink in a few requests, so that it takes milliseconds however many are admitted. Attribute
numbers are those of the kernel's include/uapi/linux/netfilter/nf_tables.h.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping
from typing import Final

from attrs import frozen

from portress.errors import Mistake
from portress.guard.elements import INET, NFTABLES
from portress.guard.language import TABLE
from portress.guard.ruleset import ENTRY
from portress.knock import WHOLE, Source, Widths
from portress.netlink import ACK, DUMP, Netfilter, attribute, attributes

_COMMENT: Final = re.compile(r"portress 1 prefix (\d+) (\d+) config [0-9a-f]+")
_GETTABLE, _GETCHAIN, _GETRULE, _GETSET, _GETGEN, _GETOBJ = 1, 4, 7, 10, 16, 19
_OF: Final = 1  # NFTA_CHAIN_TABLE, NFTA_RULE_TABLE, NFTA_SET_TABLE, NFTA_OBJ_TABLE; NFTA_TABLE_NAME
_TABLE_FLAGS, _TABLE_HANDLE, _TABLE_OWNER = 2, 4, 7
_SET_HANDLE: Final = 16
_CHAIN_NAME: Final = 3
_RULE_CHAIN, _RULE_USERDATA = 2, 7
_GEN_ID: Final = 1
_SET_NAME, _SET_FLAGS, _SET_DESC, _DESC_SIZE = 2, 3, 9, 1
_OBJ_NAME, _OBJ_TYPE, _OBJ_DATA, _COUNTER_PACKETS = 2, 3, 4, 2
_COUNTER: Final = 1  # NFT_OBJECT_COUNTER
_PERSIST: Final = 0x4  # NFT_TABLE_F_PERSIST
_ANONYMOUS, _MAP = 0x1, 0x8  # NFT_SET_…
_COMMENT_DATA: Final = 0  # libnftnl's kind of user data for a rule's comment
_NAMED: Final = TABLE.encode() + b"\0"
_OURS: Final = attribute(_OF, _NAMED)

Found = dict[int, memoryview]  # attributes by their number


@frozen
class Listing:
    """The table in the kernel: sets and maps with their sizes (0: no limit), and the first rule's comment."""

    chains: frozenset[str]
    sets: Mapping[str, int]
    maps: Mapping[str, int]
    counters: frozenset[str]
    comment: str | None
    owned: bool  # the table has an owner, or had one (flag persist)

    @property
    def prefixes(self) -> Widths | None:
        """How many bits of an IPv4 and an IPv6 address counted as one source when it was loaded."""
        match = _COMMENT.fullmatch(self.comment or "")
        return Widths(int(match[1]), int(match[2])) if match else None

    def masked(self, source: Source) -> Source:
        """The source that an address or a prefix named by hand counts as. Raises Mistake if too wide."""
        return masked(source, self.prefixes or WHOLE)

    @property
    def doors(self) -> list[str]:
        """The doors that the table keeps, by the sets it has for them."""
        return [name[:-2] for name in self.sets if name.endswith("_4") and f"door_{name[:-2]}" in self.chains]


def masked(source: Source, widths: Widths) -> Source:
    """The source that `source`, named by hand, counts as where so many bits of an IPv4 and of an IPv6 address
    do. Raises Mistake if it is too wide."""
    length = widths.of(source.family)
    if source.length < length:
        raise Mistake(f"'{source}': a source is an address or a prefix of /{length} here (source_prefix)")
    return Source.of(source.packed, length)


def _number(found: Found, kind: int) -> int:
    return int.from_bytes(found.get(kind, b""), "big")


def _text(value: memoryview) -> str:
    return bytes(value).rstrip(b"\0").decode()


def _ask(netfilter: Netfilter, kind: int, payload: bytes = _OURS, flags: int = DUMP) -> Iterator[Found]:
    """The answers about our table. Raises OSError."""
    for answer in netfilter.ask(NFTABLES, kind, INET, payload, flags):
        found = dict(attributes(answer))
        if bytes(found.get(_OF, b"")) == _NAMED:
            yield found


def read(netfilter: Netfilter | None = None) -> Listing | None:
    """The guard as it is in the kernel now, None if there is none. Without a socket it is asked over one of
    its own. Raises OSError."""
    try:
        if netfilter is not None:
            return _read(netfilter)
        with Netfilter() as own:
            return _read(own)
    except FileNotFoundError:
        return None


def _read(netfilter: Netfilter) -> Listing:
    table = next(iter(list(_ask(netfilter, _GETTABLE, flags=ACK))), {})
    rules = _OURS + attribute(_RULE_CHAIN, ENTRY.encode() + b"\0")
    comments = [_comment(found.get(_RULE_USERDATA)) for found in _ask(netfilter, _GETRULE, rules)]
    sets: dict[str, int] = {}
    maps: dict[str, int] = {}
    for found in _ask(netfilter, _GETSET):
        kind = _number(found, _SET_FLAGS)
        if not kind & _ANONYMOUS:
            about = dict(attributes(found[_SET_DESC])) if _SET_DESC in found else {}
            (maps if kind & _MAP else sets)[_text(found[_SET_NAME])] = _number(about, _DESC_SIZE)
    counters = _OURS + attribute(_OBJ_TYPE, _COUNTER.to_bytes(4, "big"))
    return Listing(
        frozenset(_text(found[_CHAIN_NAME]) for found in _ask(netfilter, _GETCHAIN)),
        sets,
        maps,
        frozenset(_text(found[_OBJ_NAME]) for found in _ask(netfilter, _GETOBJ, counters)),
        next((one for one in comments if one is not None), None),
        bool(_number(table, _TABLE_FLAGS) & _PERSIST),
    )


def _comment(data: memoryview | None) -> str | None:
    """The comment in a rule's user data: kind, length, value, one after the other."""
    while data is not None and len(data) >= 2 and len(data) >= 2 + data[1]:
        if data[0] == _COMMENT_DATA:
            return _text(data[2 : 2 + data[1]])
        data = data[2 + data[1] :]
    return None


def _one(netfilter: Netfilter, kind: int, payload: bytes = _OURS) -> Found | None:
    try:
        return next(iter(list(_ask(netfilter, kind, payload, ACK))), None)
    except FileNotFoundError:
        return None


def present(netfilter: Netfilter) -> bool:
    """Whether there is a guard in the kernel at all. Raises OSError."""
    return _one(netfilter, _GETTABLE) is not None


def owner(netfilter: Netfilter) -> int:
    """The netlink port that owns the table; 0 if none does, or there is no table. Raises OSError."""
    found = _one(netfilter, _GETTABLE)
    return 0 if found is None else _number(found, _TABLE_OWNER)


def lineage(netfilter: Netfilter, name: str) -> str:
    """What tells a set of the guard from another of this name, before and after; "" if there is none. In a
    network namespace, no two tables are ever given the same handle. Raises OSError."""
    table = _one(netfilter, _GETTABLE)
    found = _one(netfilter, _GETSET, _OURS + attribute(_SET_NAME, name.encode() + b"\0"))
    if table is None or found is None:
        return ""
    return f"{_number(table, _TABLE_HANDLE)}/{_number(found, _SET_HANDLE)}"


def rules(netfilter: Netfilter) -> dict[str, bytes]:
    """By chain what tells its rules, and their handles, from all others. Raises OSError."""
    digests: dict[str, hashlib._Hash] = {}
    for answer in netfilter.ask(NFTABLES, _GETRULE, INET, _OURS, DUMP):
        chain = _text(dict(attributes(answer))[_RULE_CHAIN])
        digests.setdefault(chain, hashlib.sha256()).update(answer)
    return {name: one.digest() for name, one in digests.items()}


def generation(netfilter: Netfilter) -> int:
    """Goes up by one with every transaction, whatever table it changes. Raises OSError."""
    answers = [dict(attributes(one)) for one in netfilter.ask(NFTABLES, _GETGEN, 0, b"", ACK)]
    return _number(answers[0], _GEN_ID)


def counted(name: str, netfilter: Netfilter) -> int:
    """The packets that the named counter has counted; 0 if there is none. Raises OSError.

    Asked by a socket that stays open: closing one waits until the kernel has cleared away after the last
    change of the guard, whoever made it.
    """
    which = _OURS + attribute(_OBJ_NAME, name.encode() + b"\0")
    which += attribute(_OBJ_TYPE, _COUNTER.to_bytes(4, "big"))
    try:
        found = next(iter(list(_ask(netfilter, _GETOBJ, which, ACK))), None)
    except FileNotFoundError:
        return 0
    if found is None or _OBJ_DATA not in found:
        return 0
    return _number(dict(attributes(found[_OBJ_DATA])), _COUNTER_PACKETS)
