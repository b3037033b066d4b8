"""The guard's table as Portress reads and changes it over netlink, against what nft says of it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from lab import Namespace, namespace
from portress.admissions import Grant
from portress.config import load as configuration
from portress.guard.ruleset import build
from portress.guard.table import GuardError, Table
from portress.knock import SECOND, Knock, Source
from portress.sequence.fixed import expected
from portress.sequence.trie import Trie

TEXT = """
decide: daemon
public: [tcp/80]
source_prefix: {ipv4: 32, ipv6: 128}
always: [192.0.2.0/24]
callers: 100
doors:
  ssh: {services: [tcp/22], stay: 1h, fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}}
  vpn: {services: [udp/51820], stay: 1h, linger: false, fixed: {knocks: [tcp/4618, udp/2954, tcp/6382]}}
"""
ANA = Source.parse("203.0.113.7")
BEA = Source.parse("2001:db8:c::7")


@pytest.fixture
def host() -> Iterator[Namespace]:
    with namespace("host") as ns:
        yield ns


@pytest.fixture
def table(host: Namespace) -> Iterator[Table]:
    """A table loaded in the namespace."""
    with host.enter():
        made = Table(own=True)
        load(made)
        yield made


def load(table: Table, **more: Any) -> None:
    config = configuration.parse(TEXT, "portress.yaml")
    table.load(build(config, Trie(expected(config)).opening), **more)


def nft(host: Namespace, *words: str) -> list[Any]:
    return list(json.loads(host.run(["nft", "-j", "list", *words]).stdout)["nftables"])


def held(host: Namespace, name: str) -> dict[str, int]:
    """A set's elements and their timeouts (s), as nft lists them."""
    (body,) = [each["set"] for each in nft(host, "set", "inet", "portress", name) if "set" in each]
    return {one["elem"]["val"]: one["elem"]["timeout"] for one in body.get("elem", [])}


def first_knocks(host: Namespace) -> set[tuple[str, int]]:
    (body,) = [each["set"] for each in nft(host, "set", "inet", "portress", "opening") if "set" in each]
    return {tuple(one["concat"]) for one in body.get("elem", [])}


def test_nft_lists_the_admissions_that_were_made(host: Namespace, table: Table) -> None:
    table.admit([Grant("ssh", ANA, 90 * SECOND), Grant("vpn", ANA, SECOND), Grant("ssh", BEA, 30 * SECOND)])
    assert held(host, "ssh_4") == {"203.0.113.7": 90}
    assert held(host, "vpn_4") == {"203.0.113.7": 1}
    assert held(host, "ssh_6") == {"2001:db8:c::7": 30}


def test_an_admission_is_read_back_to_the_millisecond(table: Table) -> None:
    table.admit([Grant("ssh", ANA, 90_250_000_000), Grant("ssh", BEA, 60_000_000_001)])
    found = {one.source: one.left for one in table.admissions()}
    assert 89 * SECOND < found[ANA] <= 90_250_000_000
    assert 59 * SECOND < found[BEA] <= 60_001_000_000


@pytest.mark.parametrize("again", [600, 30])
@pytest.mark.parametrize("new", [True, False])
def test_admitting_again_sets_the_stay_anew(host: Namespace, table: Table, again: int, new: bool) -> None:
    table.admit([Grant("ssh", ANA, 90 * SECOND)], new=new)
    table.admit([Grant("ssh", ANA, again * SECOND)], new=new)
    assert held(host, "ssh_4") == {"203.0.113.7": again}


def test_one_source_named_twice_gets_the_later_stay(host: Namespace, table: Table) -> None:
    table.admit([Grant("ssh", ANA, 90 * SECOND), Grant("ssh", ANA, 60 * SECOND)])
    assert held(host, "ssh_4") == {"203.0.113.7": 60}


def test_dismissing_ends_an_admission_and_one_that_is_not_there_is_no_error(
    host: Namespace, table: Table
) -> None:
    table.admit([Grant("ssh", ANA, 90 * SECOND)])
    table.dismiss([("ssh", ANA), ("ssh", BEA), ("vpn", ANA)])
    assert table.admissions() == []


def test_thousands_of_admissions_are_made_and_read_back(table: Table) -> None:
    sources = [Source(bytes((203, 0, *divmod(number, 256))), 32) for number in range(4500)]
    table.admit(Grant("ssh", source, 90 * SECOND) for source in sources)
    assert {one.source for one in table.admissions()} == set(sources)


