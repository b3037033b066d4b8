"""The section `fleet` of a configuration: what it says, and every mistake in it."""

from __future__ import annotations

from pathlib import Path

import pytest

from portress.config.load import parse
from portress.config.model import Config
from portress.errors import Mistake

DOOR = "  ssh:\n    services: [tcp/22]\n    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}\n"
LEAST = 'name: edge, store: ["https://192.0.2.11:2379"], secret: /s'


def config(fleet: str, more: str = "", door: str = "") -> Config:
    return parse(f"doors:\n{DOOR}{door}fleet: {{{fleet}}}\n{more}", "portress.yaml")


def mistake(fleet: str, more: str = "") -> str:
    with pytest.raises(Mistake) as caught:
        config(fleet, more)
    (line,) = caught.value.lines
    return line.removeprefix("portress.yaml:")


def test_a_fleet_is_read() -> None:
    fleet = config(
        f"{LEAST}, gateway: edge-1, ca: /ca, cert: /c, key: /k, user: u, password: /p, alone: refuse"
    ).fleet
    assert fleet is not None
    assert (fleet.name, fleet.gateway, fleet.store) == ("edge", "edge-1", ("https://192.0.2.11:2379",))
    assert (fleet.secret, fleet.ca, fleet.password) == (Path("/s"), Path("/ca"), Path("/p"))
    assert (fleet.user, fleet.alone) == ("u", "refuse")


def test_the_site_of_a_fleet_is_its_name() -> None:
    assert config(LEAST).site == "edge"
    assert config(LEAST, "site: edge\n").site == "edge"
    assert "site: 'home': in a fleet the site is the fleet's name, edge" in mistake(LEAST, "site: home\n")


def test_a_gateway_without_a_name_has_the_hosts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("socket.gethostname", lambda: "edge 7.example.org")
    fleet = config(LEAST).fleet
    assert fleet is not None and fleet.gateway == "edge-7.example.org"


@pytest.mark.parametrize(
    ("fleet", "told"),
    [
        (f"{LEAST}, cert: /c", "fleet.cert: '/c': cert needs key as well"),
        (f"{LEAST}, key: /k", "fleet.key: '/k': key needs cert as well"),
        (f"{LEAST}, user: u", "fleet.user: 'u': user needs password as well"),
        (f"{LEAST}, password: /p", "fleet.password: '/p': password needs user as well"),
        ("name: edge, secret: /s", "fleet: store is missing"),
        ('name: edge, store: ["https://192.0.2.11:2379"]', "fleet: secret is missing"),
        ("name: edge, store: [], secret: /s", "fleet.store: an empty list"),
        ("name: edge, store: [192.0.2.11], secret: /s", "fleet.store[0]: '192.0.2.11': the URL of a member"),
        ('name: edge, store: ["https://192.0.2.11"], secret: /s', "the URL of a member of the store"),
        ('name: edge, store: ["https://u@192.0.2.11:1"], secret: /s', "the URL of a member of the store"),
        ('name: edge, store: ["https://192.0.2.11:1/x"], secret: /s', "the URL of a member of the store"),
        ('name: edge, store: ["https://192.0.2.11:x"], secret: /s', "the URL of a member of the store"),
        ('name: "a/b", store: ["https://192.0.2.11:1"], secret: /s', "fleet.name: 'a/b': 1 to 64 letters"),
        ('name: edge, store: ["https://192.0.2.11:1"], secret: s', "fleet.secret: 's': an absolute path"),
        (f"{LEAST}, alone: open", "fleet.alone: 'open': local or refuse"),
        (f"{LEAST}, nam: x", "fleet.nam: unknown key"),
    ],
)
def test_every_mistake_is_told_with_its_line(fleet: str, told: str) -> None:
    line = mistake(fleet)
    assert line.startswith("5: ") and told in line


def test_a_store_that_is_not_encrypted_is_warned_of() -> None:
    (warning,) = config('name: edge, store: ["http://192.0.2.11:2379"], secret: /s').warnings
    assert "fleet.store[0]" in warning and "use https" in warning
    assert config('name: edge, store: ["http://127.0.0.1:2379", "http://[::1]:1"], secret: /s').warnings == ()


def test_what_means_nothing_without_a_fleet_is_warned_of() -> None:
    text = f"doors:\n{DOOR}    shared: false\n    claim: first\n"
    warnings = parse(text, "portress.yaml").warnings
    assert [line.split(": ")[1] for line in warnings] == ["doors.ssh.shared", "doors.ssh.claim"]
    door = config(LEAST, door="    shared: false\n    claim: first\n").doors["ssh"]
    assert (door.shared, door.claim) == (False, "first")
    plain = config(LEAST).doors["ssh"]
    assert (plain.shared, plain.claim) == (True, "later")
