"""The fleet's keyholders at a real etcd: put in, taken out, sealed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from lab.etcd import Etcd, etcd
from portress.config.model import Fleet
from portress.errors import Mistake
from portress.fleet.roster import at_store, keyholders
from portress.keyholders.keyholder import Keyholder
from portress.keyholders.secret import to_base32

pytestmark = pytest.mark.xdist_group("fleet_roster")  # one store for all of them

SECRET = bytes(range(32))
ANA = Keyholder("ana", ("ssh", "vpn"), b"the secret of ana---", "derived", 1924992000.0)
BO = Keyholder("bo", ("ssh",), b"the secret of bo----")


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Etcd]:
    with etcd(tmp_path_factory.mktemp("etcd")) as store:
        yield store


@pytest.fixture
def fleet(base: Etcd, tmp_path: Path) -> Fleet:
    secret = tmp_path / "secret"
    secret.write_bytes(SECRET)
    secret.chmod(0o600)
    return Fleet(tmp_path.name.replace("_", "-"), base.urls, secret, "edge-1", **base.files)


def test_who_is_put_in_is_read_by_all_and_can_be_taken_out(fleet: Fleet) -> None:
    at_store(fleet, lambda roster: roster.add(BO))
    at_store(fleet, lambda roster: roster.add(ANA))
    holders = at_store(fleet, lambda roster: roster.read())
    assert keyholders(holders) == (ANA, BO)
    assert [one.doors for one in keyholders(holders, ["vpn"])] == [("vpn",)]
    with pytest.raises(Mistake, match="ana is enrolled in the fleet already"):
        at_store(fleet, lambda roster: roster.add(ANA))
    at_store(fleet, lambda roster: roster.remove("ana"))
    assert keyholders(at_store(fleet, lambda roster: roster.read())) == (BO,)
    with pytest.raises(Mistake, match="no keyholder is called 'boo': the nearest is 'bo'"):
        at_store(fleet, lambda roster: roster.remove("boo"))
    at_store(fleet, lambda roster: roster.add(ANA))
    first, second = at_store(fleet, lambda roster: roster.read())
    assert {first.name, second.name} == {"ana", "bo"}


def test_the_stores_reader_learns_names_and_doors_and_no_secret(base: Etcd, fleet: Fleet) -> None:
    at_store(fleet, lambda roster: roster.add(ANA))
    told = base.ctl("get", "--prefix", f"/portress/{fleet.name}/", user="")
    assert "ana" in told and "vpn" in told
    assert to_base32(ANA.secret)[:12] not in told and "the secret of ana" not in told


def test_a_store_that_is_away_or_another_secret_is_one_line(base: Etcd, fleet: Fleet, tmp_path: Path) -> None:
    at_store(fleet, lambda roster: roster.add(ANA))
    (tmp_path / "secret").write_bytes(bytes(32))
    with pytest.raises(Mistake, match="its tag does not fit") as caught:
        at_store(fleet, lambda roster: roster.read())
    assert len(caught.value.lines) == 1
    away = Fleet("edge", ("https://127.0.0.1:9",), tmp_path / "secret", "edge-1", **base.files)
    with pytest.raises(Mistake, match=r"the fleet's store: https://127\.0\.0\.1:9") as caught:
        at_store(away, lambda roster: roster.read())
    assert len(caught.value.lines) == 1
