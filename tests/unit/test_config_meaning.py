"""What is well written and yet cannot work, or guards nothing; and what is only worth a warning."""

from __future__ import annotations

import re

import pytest

from portress.config.load import parse
from portress.config.schema import RESERVED
from portress.errors import Mistake
from portress.guard.ruleset import build
from portress.knock import Knock
from unit.config_texts import DOORS, mistake, with_door, with_top


def test_a_door_without_an_opener_is_a_mistake() -> None:
    told = "2: doors.ssh: nothing opens this door: give it fixed, rotating or authenticator"
    assert mistake(with_door("stay: 8h")) == told


@pytest.mark.parametrize("watch", ["packet", "journal", "counter"])
def test_no_door_can_be_named_as_a_set_of_the_guard(watch: str) -> None:
    public = "public: [tcp/80, 'tcp/81@192.0.2.7', 'tcp/81@2001:db8::7']"
    text = with_top(f"watch: {watch}\ninside: [lan0]\nalways: [192.0.2.7]\n{public}")
    text = text.replace("services: [tcp/22]", "linger: false, services: [tcp/22, 'tcp/22@192.0.2.7']")
    config = parse(text, "portress.yaml")
    sets = {one.name for one in build(config, [Knock.parse("tcp/4617")]).sets}
    stems = {name[:-2] for name in sets if re.search("_[46]$", name)}
    stems = {name for name in stems if "." not in name}  # no door's name has one
    assert {"callers", "ssh"} <= stems <= RESERVED | {"ssh"}


def test_a_knock_repeated_in_a_sequence_is_a_mistake() -> None:
    told = "4: doors.ssh.fixed.knocks[2]: 'tcp/4617': duplicate of doors.ssh.fixed.knocks[0]"
    assert mistake(with_door("fixed: {knocks: [tcp/4617, udp/4617, tcp/4617]}")) == told


def test_two_doors_with_the_same_sequence_are_a_mistake_whatever_their_gaps() -> None:
    text = (
        "doors:\n  a: {services: [tcp/1], fixed: {knocks: [tcp/4617, tcp/4618], gap: 5s}}\n"
        "  b: {services: [tcp/2], fixed: {knocks: [tcp/4617, tcp/4618], gap: 9s}}\n"
    )
    assert mistake(text) == "3: doors.b.fixed.knocks: the sequence of doors.a: every door has one of its own"


@pytest.mark.parametrize("other", ["tcp/8005", "tcp/8000-8010", "tcp/7400-8700", "tcp/8010-9000"])
def test_a_service_behind_two_doors_is_a_mistake(other: str) -> None:
    text = (
        "doors:\n  a: {services: [udp/8005, tcp/8000-8010], fixed: {knocks: [tcp/1, tcp/2, tcp/3]}}\n"
        f"  b: {{services: [{other}], fixed: {{knocks: [tcp/2, tcp/3, tcp/4]}}}}\n"
    )
    told = f"3: doors.b.services[0]: '{other}': tcp/8000-8010 is guarded by doors.a: a service has one door"
    assert mistake(text) == told


def test_a_service_twice_in_a_door_is_a_mistake() -> None:
    told = "3: doors.ssh.services[1]: 'tcp/22': duplicate of doors.ssh.services[0]"
    assert mistake(with_door("rotating: {pool: 20000-20999}", "tcp/22, tcp/22")) == told


def test_ranges_of_a_door_that_overlap_are_a_mistake() -> None:
    told = "3: doors.ssh.services[1]: 'tcp/20-30': doors.ssh.services[0] has it already: name a port once"
    assert mistake(with_door("rotating: {pool: 20000-20999}", "tcp/22, tcp/20-30")) == told


def test_a_public_service_that_is_guarded_is_a_mistake() -> None:
    told = "2: doors.ssh.services[0]: 'tcp/22': tcp/20-25 is public: a service is guarded or public, not both"
    assert mistake(with_top("public: [tcp/20-25]")) == told


def test_a_guarded_service_that_is_public_further_down_is_told_there() -> None:
    told = (
        "2: public[0]: 'tcp/20-25': tcp/22 is guarded by doors.ssh: a service is guarded or public, not both"
    )
    assert mistake(DOORS + "public: [tcp/20-25]") == told


def test_a_knock_on_a_public_port_is_a_mistake() -> None:
    told = (
        "2: doors.ssh.fixed.knocks[2]: 'tcp/6381': tcp/6000-6999 is public: "
        "a knock is at a port that is neither guarded nor public"
    )
    assert mistake(with_top("public: [tcp/6000-6999]")) == told


def test_a_knock_on_a_guarded_port_is_a_mistake() -> None:
    told = (
        "4: doors.ssh.fixed.knocks[1]: 'tcp/22': tcp/22 is guarded by doors.ssh: "
        "a knock is at a port that is neither guarded nor public"
    )
    assert mistake(with_door("fixed: {knocks: [udp/22, tcp/22]}")) == told


def test_a_pool_smaller_than_the_sequence_is_a_mistake() -> None:
    told = "4: doors.ssh.rotating.pool: '20000-20003': 4 knocks to draw 5 different ones from: widen the pool"
    rule = "rotating: {pool: 20000-20003, protocols: [tcp], length: 5}"
    assert mistake(with_door(rule)) == told


