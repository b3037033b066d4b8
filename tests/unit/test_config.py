"""What a configuration means."""

from __future__ import annotations

from ipaddress import ip_network
from pathlib import Path

import pytest

from portress.config.load import parse
from portress.config.model import Authenticator, Config, Door, Misses, Rotating
from portress.knock import SECOND, TCP, UDP, Service
from unit.config_texts import DOORS, EXAMPLES, ROOT, ssh, with_door, with_top


def test_the_designs_example_means_what_it_says() -> None:
    assert parse((ROOT / "config/example.yaml").read_text(), "example.yaml") == Config(
        watch="packet",
        inside=("lan0", "wg0"),
        always=(ip_network("192.0.2.0/24"),),
        public=(Service(TCP, 80, 80), Service(TCP, 443, 443)),
        closed="alike",
        prefix_4=32,
        prefix_6=64,
        misses=Misses(5, 600 * SECOND, 1800 * SECOND),
        doors={
            "ssh": ssh(stay=8 * 3600 * SECOND),
            "vpn": Door(
                "vpn",
                (Service(UDP, 51820, 51820),),
                12 * 3600 * SECOND,
                rotating=Rotating((10100, 32767), (TCP, UDP), 4, 10 * SECOND, 1),
                leaving=True,
            ),
            "wiki": Door(
                "wiki",
                (Service(TCP, 8443, 8443),),
                8 * 3600 * SECOND,
                rotating=Rotating((10100, 32767), (TCP,), 4, 10 * SECOND, 1),
            ),
        },
        metrics=("127.0.0.1", 9753),
    )


def test_what_is_absent_has_the_default_of_the_types() -> None:
    assert parse(DOORS, "portress.yaml") == Config(doors={"ssh": ssh()})


def test_defaults_are_half_a_minute_between_knocks_and_a_working_days_stay() -> None:
    # Common practice, no source: time to type a knock, a working day, the /64 that one IPv6 network is.
    config = parse(DOORS, "portress.yaml")
    door = config.doors["ssh"]
    assert door.fixed is not None
    assert (door.fixed.gap, door.stay, door.linger) == (30 * SECOND, 8 * 3600 * SECOND, True)
    assert config.widths == (32, 64)
    assert (config.inside, config.misses, config.metrics, config.warnings) == ((), None, None, ())


def test_a_site_is_taken_letter_for_letter() -> None:
    assert parse(with_door("rotating: {}") + "site: Edge-2.example_x\n", "p").site == "Edge-2.example_x"
    assert parse(with_door("rotating: {}"), "p").site == ""


def test_a_rotating_rule_has_defaults() -> None:
    door = parse(with_door("rotating: {}"), "portress.yaml").doors["ssh"]
    assert door.rotating == Rotating((10100, 32767), (TCP, UDP), 4, 10 * SECOND, 1)
    door = parse(with_door("rotating: {pool: 20000-20999}"), "portress.yaml").doors["ssh"]
    assert door.rotating == Rotating((20000, 20999), (TCP, UDP), 4, 10 * SECOND, 1)


def test_an_authenticator_rule_has_defaults() -> None:
    door = parse(with_door("authenticator: {base: 21000}"), "portress.yaml").doors["ssh"]
    assert door.authenticator == Authenticator(21000, 30 * SECOND, 1)


def test_protocols_are_taken_tcp_before_udp_whatever_their_order() -> None:
    door = parse(with_door("rotating: {pool: 20000-20999, protocols: [udp, tcp]}"), "p").doors["ssh"]
    assert door.rotating and door.rotating.protocols == (TCP, UDP)


def test_every_other_key_reaches_the_configuration() -> None:
    text = with_top(
        "watch: counter\nclosed: reject\ncallers: 1000\nrestore: true\ngroup: 7508\n"
        "counter: {interval: 250ms}\n"
        'journal: {prefix: "knocked: "}\nsource_prefix: {ipv6: 56}\nmetrics: {listen: "[::1]:9753"}\n'
        "inside: [lan0, wan0.7]\ninside_default_route: [wan0.7]"
    )
    assert parse(text, "portress.yaml") == Config(
        doors={"ssh": ssh()},
        watch="counter",
        decide="daemon",
        closed="reject",
        callers=1000,
        restore=True,
        group=7508,
        counter_interval=250 * SECOND // 1000,
        journal_prefix="knocked: ",
        prefix_6=56,
        metrics=("::1", 9753),
        inside=("lan0", "wan0.7"),
        inside_default_route=("wan0.7",),
    )


def test_a_door_may_have_several_ways_to_open_it() -> None:
    rest = "fixed: {knocks: [tcp/4617]}\n    rotating: {pool: 20000-20999}\n    authenticator: {base: 21000}"
    door = parse(with_door(rest), "portress.yaml").doors["ssh"]
    assert door.fixed and door.rotating and door.authenticator


def test_sources_inside_each_other_become_one() -> None:
    config = parse(with_top('always: [192.0.2.7, "2001:db8::/32", 192.0.2.0/24, "2001:db8::1"]'), "p")
    assert config.always == (ip_network("192.0.2.0/24"), ip_network("2001:db8::/32"))


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("1s", 1), ("30s", 30), ("10m", 600), ("8h", 28800), ("2d", 172800), ("365d", 31536000)],
)
def test_a_duration_is_a_number_and_a_unit(text: str, seconds: int) -> None:
    door = parse(with_door(f"stay: {text}\n    fixed: {{knocks: [tcp/4617]}}"), "p").doors["ssh"]
    assert door.stay == seconds * SECOND


@pytest.mark.parametrize(
    "text",
    [
        DOORS.replace("\n", "\r\n"),
        "\ufeff" + DOORS,
        "# a comment\tor two\n" + DOORS,
        "%YAML 1.2\n---\n" + DOORS,
    ],
)
def test_files_of_other_editors_are_read(text: str) -> None:
    assert parse(text, "portress.yaml") == Config(doors={"ssh": ssh()})


def test_two_doors_may_share_the_beginning_of_a_sequence() -> None:
    config = parse(
        "doors:\n  a: {services: [tcp/1], fixed: {knocks: [tcp/4617, tcp/4618, tcp/4616]}}\n"
        "  b: {services: [tcp/2], fixed: {knocks: [tcp/4617, tcp/4618]}}\n",
        "portress.yaml",
    )
    assert list(config.doors) == ["a", "b"]


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_every_example_loads(path: Path) -> None:
    config = parse(path.read_text(), path.name)

    assert (config.warnings, bool(config.doors)) == ((), True)
