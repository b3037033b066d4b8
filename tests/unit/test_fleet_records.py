"""What stands in the fleet's store: tags, seals, keys, versions remembered."""

from __future__ import annotations

import base64
import hmac
import os
from hashlib import sha256
from itertools import pairwise
from pathlib import Path

import pytest
from attrs import evolve
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from portress.errors import Mistake
from portress.fleet.memory import Known, Memory
from portress.fleet.records import Admitted, Alive, Codec, Holder, Record, Spent
from portress.fleet.seal import Forged, Seals, read_secret
from portress.knock import Source

SECRET = bytes(range(32))
ANA = Source.parse("192.0.2.7")
RECORDS = [
    Admitted("ssh", ANA, 1e9, "edge-1", 5, "ana"),
    Admitted("ssh", Source.parse("2001:db8::/64"), 1e9, "edge-1", 5, None, "dismissed"),
    Spent("0a1b", "vpn", 33, "edge-2", ANA, 1e9, 1),
    Holder("ana", 7, ("ssh", "vpn"), "{name: ana, secret: GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ}"),
    Holder("bo@example.org", 8, gone=True),
    Alive("edge-1", 9, 1e9),
]


def codec(secret: bytes = SECRET, fleet: str = "edge") -> Codec:
    return Codec(fleet, Seals.of(secret, fleet))


def hkdf(secret: bytes, info: bytes) -> bytes:
    """RFC 5869, section 2, one block, written out."""
    extracted = hmac.new(bytes(32), secret, sha256).digest()
    return hmac.new(extracted, info + b"\x01", sha256).digest()


@pytest.mark.parametrize("record", RECORDS)
def test_a_record_is_read_as_it_was_written(record: Record) -> None:
    assert codec().read(*codec().written(record)) == record


def test_the_tag_is_hmac_under_a_key_by_hkdf() -> None:
    key, value = codec().written(RECORDS[0])
    tag, _, body = value.partition(b" ")
    expected = hmac.new(
        hkdf(SECRET, b"portress fleet 1 tag edge"), len(key).to_bytes(4, "big") + key + body, sha256
    )
    assert base64.b64decode(tag) == expected.digest()


def test_a_secret_is_sealed_by_aes_gcm_bound_to_key_and_name() -> None:
    seals = Seals.of(SECRET, "edge")
    text = seals.sealed(b"/portress/edge/k/ana", "ana", b"the secret")
    assert b"the secret" not in base64.b64decode(text)
    data, key = base64.b64decode(text), b"/portress/edge/k/ana"
    cipher = AESGCM(hkdf(SECRET, b"portress fleet 1 seal edge"))
    assert cipher.decrypt(data[:12], data[12:], len(key).to_bytes(4, "big") + key + b"ana") == b"the secret"
    for where, name in ((b"/portress/edge/k/bo", "ana"), (key, "bo")):
        with pytest.raises(Forged):
            seals.unsealed(where, name, text)
    assert seals.sealed(key, "ana", b"the secret") != text


def test_no_value_shows_a_secret() -> None:
    _, value = codec().written(Holder("ana", 1, ("ssh",), "S" * 20))
    assert b"S" * 20 not in value and base64.b64encode(b"S" * 20) not in value
    assert "S" * 20 not in repr(Holder("ana", 1, ("ssh",), "S" * 20))


