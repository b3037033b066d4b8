"""The vectors of shared/sequence: the daemon and the stand-alone client both meet every one of them."""

from __future__ import annotations

import base64
import json
import subprocess
from typing import Any

import pytest

import client
import make_vectors
from portress.clock import step_at
from portress.config.model import Authenticator, Paper, Rotating
from portress.keyholders import secret
from portress.knock import PROTOCOLS, SECOND
from portress.sequence import authenticator, paper, rotating

Row = dict[str, Any]
VECTORS: Row = json.loads(make_vectors.VECTORS.read_text(encoding="utf-8"))


def each(kind: str) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("row", [pytest.param(row, id=row["name"]) for row in VECTORS[kind]])


def spoken(knocks: list[tuple[str, int]]) -> list[str]:
    return [f"{protocol}/{port}" for protocol, port in knocks]


def test_the_file_is_what_the_text_computes() -> None:
    assert make_vectors.vectors() == VECTORS


def test_rejected_and_skipped_words_are_among_them() -> None:
    assert sum(bool(row["rejected"]) for row in VECTORS["derived"]) >= 4
    assert sum(bool(row["skipped"]) for row in VECTORS["derived"]) >= 3
    assert any(row["rejected"] and row["skipped"] for row in VECTORS["derived"])


@each("derived")
def test_the_daemon_meets_a_derived_vector(row: Row) -> None:
    first, last = row["pool"]
    protocols = tuple(PROTOCOLS[name] for name in row["protocols"])
    rule = Rotating((first, last), protocols, row["length"], 10 * SECOND, 1, PROTOCOLS.get(row.get("last")))
    step = step_at(row["unix"])
    assert step == row["step"]
    sequence = rotating.derive(secret.from_base32(row["secret"]), row["door"], rule, step, row["site"])
    assert [str(knock) for knock in sequence.knocks] == row["knocks"]


@each("leaving")
def test_the_daemon_meets_a_leaving_vector(row: Row) -> None:
    first, last = row["pool"]
    protocols = tuple(PROTOCOLS[name] for name in row["protocols"])
    rule = Rotating((first, last), protocols, row["length"], 10 * SECOND, 1)
    sequence = rotating.leaving(bytes.fromhex(row["secret_hex"]), row["door"], rule, row["step"], row["site"])
    assert [str(knock) for knock in sequence.knocks] == row["knocks"]
    opening = rotating.derive(bytes.fromhex(row["secret_hex"]), row["door"], rule, row["step"], row["site"])
    assert opening.knocks != sequence.knocks


@each("paper")
def test_the_daemon_meets_a_vector_on_paper(row: Row) -> None:
    first, last = row["pool"]
    protocols = tuple(PROTOCOLS[name] for name in row["protocols"])
    rule = Paper((first, last), protocols, row["length"], 60 * SECOND, 10)
    sequence = paper.derive(bytes.fromhex(row["secret_hex"]), row["door"], rule, row["number"], row["site"])
    assert [str(knock) for knock in sequence.knocks] == row["knocks"]
    assert sequence.gap == 60 * SECOND
    assert first <= sequence.knocks[0] & 0xFFFF < first + 64


@each("paper")
def test_the_first_block_on_paper_is_what_openssl_computes(row: Row) -> None:
    label = f"portress-1-paper\0{row['site']}\0{row['door']}\0"
    message = label.encode() + row["number"].to_bytes(8, "big") + bytes(4)
    key = f"hexkey:{row['secret_hex']}"
    command = ["openssl", "dgst", "-sha256", "-mac", "HMAC", "-macopt", key, "-binary"]
    block = subprocess.run(command, input=message, capture_output=True, check=True, timeout=20).stdout
    size = min(64, row["pool"][1] - row["pool"][0] + 1)
    index = int.from_bytes(block[:4], "big") % (size * len(row["protocols"]))
    assert row["rejected"] == [] or row["rejected"][0]["position"] > 0
    assert row["knocks"][0] == f"{row['protocols'][index // size]}/{row['pool'][0] + index % size}"


def test_a_number_is_no_time_step() -> None:
    """The same secret, door and number in the other domain: nothing in common but by chance."""
    (row,) = [one for one in VECTORS["paper"] if one["name"] == "a number that is also a time step"]
    rule = Rotating(tuple(row["pool"]), (6,), 5, SECOND, 1)
    other = rotating.derive(bytes.fromhex(row["secret_hex"]), row["door"], rule, row["number"])
    assert [str(knock) for knock in other.knocks] != row["knocks"]


def test_what_cannot_be_on_paper_is_refused() -> None:
    rule = Paper((4617, 4620), (6,), 5, SECOND, 10)
    with pytest.raises(ValueError, match="1 to 4"):
        paper.derive(bytes(20), "vpn", rule, 1)
    with pytest.raises(ValueError, match="from 1"):
        paper.derive(bytes(20), "vpn", Paper((4617, 5000), (6,), 5, SECOND, 10), 0)
    with pytest.raises(ValueError, match="128 bits"):
        paper.derive(bytes(15), "vpn", Paper((4617, 5000), (6,), 5, SECOND, 10), 1)


