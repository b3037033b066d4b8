"""The configuration that `portress begin` writes: every answer gives one that checks without a warning."""

from __future__ import annotations

import random
from ipaddress import ip_network
from itertools import product

import pytest

from portress.begin.plan import LENGTH, Answers, Shut, Way, door_names, doors, text
from portress.config.load import parse
from portress.config.schema import RESERVED
from portress.knock import TCP, UDP, Knock, Service

SSH = Shut(Service.parse("tcp/22"), "sshd")
VPN = Shut(Service.parse("udp/51820"), "")
WEB = Shut(Service.parse("tcp/8443"), "nginx")
WAYS: list[Way] = ["rotating", "phone", "authenticator", "fixed"]


@pytest.mark.parametrize(("way", "seed"), product(WAYS, range(20)))
def test_what_is_written_is_a_configuration_without_a_warning(way: Way, seed: int) -> None:
    answers = Answers((SSH, VPN, WEB), way, always=(ip_network("192.0.2.7"), ip_network("2001:db8::/64")))
    planned = doors(answers, {Knock.parse("tcp/21111")}, random.Random(seed).randrange)
    config = parse(text(answers, planned, "2026-11-25"), "portress.yaml")
    assert config.warnings == ()
    assert [*config.doors] == ["ssh", "vpn", "nginx"]
    assert config.doors["vpn"].services == (Service.parse("udp/51820"),)
    assert [str(one) for one in config.always] == ["192.0.2.7/32", "2001:db8::/64"]


@pytest.mark.parametrize("seed", range(200))
def test_a_fixed_sequence_is_drawn_where_nobody_listens(seed: int) -> None:
    every_tcp = {TCP << 16 | port for port in range(10100, 32768, 2)}
    answers = Answers((SSH, VPN), "fixed")
    one, two = doors(answers, every_tcp, random.Random(seed).randrange)
    for door in (one, two):
        assert len(set(door.knocks)) == LENGTH and not every_tcp.intersection(door.knocks)
        assert {knock.protocol for knock in door.knocks} == {TCP, UDP}
        ports = [knock.port for knock in door.knocks]
        assert ports not in (sorted(ports), sorted(ports, reverse=True))
        assert all(10100 <= port <= 32767 for port in ports)
        assert min(abs(a - b) for a in ports for b in ports if a is not b) > 2 or len(set(ports)) == LENGTH
    assert not set(one.knocks) & set(two.knocks)
    assert one.knocks[-1].protocol == TCP and two.knocks[-1].protocol == UDP


def test_codes_lead_where_nobody_listens() -> None:
    (one, two) = doors(Answers((SSH, WEB), "authenticator"), {Knock.parse("tcp/21399")}, lambda _: 0)
    assert (one.base, two.base) == (21400, 21800)


def test_doors_are_named_by_what_is_behind_them() -> None:
    def named(*shut: Shut) -> list[str]:
        return door_names(shut)

    assert named(SSH, VPN, WEB) == ["ssh", "vpn", "nginx"]
    assert named(SSH, Shut(Service.parse("tcp/2222"), "sshd")) == ["ssh", "tcp2222"]
    assert named(Shut(Service.parse("tcp/2222"), "sshd")) == ["ssh"]
    assert named(Shut(Service.parse("tcp/99"), "9p")) == ["tcp99"]
    for word in sorted(RESERVED):
        (name,) = named(Shut(Service.parse("tcp/99"), word))
        assert name not in RESERVED