def test_a_pool_counts_its_ports_once_for_each_protocol() -> None:
    parse(with_door("rotating: {pool: 20000-20002, length: 5}"), "portress.yaml")


def test_a_pool_whose_every_sequence_meets_a_guarded_port_is_a_mistake() -> None:
    text = with_door("rotating: {pool: 20000-20003, protocols: [tcp]}", "tcp/20003")
    assert mistake(text) == (
        "4: doors.ssh.rotating.pool: '20000-20003': tcp/20003 is guarded by doors.ssh: "
        "no sequence can work: move the pool"
    )


@pytest.mark.parametrize(
    ("service", "base", "clash"),
    [
        ("tcp/21399", 21000, True),
        ("tcp/20990-21000", 21000, True),
        ("tcp/21400", 21000, False),
        ("udp/21100", 21000, False),
    ],
)  # fmt: skip
def test_all_400_ports_of_an_authenticator_are_free(service: str, base: int, clash: bool) -> None:
    text = with_door(f"authenticator: {{base: {base}}}", service)
    if clash:
        assert mistake(text) == (
            f"4: doors.ssh.authenticator.base: '{base}': its knocks are tcp/{base}-{base + 399}, "
            f"and {service} is guarded by doors.ssh: move the base"
        )
    else:
        assert parse(text, "portress.yaml").doors["ssh"].authenticator is not None


def test_doors_that_share_a_base_share_the_gap() -> None:
    text = (
        "doors:\n  a: {services: [tcp/1], authenticator: {base: 21000}}\n"
        "  b: {services: [tcp/2], authenticator: {base: 21000, gap: 20s}}\n"
    )
    told = "3: doors.b.authenticator.gap: '20s': doors.a has the same base, so the gap is the same: 30s"
    assert mistake(text) == told


@pytest.mark.parametrize(
    ("knocks", "told"),
    [
        ("tcp/4617", "one knock: any port sweep opens it; three or more are common practice"),
        ("tcp/4617, tcp/4619", "two knocks are easy to guess; three or more are common practice"),
    ],
)
def test_fewer_than_three_knocks_draw_a_warning(knocks: str, told: str) -> None:
    config = parse(with_door(f"fixed: {{knocks: [{knocks}]}}"), "portress.yaml")
    assert config.warnings == (f"portress.yaml:4: doors.ssh.fixed.knocks: {told}",)


@pytest.mark.parametrize(
    ("knocks", "swept"),
    [
        ("tcp/4617, tcp/4618, tcp/4619", True),
        ("udp/4619, udp/4618, udp/4617", True),
        ("tcp/21, tcp/23, tcp/24", True),  # what is between is guarded, and so no miss
        ("tcp/4617, tcp/4618, tcp/4620", False),
        ("tcp/4617, udp/4618, tcp/4619", False),
        ("tcp/4618, tcp/4617, tcp/4619", False),
    ],
)
def test_knocks_that_a_sweep_dials_in_order_draw_a_warning(knocks: str, swept: bool) -> None:
    config = parse(with_door(f"fixed: {{knocks: [{knocks}]}}"), "portress.yaml")
    told = "doors.ssh.fixed.knocks: ports one after the other: a sweep of all ports opens it; mix them"
    assert config.warnings == ((f"portress.yaml:4: {told}",) if swept else ())


@pytest.mark.parametrize(
    ("service", "rule", "told"),
    [
        # 1 - C(63999,4)/C(64000,4) = 4/64000
        ("udp/51820", "pool: 20000-51999", "guarded by doors.ssh: 1 sequence in 16,000 cannot work"),
        # 1 - C(9,2)/C(10,2) = 2/10
        ("tcp/9", "pool: 1-10, protocols: [tcp], length: 2", "doors.ssh: 20 % of the sequences cannot work"),
        # 1 - C(7,2)/C(10,2) = 24/45; the range reaches beyond the pool
        ("tcp/8-50", "pool: 1-10, protocols: [tcp], length: 2", "ssh: 53 % of the sequences cannot work"),
    ],
)  # fmt: skip
def test_a_pool_with_guarded_ports_draws_a_warning_with_the_share(service: str, rule: str, told: str) -> None:
    warning = parse(with_door(f"rotating: {{{rule}}}", service), "portress.yaml").warnings[-1]
    assert warning.startswith("portress.yaml:4: doors.ssh.rotating.pool: ")
    assert warning.endswith(told)


@pytest.mark.parametrize(
    ("rule", "told"),
    [
        (
            "rotating: {pool: 6000-6100, protocols: [tcp]}",
            "rotating.pool: '6000-6100': browsers refuse to dial port 6000 (WHATWG Fetch), so no phone can "
            "knock here: avoid them, for example 10100-32767",
        ),
        (
            "authenticator: {base: 5900}",
            "authenticator.base: '5900': browsers refuse to dial port 6000 (WHATWG Fetch), so no phone can "
            "knock here: avoid them, for example 21000",
        ),
    ],
)
def test_ports_that_browsers_refuse_draw_a_warning_where_phones_could_knock(rule: str, told: str) -> None:
    assert parse(with_door(rule), "portress.yaml").warnings == (f"portress.yaml:4: doors.ssh.{told}",)