@each("authenticator")
def test_the_daemon_meets_an_authenticator_vector(row: Row) -> None:
    made = bytes.fromhex(row["secret_hex"])
    step = step_at(row["unix"])
    assert authenticator.code(made, step) == row["code"]
    sequence = authenticator.derive(made, Authenticator(row["base"], 30 * SECOND, 1), step)
    assert [str(knock) for knock in sequence.knocks] == row["knocks"]


@pytest.mark.parametrize(
    ("domain", "row"),
    [
        pytest.param(domain, row, id=f"{kind}: {row['name']}")
        for kind, domain in (("derived", "portress-1"), ("leaving", "portress-1-leave"))
        for row in VECTORS[kind]
    ],
)
def test_the_first_block_is_what_openssl_computes(domain: str, row: Row) -> None:
    label = f"{domain}\0{row['site']}\0{row['door']}\0"
    message = label.encode() + row["step"].to_bytes(8, "big") + bytes(4)
    command = [
        "openssl",
        "dgst",
        "-sha256",
        "-mac",
        "HMAC",
        "-macopt",
        f"hexkey:{row['secret_hex']}",
        "-binary",
    ]
    block = subprocess.run(command, input=message, capture_output=True, check=True, timeout=20).stdout
    words = [int.from_bytes(block[i : i + 4], "big") for i in range(0, 32, 4)]
    size = row["pool"][1] - row["pool"][0] + 1
    named = sorted(row["protocols"])
    unused = {entry["position"] for entry in row["rejected"] + row["skipped"]}
    knocks = [
        f"{named[word % (size * len(named)) // size]}/{row['pool'][0] + word % size}"
        for position, word in enumerate(words)
        if position not in unused
    ]
    if "last" in row:  # drawn from one protocol
        knocks = knocks[: row["length"] - 1]
    assert knocks[: len(row["knocks"])] == row["knocks"][: len(knocks)]


IN_CLIENT = """
import json, runpy, sys
knock = runpy.run_path(sys.argv[1])
vectors = json.load(open(sys.argv[2], encoding="utf-8"))
for row in vectors["derived"] + vectors["authenticator"]:
    secret, step = knock["secret_of"](row["secret"]), row["unix"] // 30
    assert secret.hex() == row["secret_hex"], row["name"]
    if "base" in row:
        assert knock["code"](secret, step) == row["code"], row["name"]
        found = knock["dialled"](secret, row["base"], step)
    else:
        rule = row["pool"], row["protocols"], row["length"]
        found = knock["derived"](secret, row["site"], row["door"], *rule, step, row.get("last", ""))
    assert ["%s/%d" % pair for pair in found] == row["knocks"], row["name"]
for row in vectors["leaving"]:
    rule = row["pool"], row["protocols"], row["length"], row["unix"] // 30, "", knock["LEAVES"]
    found = knock["derived"](bytes.fromhex(row["secret_hex"]), row["site"], row["door"], *rule)
    assert ["%s/%d" % pair for pair in found] == row["knocks"], row["name"]
print(len(vectors["derived"]), len(vectors["authenticator"]))
"""


@pytest.mark.parametrize("python", client.interpreters())
def test_the_client_meets_all_vectors_under_every_python(python: str) -> None:
    command = [python, "-I", "-c", IN_CLIENT, str(client.CLIENT), str(make_vectors.VECTORS)]
    answer = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert answer.stderr == ""
    assert answer.stdout.split() == [str(len(VECTORS[kind])) for kind in ("derived", "authenticator")]


@each("keycards")
def test_a_fragment_holds_the_keycard(row: Row) -> None:
    padded = row["fragment"] + "=" * (-len(row["fragment"]) % 4)
    assert json.loads(base64.urlsafe_b64decode(padded)) == row["keycard"]


@each("keycards")
def test_the_client_accepts_a_good_keycard(row: Row) -> None:
    plan = client.load().plan_of(json.dumps(row["keycard"]))
    assert (plan.host, plan.gap) == (row["keycard"]["host"], row["keycard"]["gap"])
    assert len(plan.knocks(1)) == 4


@each("refused")
def test_the_client_refuses_a_bad_keycard_without_showing_its_secret(row: Row) -> None:
    alone = client.load()
    with pytest.raises(alone.NotDone) as refused:
        alone.plan_of(json.dumps(row["keycard"]))
    assert row["keycard"]["secret"] not in str(refused.value)


def test_a_keycard_with_a_site_makes_that_sites_knocks() -> None:
    (card,) = [row["keycard"] for row in VECTORS["keycards"] if row["keycard"].get("site")]
    (vector,) = [row for row in VECTORS["derived"] if row["name"] == "a site, same door"]
    assert (card["site"], card["door"], card["secret"]) == ("edge", vector["door"], vector["secret"])
    assert spoken(client.load().plan_of(json.dumps(card)).knocks(vector["step"])) == vector["knocks"]


def test_the_first_keycard_makes_the_first_vectors_knocks() -> None:
    plan = client.load().plan_of(json.dumps(VECTORS["keycards"][0]["keycard"]))
    assert spoken(plan.knocks(VECTORS["derived"][0]["step"])) == VECTORS["derived"][0]["knocks"]
