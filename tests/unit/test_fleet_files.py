"""The files of a fleet: `check` names everything that is wrong with them, a line each, and asks no store."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from attrs import evolve
from click.testing import CliRunner

from lab.etcd import certificates
from portress.commands.check import check
from portress.config.model import Fleet
from portress.errors import Mistake
from portress.fleet import files

DOOR = "doors:\n  ssh:\n    services: [tcp/22]\n    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}\n"
DAY = 86400


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    certificates(tmp_path, "edge-1", "edge-2")
    for name, data in (("secret", bytes(32)), ("password", b"of the store")):
        (tmp_path / name).write_bytes(data)
        (tmp_path / name).chmod(0o600)
    (tmp_path / "edge-1.key").chmod(0o600)
    return Fleet(
        "edge",
        ("https://192.0.2.11:2379",),
        tmp_path / "secret",
        "edge-1",
        tmp_path / "ca.pem",
        tmp_path / "edge-1.pem",
        tmp_path / "edge-1.key",
        "edge-1",
        tmp_path / "password",
    )


def wrong(fleet: Fleet, later: float = 0.0) -> list[str]:
    return [*files.mistakes(fleet, time.time() + later)]


def test_files_that_are_right_draw_nothing(fleet: Fleet) -> None:
    assert wrong(fleet) == []
    assert [line for line in files.warnings(fleet, time.time()) if "expires" not in line] == []


@pytest.mark.parametrize("what", ["ca", "cert", "key", "secret", "password"])
def test_a_file_that_is_not_there_is_named(fleet: Fleet, what: str) -> None:
    (line,) = wrong(evolve(fleet, **{what: Path("/nowhere/x")}))
    assert line.startswith("/nowhere/x: No such file or directory: ")


def test_every_mistake_is_told_at_once(fleet: Fleet) -> None:
    gone = Path("/nowhere")
    every = evolve(
        fleet, secret=gone / "s", password=gone / "p", ca=gone / "a", cert=gone / "c", key=gone / "k"
    )
    assert [line.partition(":")[0] for line in wrong(every)] == [f"/nowhere/{name}" for name in "spack"]


def test_a_key_of_another_certificate_is_named(fleet: Fleet, tmp_path: Path) -> None:
    (line,) = wrong(evolve(fleet, key=tmp_path / "edge-2.key"))
    assert line.startswith(f"{tmp_path}/edge-2.key: does not fit {tmp_path}/edge-1.pem")


def test_what_is_no_certificate_is_named(fleet: Fleet, tmp_path: Path) -> None:
    (tmp_path / "junk").write_text("junk")
    (line,) = wrong(evolve(fleet, cert=tmp_path / "junk"))
    assert "not a certificate and its key" in line
    (line,) = wrong(evolve(fleet, ca=tmp_path / "junk"))
    assert line == f"{tmp_path}/junk: not a certificate in PEM: fleet.ca names it"


def test_certificates_out_of_date_are_told_and_warned_of_before(fleet: Fleet) -> None:
    assert any("edge-1.pem: expires in" in line for line in files.warnings(fleet, time.time()))
    assert any("edge-1.pem: expired" in line for line in wrong(fleet, 3 * DAY))
    assert any("edge-1.pem: not valid for another" in line for line in wrong(fleet, -3 * DAY))


@pytest.mark.parametrize("what", ["key", "password"])
def test_a_key_or_password_that_others_can_read_is_warned_of(fleet: Fleet, what: str) -> None:
    file = getattr(fleet, what)
    file.chmod(0o644)
    assert f"{file}: mode 0644: every user can read or change it: chmod o= {file}" in [
        *files.warnings(fleet, time.time())
    ]


def test_check_names_them_and_exits_1(fleet: Fleet, tmp_path: Path) -> None:
    config = tmp_path / "portress.yaml"
    fleet.secret.chmod(0o644)
    config.write_text(
        f'{DOOR}fleet: {{name: edge, store: ["https://192.0.2.11:2379"], secret: {fleet.secret},'
        f" cert: {fleet.cert}, key: {tmp_path}/edge-2.key}}\n"
    )
    config.chmod(0o600)
    done = CliRunner().invoke(check, ["--config", str(config)])
    assert isinstance(done.exception, Mistake)
    first, second = done.exception.lines
    assert "others can read the fleet's secret" in first and "does not fit" in second