def test_of_full_callers_those_stay_that_are_named(host: Namespace, table: Table) -> None:
    # By the table's own handle: where the guard has an owner, nobody else may change it.
    full = [bytes((203, 0, 113, number)) for number in range(100)]
    table.keep_callers((packed, 9 * SECOND) for packed in (*full, BEA.packed))
    assert len(held(host, "callers_4")) == 100
    table.keep_callers([(ANA.packed, 5 * SECOND), (BEA.packed, 7_000_000_000)])
    assert held(host, "callers_4") == {"203.0.113.7": 5}
    assert held(host, "callers_6") == {"2001:db8:c::7": 7}
    table.keep_callers([])
    assert held(host, "callers_4") == held(host, "callers_6") == {}


@pytest.mark.parametrize("count", [3, 300])
def test_a_guard_thrown_away_is_put_back_with_its_admissions(host: Namespace, count: int) -> None:
    sources = [Source(bytes((203, 0, *divmod(number, 256))), 32) for number in range(count)]
    with host.enter():
        table = Table()
        load(table)
        host.nft("flush ruleset")
        assert not table.there()
        load(table, admit=[Grant("ssh", source, 90 * SECOND) for source in sources])
        assert {one.source for one in table.admissions()} == set(sources)


def test_a_reload_leaves_admissions_and_their_time(host: Namespace, table: Table) -> None:
    table.admit([Grant("ssh", ANA, 90 * SECOND)])
    load(table)
    assert held(host, "ssh_4") == {"203.0.113.7": 90}


def test_first_knocks_are_replaced(host: Namespace, table: Table) -> None:
    table.change_opening([Knock.parse("tcp/4617")], [Knock.parse("udp/4617"), Knock.parse("tcp/65535")])
    assert first_knocks(host) == {("udp", 4617), ("tcp", 65535), ("tcp", 4618)}


def test_a_change_that_is_refused_changes_nothing(host: Namespace, table: Table) -> None:
    before = first_knocks(host)
    with pytest.raises(GuardError, match="the guard cannot be changed: No such file"):
        table.change_opening([Knock.parse("tcp/4617"), Knock.parse("tcp/1")], [Knock.parse("tcp/2")])
    assert first_knocks(host) == before


def test_a_full_set_is_named_as_the_reason(table: Table) -> None:
    for number in range(100):
        table.shun(Source(bytes((203, 0, 113, number)), 32), SECOND)
    with pytest.raises(GuardError, match="the set is full"):
        table.shun(Source(bytes((203, 0, 114, 0)), 32), SECOND)


def test_the_listing_names_what_nft_names(host: Namespace, table: Table) -> None:
    listed = table.listing()
    assert listed is not None
    parts = nft(host, "table", "inet", "portress")
    by_kind: dict[str, list[Any]] = {kind: [] for kind in ("chain", "set", "map", "counter", "rule")}
    for part in parts:
        for kind, body in part.items():
            by_kind.get(kind, []).append(body)
    assert listed.chains == {body["name"] for body in by_kind["chain"]}
    assert listed.counters == {body["name"] for body in by_kind["counter"]}
    assert dict(listed.sets) == {body["name"]: body.get("size", 0) for body in by_kind["set"]}
    assert dict(listed.maps) == {body["name"]: body.get("size", 0) for body in by_kind["map"]}
    assert [listed.comment] == [body["comment"] for body in by_kind["rule"] if "comment" in body]
    assert listed.doors == ["ssh", "vpn"]
    assert listed.prefixes == (32, 128)


def test_a_table_of_the_same_name_in_another_family_is_not_the_guard(host: Namespace) -> None:
    host.nft("table ip portress {\nchain entry {\n}\n}")
    with host.enter():
        table = Table()
        assert not table.there()
        assert table.listing() is None
        assert table.admissions() == []


def test_without_a_guard_an_admission_is_refused(host: Namespace) -> None:
    with host.enter(), pytest.raises(GuardError, match="No such file"):
        Table().admit([Grant("ssh", ANA, SECOND)])


def test_without_a_guard_there_is_nobody_to_dismiss(host: Namespace) -> None:
    with host.enter():
        table = Table()
        table.dismiss([("ssh", ANA)])
        assert not table.there()


def test_the_record_of_uses_is_told_from_every_other(host: Namespace) -> None:
    """One that was thrown away took its uses along."""
    with host.enter():
        table, seen = Table(), {""}
        assert table.record() == ""
        for lines in (
            ["add table inet portress", "add set inet portress spent { type mark; }"],
            ["delete set inet portress spent", "add set inet portress spent { type mark; }"],
            [
                "delete table inet portress",
                "add table inet portress",
                "add set inet portress spent { type mark; }",
            ],
        ):
            host.nft("\n".join(lines) + "\n")
            now = table.record()
            assert now not in seen and table.record() == now
            seen.add(now)
        host.nft("delete set inet portress spent")
        assert table.record() == "" and table.there()
