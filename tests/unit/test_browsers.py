"""Which doors a phone's page can knock on."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from portress.config.browsers import BAD_PORTS, obstacles
from portress.config.model import Authenticator, Door, Rotating
from portress.knock import SECOND, TCP, UDP, Service

SHARED = Path(__file__).parents[2] / "shared"


def door(
    pool: tuple[int, int] = (20000, 51999), protocols: tuple[int, ...] = (TCP,), base: int | None = None
) -> Door:
    return Door(
        "vpn",
        (Service.parse("udp/51820"),),
        SECOND,
        rotating=Rotating(pool, protocols, 4, SECOND, 1),
        authenticator=None if base is None else Authenticator(base, SECOND, 1),
    )


def test_the_bad_ports_are_those_of_the_fetch_standard() -> None:
    """The list's source is named in the file."""
    listed = json.loads((SHARED / "fetch-bad-ports.json").read_text())["ports"]
    assert len(listed) == 82
    assert frozenset(listed) == BAD_PORTS


def test_a_tcp_pool_without_bad_ports_is_fit_for_a_phone() -> None:
    assert obstacles(door(), "derived") == []


def test_a_pool_with_udp_is_not_fit_and_says_what_to_change() -> None:
    (told,) = obstacles(door(protocols=(TCP, UDP)), "derived")
    assert told.startswith(
        "doors.vpn.rotating.protocols: [tcp, udp]: browsers send no UDP datagrams: write [tcp]"
    )


@pytest.mark.parametrize(
    ("pool", "named"),
    [
        ((10080, 20000), "port 10080 "),
        ((6697, 10080), "port 6697 and port 10080 "),
        ((5000, 20000), "12 of these ports, for example 5060 and 10080 "),
    ],
)
def test_a_pool_with_bad_ports_is_not_fit_and_names_them(pool: tuple[int, int], named: str) -> None:
    (told,) = obstacles(door(pool), "derived")
    assert f"doors.vpn.rotating.pool: {pool[0]}-{pool[1]}: browsers refuse to dial {named}" in told


@pytest.mark.parametrize(
    ("base", "fit"), [(21000, True), (10081, True), (10080, False), (9681, False), (9680, True)]
)
def test_all_400_ports_above_the_base_count(base: int, fit: bool) -> None:
    assert (obstacles(door(base=base), "authenticator") == []) is fit


def test_a_door_without_the_style_is_not_fit() -> None:
    assert obstacles(door(), "authenticator") != []
