"""What the doctor says of a fleet: members of its store, rights there, clocks, certificates."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from attrs import evolve

from lab.etcd import PASSWORD, Etcd, etcd
from portress.config.model import Fleet
from portress.doctor.probe import fleet as probe
from portress.doctor.probe.fleet import FleetState, StoreMember


@pytest.fixture
def base(tmp_path: Path) -> Iterator[Etcd]:
    folder = tmp_path / "etcd"
    folder.mkdir()
    with etcd(folder, members=3) as store:
        yield store


def settings(base: Etcd, tmp_path: Path) -> Fleet:
    secret, password = tmp_path / "secret", tmp_path / "password"
    secret.write_bytes(bytes(32))
    password.write_text(PASSWORD)
    for file in (secret, password, base.files["key"]):
        file.chmod(0o600)
    return Fleet("edge", base.urls, secret, "edge-1", **base.files)


def named(fleet: Fleet) -> list[tuple[str, str]]:
    return [
        (one.name, one.severity)
        for one in probe.judge(probe.read(fleet))
        if "expires in" not in one.what  # those of the laboratory last two days
    ]


def test_a_fleet_that_is_well_has_no_finding(base: Etcd, tmp_path: Path) -> None:
    fleet = settings(base, tmp_path)
    assert named(fleet) == []
    (fact,) = probe.facts(probe.read(fleet))
    assert fact.told == "edge, this gateway is edge-1; 3 of 3 members of the store answer"


def test_members_that_are_away_are_named_and_worse_without_a_majority(base: Etcd, tmp_path: Path) -> None:
    fleet = settings(base, tmp_path)
    base.kill(0)
    assert named(fleet) == [("fleet-store-away", "warning")]
    base.kill(1)
    assert ("fleet-store-away", "error") in named(fleet)


def test_what_the_store_refuses_or_allows_too_much_is_told(base: Etcd, tmp_path: Path) -> None:
    base.confine("edge", "edge-1")
    fleet = evolve(settings(base, tmp_path), user="edge-1", password=tmp_path / "password")
    state = probe.read(fleet)
    assert state is not None and [one.trouble for one in state.members] == ["", "", ""]
    assert named(fleet) == []
    before = base.revision()
    assert set(named(evolve(fleet, name="other"))) == {("fleet-refused", "error")}
    base.ctl("role", "grant-permission", "edge", "--prefix=true", "read", "/portress")
    assert named(fleet) == [("fleet-unconfined", "warning")]
    base.ctl("role", "revoke-permission", "edge", "--prefix=true", "/portress")
    base.ctl("role", "revoke-permission", "edge", "--prefix=true", "/portress/edge/")
    base.ctl("role", "grant-permission", "edge", "--prefix=true", "read", "/portress/edge/")
    assert set(named(fleet)) == {("fleet-refused", "error")}  # it may read, and cannot tell anybody anything
    assert base.revision() == before  # nothing was written


def test_a_clock_and_a_certificate_with_a_name_are_told(tmp_path: Path) -> None:
    fleet = Fleet("edge", ("https://192.0.2.11:2379",), tmp_path / "s", "edge-1", cert=tmp_path / "c")
    state = FleetState(fleet, (StoreMember(fleet.store[0], clock=-60.0),), called="edge-1")
    name, clock = probe.judge(state)
    assert "common name edge-1" in name.what and name.severity == "error"
    assert clock.what == "this clock is 60 s behind that of https://192.0.2.11:2379"