@pytest.mark.parametrize("record", RECORDS)
def test_whatever_is_changed_in_a_value_is_noticed(record: Record) -> None:
    key, value = codec().written(record)
    for place in range(len(value)):
        changed = value[:place] + bytes((value[place] ^ 1,)) + value[place + 1 :]
        with pytest.raises(Forged):
            codec().read(key, changed)
    for cut in (0, 1, len(value) // 2, len(value) - 1):
        with pytest.raises(Forged):
            codec().read(key, value[:cut])


def test_a_value_counts_at_its_own_key_only() -> None:
    _, value = codec().written(RECORDS[0])
    for other in (evolve(RECORDS[0], door="vpn"), evolve(RECORDS[0], source=Source.parse("192.0.2.8"))):
        with pytest.raises(Forged):
            codec().read(codec().at(other), value)


def test_another_fleet_and_another_secret_are_strangers() -> None:
    key, value = codec().written(RECORDS[0])
    with pytest.raises(Forged):
        codec(secret=bytes(32)).read(key, value)
    other = codec(fleet="home")
    with pytest.raises(Forged):
        other.read(other.at(RECORDS[0]), value)


@pytest.mark.parametrize("name", ["a/b", "..", "ä", "a%2Fb", " ", "*"])
def test_no_name_reaches_into_another_place(name: str) -> None:
    key = codec().at(Holder(name, 1, gone=True))
    assert key.startswith(b"/portress/edge/k/") and key.count(b"/") == 4
    assert codec().parts(key) == ["k", name]


def test_the_memory_refuses_what_is_older_than_what_it_has_seen_over_restarts(tmp_path: Path) -> None:
    path = tmp_path / "fleet.sqlite"
    memory = Memory(path)
    memory.note([Known(b"/k/ana", 5, None, b"value 5")])
    memory.write([Known(b"/k/ana", 5, None, b"value 5")])
    memory.write([Known(b"/k/ana", 4, None, b"value 4")])
    memory.close()
    assert path.stat().st_mode & 0o777 == 0o600
    memory = Memory(path)
    assert memory.is_old(b"/k/ana", 4) and not memory.is_old(b"/k/ana", 5) and not memory.is_old(b"/k/bo", 1)
    assert memory.values(b"/k/") == [(b"/k/ana", b"value 5")]
    assert memory.values(b"/a/") == []


def test_the_memory_forgets_what_is_over(tmp_path: Path) -> None:
    memory = Memory(tmp_path / "fleet.sqlite")
    both = [Known(b"/a/1", 5, 100.0), Known(b"/k/ana", 5, None)]
    memory.note(both)
    memory.write(both)
    memory.forget(99.0)
    memory.prune(99.0)
    assert memory.is_old(b"/a/1", 4)
    memory.forget(101.0)
    memory.prune(101.0)
    assert not memory.is_old(b"/a/1", 4) and memory.is_old(b"/k/ana", 4)


def test_a_use_is_owed_until_it_is_paid(tmp_path: Path) -> None:
    memory = Memory(tmp_path / "fleet.sqlite")
    memory.owe(b"/u/1", b"x", 9.0)
    memory.owe(b"/u/1", b"y", 9.0)
    memory.close()
    memory = Memory(tmp_path / "fleet.sqlite")
    assert memory.owed() == [(b"/u/1", b"x", 9.0)]
    memory.paid(b"/u/1")
    assert memory.owed() == []


def test_a_memory_that_is_a_link_is_refused(tmp_path: Path) -> None:
    (tmp_path / "fleet.sqlite").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(Mistake):
        Memory(tmp_path / "fleet.sqlite")
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.parametrize("data", [SECRET, base64.b64encode(SECRET) + b"\n"])
def test_the_secret_is_read_plain_or_in_base64(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "secret"
    path.write_bytes(data)
    path.chmod(0o600)
    assert read_secret(path) == SECRET


@pytest.mark.parametrize(
    "data", [b"", SECRET[:31], SECRET + b"x", base64.b64encode(SECRET[:16]), b"\xff" * 44]
)
def test_a_secret_of_another_size_is_refused_and_never_shown(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "secret"
    path.write_bytes(data)
    path.chmod(0o600)
    with pytest.raises(Mistake, match="not 32 bytes"):
        read_secret(path)


def test_a_secret_that_others_can_read_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "secret"
    path.write_bytes(SECRET)
    path.chmod(0o644)
    with pytest.raises(Mistake, match="others can read the fleet's secret"):
        read_secret(path)
    with pytest.raises(Mistake, match="make it with: openssl rand -base64 32"):
        read_secret(tmp_path / "none")
    assert os.access(path, os.R_OK)


def test_of_many_values_each_is_judged_by_itself() -> None:
    right = [codec().written(one) for one in RECORDS]
    strange = codec(secret=bytes(32)).written(RECORDS[0])
    key = codec().key("a", "ssh", "192.0.2.7")
    seals = Seals.of(SECRET, "edge")
    newer = [
        (key, seals.signed(key, body)) for body in (b"", b"[]", b"1],[2", b'{"v":1}', b'{"v":1},{}', b"\xff")
    ]
    found = codec().read_all([right[0], strange, *newer, *right[1:], (right[0][0], right[1][1])])
    assert [one for one in found if not isinstance(one, Forged)] == RECORDS
    assert [number for number, one in enumerate(found) if isinstance(one, Forged)] == [
        *range(1, 8),
        len(found) - 1,
    ]
    for odd in newer:  # each alone among right ones
        found = codec().read_all([right[0], odd, *right[1:]])
        assert isinstance(found[1], Forged) and [found[0], *found[2:]] == RECORDS
    assert codec().read_all([]) == []


def test_admissions_fall_into_parts_of_like_size_the_same_at_every_gateway() -> None:
    made = codec()
    # crc32 of "ssh/192.0.2.7" is 0xdbd49b40 (gzip's own: printf ssh/192.0.2.7 | gzip -c | tail -c8)
    record = Admitted("ssh", Source.parse("192.0.2.7"), 1.0, "edge-1", 1)
    assert made.at(record) == b"/portress/edge/a/db/ssh/192.0.2.7"
    keys = [
        made.at(Admitted(door, Source.parse(source), 1.0, "edge-1", 1))
        for door in ("ssh", "vpn")
        for source in (f"10.0.{n >> 8}.{n & 255}" for n in range(5000))
    ]
    edges = [made.prefix, *made.cuts, made.prefix + b"\xff"]
    assert edges == sorted(edges)
    parts = [sum(begin <= key < end for key in keys) for begin, end in pairwise(edges)]
    assert sum(parts) == len(keys)
    *admissions, others = parts
    assert others == 0 and min(admissions) > 200 and max(admissions) < 450, "10,000 over 32"