@pytest.mark.parametrize(
    "rule",
    [
        "rotating: {pool: 6000-6100}",
        "rotating: {pool: 6001-6100, protocols: [tcp]}",
        "authenticator: {base: 21000}",
    ],
)
def test_where_no_phone_could_knock_or_all_ports_are_dialled_there_is_no_such_warning(rule: str) -> None:
    assert parse(with_door(rule), "portress.yaml").warnings == ()


def test_what_looks_like_a_wildcard_of_interfaces_draws_a_warning() -> None:
    (told,) = parse(with_top("inside: [lan0, eth+]"), "portress.yaml").warnings
    assert (
        told == "portress.yaml:1: inside[1]: 'eth+': the interface of just this name: there are no wildcards"
    )


def test_always_wider_than_a_private_block_draws_a_warning() -> None:
    config = parse(with_top("always: [10.0.0.0/8, 64.0.0.0/2, 'fc00::/7']"), "portress.yaml")
    assert config.warnings == (
        "portress.yaml:1: always[1]: '64.0.0.0/2': one IPv4 address in 4 never needs to knock",
    )


def test_metrics_that_others_can_read_draw_a_warning() -> None:
    (warning,) = parse(with_top("metrics: {listen: '0.0.0.0:9753'}"), "portress.yaml").warnings
    assert warning.startswith(
        "portress.yaml:1: metrics.listen: '0.0.0.0:9753': other hosts can read the metrics"
    )


@pytest.mark.parametrize(
    ("other", "told"),
    [
        ("tcp/443@172.17.0.2", "tcp/443@172.17.0.0/16 is guarded by doors.a: a service has one door"),
        ("tcp/400-500@172.17.0.0/16", "tcp/443@172.17.0.0/16 is guarded by doors.a: a service has one door"),
        ("tcp/8000@2001:db8::7", "tcp/8000-8010@2001:db8::/63 is guarded by doors.a: a service has one door"),
    ],
)
def test_a_destination_behind_two_doors_is_a_mistake(other: str, told: str) -> None:
    text = (
        "doors:\n  a: {services: ['tcp/443@172.17.0.0/16', 'tcp/8000-8010@2001:db8::/63'],"
        " fixed: {knocks: [tcp/1, tcp/2, tcp/3]}}\n"
        f"  b: {{services: ['{other}'], fixed: {{knocks: [tcp/2, tcp/3, tcp/4]}}}}\n"
    )
    assert told in mistake(text)


def test_the_same_port_of_other_destinations_may_have_other_doors() -> None:
    text = (
        "public: [tcp/443, 'tcp/22@172.17.0.9']\ndoors:\n"
        "  a: {services: ['tcp/443@172.17.0.2', tcp/22], fixed: {knocks: [tcp/4, tcp/2, tcp/3]}}\n"
        "  b: {services: ['tcp/443@172.17.0.3'], fixed: {knocks: [tcp/2, tcp/8, tcp/443]}}\n"
    )
    assert "tcp/443 is public" in mistake(text)
    config = parse(text.replace("tcp/8, tcp/443", "tcp/8, tcp/444"), "portress.yaml")
    assert config.warnings == ()
    config = parse(text.replace("public: [tcp/443,", "public: ["), "portress.yaml")
    assert "if that is this host's own address, no knock to it counts" in config.warnings[0]


@pytest.mark.parametrize("name", ["eth0", "wlan1", "tun0", "ppp12", "usb0"])
def test_an_interface_inside_whose_name_the_kernel_hands_out_draws_a_warning(name: str) -> None:
    (told,) = parse(with_top(f"inside: [{name}]"), "portress.yaml").warnings
    assert told.startswith(f"portress.yaml:1: inside[0]: '{name}': the kernel hands out such names by number")


@pytest.mark.parametrize("name", ["lan0", "wg0", "enp3s0", "eno1", "br-lan", "eth", "docker0"])
def test_an_interface_inside_with_a_name_of_its_own_draws_none(name: str) -> None:
    assert parse(with_top(f"inside: [{name}]"), "portress.yaml").warnings == ()


def test_what_carries_the_default_route_is_inside_only_where_that_is_confirmed() -> None:
    text, carriers = with_top("inside: [lan0, up0]"), frozenset({"up0", "lan7"})
    with pytest.raises(Mistake, match=r"portress.yaml:1: inside\[1\]: 'up0': carries the default route: .*"
                       r"add  inside_default_route: \[up0\]"):  # fmt: skip
        parse(text, "portress.yaml", lambda: carriers)
    confirmed = with_top("inside: [lan0, up0]\ninside_default_route: [up0]")
    assert parse(confirmed, "portress.yaml", lambda: carriers).inside == ("lan0", "up0")
    told = "2: inside_default_route[0]: 'up1': it is not in inside, so it is guarded anyway"
    assert mistake(confirmed.replace("route: [up0", "route: [up1")) == told
