"""The doctor's judgements on interfaces, listeners and other tables, door by door."""

from __future__ import annotations

from ipaddress import ip_network
from typing import Any

import pytest
from attrs import evolve

from portress.config.model import Authenticator, Config, Door, Rotating
from portress.doctor.probe import closed_ports, links, others, rules, sockets
from portress.doctor.probe.finding import Finding, grouped
from portress.knock import SECOND, TCP, UDP, Knock, Sequence, Service

SSH = Door(
    "ssh",
    (Service.parse("tcp/22"),),
    8 * 3600 * SECOND,
    fixed=Sequence(tuple(map(Knock.parse, ("tcp/4617", "udp/2953", "tcp/6381"))), 60 * SECOND),
)
VPN = Door(
    "vpn",
    (Service.parse("udp/51820"),),
    24 * 3600 * SECOND,
    rotating=Rotating((20000, 29999), (TCP, UDP), 4, 10 * SECOND, 1),
)
CODE = evolve(VPN, name="code", rotating=None, authenticator=Authenticator(30000, 30 * SECOND, 1))
CONFIG = Config({"ssh": SSH})
ALL = Config({"ssh": SSH, "vpn": VPN, "code": CODE})


def names(findings: Any) -> list[str]:
    found = list(findings)
    for finding in found:
        assert finding.what
        assert finding.why
        assert finding.do
    return [finding.name for finding in found]


# Interfaces

LINKS = links.Links(
    frozenset({"lo", "eth0", "he6"}),
    frozenset({"198.51.100.1", "2001:db8:1::1"}),
    frozenset({4, 6}),
    frozenset({(4, "eth0"), (6, "eth0")}),
)
LINKS_BY_HE6 = evolve(LINKS, ways=frozenset({(6, "he6")}))


def test_a_default_route_by_an_interface_that_is_inside_is_told_with_its_family() -> None:
    config = evolve(CONFIG, inside=("he6",))
    assert names(links.judge(config, LINKS)) == []
    carrying = evolve(LINKS, ways=frozenset({(4, "eth0"), (6, "he6")}))
    (finding,) = links.judge(config, carrying)
    assert finding.name == "inside-default-route"
    assert "IPv6 default route goes by he6" in finding.what
    assert names(links.judge(CONFIG, carrying)) == []
    assert names(links.judge(evolve(config, inside_default_route=("he6",)), carrying)) == []


def test_an_interface_that_is_not_there_is_told() -> None:
    (finding,) = links.judge(evolve(CONFIG, inside=("eth0", "etho")), LINKS_BY_HE6)
    assert (finding.name, "etho" in finding.what) == ("inside-absent", True)


def test_strangers_come_in_by_default_routes_that_are_guarded_else_by_what_is_guarded() -> None:
    assert LINKS.entrances(CONFIG) == ("eth0",)
    assert LINKS.entrances(evolve(CONFIG, inside=("eth0",))) == ("he6",)
    assert evolve(LINKS, ways=frozenset()).entrances(CONFIG) == ("eth0", "he6")


# Listeners


def listener(knock: str, address: str = "::", families: tuple[int, ...] = (4, 6)) -> sockets.Listening:
    return sockets.Listening(Knock.parse(knock), address, frozenset(families), "sshd (process 7)")


def heard(
    *listeners: sockets.Listening, config: Config = CONFIG, forwarded: tuple[str, ...] = ()
) -> list[Finding]:
    return list(sockets.judge(config, listeners, LINKS, frozenset(map(Knock.parse, forwarded))))


def test_a_service_that_is_served_draws_no_finding() -> None:
    assert heard(listener("tcp/22")) == []
    assert heard(listener("tcp/22", "0.0.0.0", (4,)), listener("tcp/22", "::", (6,))) == []
    assert heard(forwarded=("tcp/22",)) == []


def test_a_service_that_nobody_serves_is_told() -> None:
    (finding,) = heard(listener("udp/22"))
    assert (finding.name, finding.what, finding.door) == (
        "service-silent",
        "nothing listens at tcp/22 (guarded)",
        "ssh",
    )
    (finding,) = heard(listener("tcp/22", "127.0.0.1", (4,)))
    assert "listens on 127.0.0.1 only" in finding.what


def test_the_same_of_several_services_and_doors_is_said_once() -> None:
    web = evolve(SSH, name="web", services=(Service.parse("tcp/443"), Service.parse("udp/443")))
    config = Config({"ssh": SSH, "web": web})
    (group,) = grouped(heard(config=config))
    assert group.doors == ("ssh", "web")
    assert group.finding.what == "nothing listens at tcp/22, tcp/443, udp/443 (guarded)"
    assert group.finding.do.endswith("or take tcp/22, tcp/443, udp/443 out of the configuration")
    assert group.finding.why == "admitted sources find the port closed"
    alone = heard(config=Config({"ssh": SSH}))
    assert [one.finding.what for one in grouped(alone)] == [alone[0].what]


def test_what_differs_is_not_said_as_one_and_each_service_keeps_its_command() -> None:
    def dropped(service: str, door: str, do: str, where: str = "filter") -> Finding:
        what = f"{service} is dropped in table ip {where}"
        return Finding("dropped-after", "error", what, "the door opens", do, door, service=service)

    ssh = dropped("tcp/22", "ssh", "ufw allow 22/tcp")
    one, two = grouped(
        [ssh, dropped("tcp/80", "web", "ufw allow 80/tcp"), dropped("tcp/25", "mail", "let it", "raw")]
    )
    assert one.finding.what == "tcp/22, tcp/80 are dropped in table ip filter"
    assert (one.doors, one.finding.do) == (("ssh", "web"), "ufw allow 22/tcp; ufw allow 80/tcp")
    assert (two.doors, two.finding.what) == (("mail",), "tcp/25 is dropped in table ip raw")
    warning = evolve(ssh, severity="warning", door="web")
    assert len(grouped([ssh, warning])) == 2


@pytest.mark.parametrize(
    ("chains", "legacy", "told"),
    [
        ([], (), "none besides Portress"),
        (
            [("inet", "filter", "input", "input", "accept", False)],
            (),
            "none besides Portress",
        ),
        ([("inet", "filter", "input", "input", "drop", False)], (), "table inet filter, policy drop"),
        ([("inet", "firewalld", "filter_INPUT", "input", "accept", True)], (), "firewalld"),
        (
            [
                ("ip", "filter", "INPUT", "input", "drop", True),
                ("ip", "filter", "ufw-user-input", None, "accept", True),
            ],
            (),
            "ufw, policy drop",
        ),
        ([("inet", "mine", "out", "output", "drop", True)], ("filter",), "iptables-legacy (tables filter)"),
    ],
)
def test_the_hosts_firewall_is_named(chains: list[Any], legacy: tuple[str, ...], told: str) -> None:
    made = {
        key: rules.RuleChain(key, (({"accept": None},),) if ruled else (), hook, policy=policy)
        for *key_, hook, policy, ruled in chains
        for key in [(key_[0], key_[1], key_[2])]
    }
    (fact,) = rules.facts(rules.Tables(made, {}, legacy))
    assert (fact.subject, fact.told) == ("firewall", told)


def test_a_public_service_that_nobody_serves_is_told() -> None:
    (finding,) = heard(listener("tcp/22"), config=evolve(CONFIG, public=(Service.parse("tcp/80"),)))
    assert finding.what == "nothing listens at tcp/80 (public)"


def test_a_range_is_served_by_one_of_its_ports() -> None:
    door = evolve(SSH, services=(Service.parse("tcp/8000-8010"),))
    assert heard(listener("tcp/8004"), config=Config({"ssh": door})) == []


def test_a_service_of_one_family_on_a_host_of_two_is_told() -> None:
    (finding,) = heard(listener("tcp/22", "0.0.0.0", (4,)))
    assert (finding.name, "over IPv4 only" in finding.what) == ("service-one-family", True)
    four = evolve(LINKS, families=frozenset({4}))
    assert names(sockets.judge(CONFIG, [listener("tcp/22", "0.0.0.0", (4,))], four, frozenset())) == []


def test_a_program_that_answers_at_a_knock_is_told() -> None:
    (finding,) = heard(listener("tcp/22"), listener("tcp/6381"))
    assert (finding.name, finding.what) == (
        "knock-answered",
        "sshd (process 7) listens at tcp/6381, a knock of this door",
    )
    assert heard(listener("tcp/22"), listener("tcp/6381", "127.0.0.1")) == []
    assert heard(listener("tcp/22"), listener("udp/6381")) == []


def test_programs_where_sequences_are_drawn_are_told_together() -> None:
    served = [listener("tcp/22"), listener("udp/51820")]
    inside = [listener(f"tcp/{port}") for port in (20000, 25000, 29999, 30399, 30000, 21000)]
    outside = [listener(knock) for knock in ("tcp/19999", "tcp/30400", "udp/30001")]
    found = heard(*served, *inside, *outside, config=ALL)
    assert [(finding.name, finding.door) for finding in found] == [
        ("pool-answered", "vpn"),
        ("pool-answered", "code"),
    ]
    assert "tcp/20000" in found[0].what
    assert "and 1 more" in found[0].what
    assert "tcp/30399" in found[1].what


# Other tables


def around(
    *chains: rules.RuleChain, config: Config = CONFIG, served: tuple[str, ...] = ("tcp/22",), legacy: Any = ()
) -> list[Finding]:
    tables = rules.Tables({one.key: one for one in chains}, {}, legacy)
    knocks = frozenset(map(Knock.parse, served))
    return list(others.judge(others.Neighbourhood(config, tables, LINKS, knocks)))


def chain(
    *matched: dict[str, Any],
    hook: str = "input",
    priority: int = 0,
    policy: str = "accept",
    family: str = "inet",
    kind: str = "filter",
) -> rules.RuleChain:
    key = (family, "other", f"{hook}{priority}")
    return rules.RuleChain(key, (matched,) if matched else (), hook, priority, policy, ("eth0",), kind)


def at(protocol: str, port: int) -> dict[str, Any]:
    return {
        "match": {"op": "==", "left": {"payload": {"protocol": protocol, "field": "dport"}}, "right": port}
    }


ACCEPT: dict[str, Any] = {"accept": None}
DROP: dict[str, Any] = {"drop": None}


def test_a_firewall_that_accepts_the_service_draws_no_finding() -> None:
    assert around() == []
    assert around(chain(at("tcp", 22), ACCEPT, policy="drop")) == []


def test_a_drop_after_the_guard_makes_a_door_useless() -> None:
    (finding,) = around(chain(at("tcp", 443), ACCEPT, policy="drop"))
    assert (finding.name, finding.severity, finding.door) == ("dropped-after", "error", "ssh")
    assert "table inet other, chain input0, policy drop" in finding.what


def test_only_the_chain_that_decides_is_named_and_ufw_is_told_in_its_own_words() -> None:
    """As ufw lays out its rules: chains of its own, some behind conditions that cannot be known."""
    jump = {"jump": {"target": "ufw-user-limit"}}
    chains = [
        rules.RuleChain(("ip", "filter", "INPUT"), (({"unknown": None}, jump),), "input", 0, "drop"),
        rules.RuleChain(("ip6", "filter", "INPUT"), (({"unknown": None}, jump),), "input", 0, "drop"),
        rules.RuleChain(("ip", "filter", "ufw-user-limit"), (({"reject": None},),)),
        rules.RuleChain(("ip6", "filter", "ufw-user-limit"), (({"reject": None},),)),
    ]
    (finding,) = around(*chains)
    assert "chain INPUT, policy drop" in finding.what and "ufw-user-limit" not in finding.what
    assert finding.do.startswith("ufw allow 22/tcp ")
    reach = evolve(SSH, services=(Service.parse("udp/8000-8010"),))
    (ranged,) = around(*chains, config=evolve(CONFIG, doors={"ssh": reach}))
    assert ranged.do.startswith("ufw allow 8000:8010/udp ")


def test_firewalld_is_told_in_its_own_words() -> None:
    walls = rules.RuleChain(("inet", "firewalld", "filter_INPUT"), (({"reject": None},),), "input", 10)
    (finding,) = around(walls)
    assert finding.do.startswith("firewall-cmd --permanent --add-port=22/tcp && firewall-cmd --reload")


def test_a_drop_before_the_guard_is_told_for_service_and_knocks() -> None:
    found = around(chain(DROP, hook="prerouting", priority=-300))
    assert [finding.name for finding in found] == ["dropped-before", "knock-unheard"]


def test_a_drop_of_knocks_after_the_guard_is_as_it_should_be() -> None:
    assert around(chain(at("tcp", 4617), DROP)) == []


def test_a_drop_over_one_family_is_told_as_such() -> None:
    (finding,) = around(chain(at("tcp", 22), DROP, family="ip6"))
    assert (finding.name, "over IPv6" in finding.what) == ("dropped-one-family", True)


def test_an_accept_for_a_source_that_has_to_knock_now_is_told() -> None:
    saddr = {
        "match": {
            "op": "==",
            "left": {"payload": {"protocol": "ip", "field": "saddr"}},
            "right": "203.0.113.9",
        }
    }
    rule = chain(saddr, at("tcp", 22), ACCEPT)
    (finding,) = around(rule)
    assert (finding.name, "203.0.113.9" in finding.what) == ("accept-unreached", True)
    assert around(rule, config=evolve(CONFIG, always=(ip_network("203.0.113.0/24"),))) == []


def test_an_untracked_service_is_told() -> None:
    found = around(chain(at("tcp", 22), {"notrack": None}, hook="prerouting", priority=-300))
    assert [finding.name for finding in found] == ["untracked"]


def test_a_translation_before_the_guard_opens_the_door() -> None:
    early = chain(
        at("tcp", 22),
        {"mangle": {"key": {"payload": {"protocol": "tcp", "field": "dport"}}, "value": 2222}},
        hook="prerouting",
        priority=-300,
    )
    assert [(finding.name, finding.opens) for finding in around(early)] == [("translated-before", True)]


@pytest.mark.parametrize(
    ("verdict", "served", "what"),
    [
        ({"redirect": {"port": 22}}, ("tcp/22",), "tcp/2222 leads to tcp/22"),
        ({"dnat": {"addr": "198.51.100.1", "port": 22}}, ("tcp/22",), "tcp/2222 leads to tcp/22"),
        ({"dnat": {"addr": "172.17.0.2", "port": 22}}, (), "tcp/2222 leads to tcp/22 of 172.17.0.2"),
    ],
)
def test_a_port_that_leads_round_a_door_is_told(
    verdict: dict[str, Any], served: tuple[str, ...], what: str
) -> None:
    dial = chain(at("tcp", 2222), verdict, hook="prerouting", priority=-100, kind="nat")
    (finding,) = around(dial, served=served)
    assert (finding.name, finding.what, finding.door) == ("way-round", what, "ssh")


def test_a_port_that_leads_to_another_hosts_port_of_the_same_number_is_no_way_round() -> None:
    dial = chain(
        at("tcp", 2222),
        {"dnat": {"addr": "172.17.0.2", "port": 22}},
        hook="prerouting",
        priority=-100,
        kind="nat",
    )
    assert around(dial, served=("tcp/22",)) == []


def test_a_guarded_port_that_is_passed_on_to_a_container_is_as_it_should_be() -> None:
    dial = chain(
        at("tcp", 22),
        {"dnat": {"addr": "172.17.0.2", "port": 2022}},
        hook="prerouting",
        priority=-100,
        kind="nat",
    )
    assert around(dial, served=()) == []


def test_rules_that_nftables_does_not_see_are_told() -> None:
    assert [finding.name for finding in around(legacy=("filter",))] == ["iptables-legacy"]


def test_a_file_that_cannot_be_read_is_named_as_the_reason_for_silence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def hidden() -> bool:
        raise FileNotFoundError(2, "No such file or directory", "/proc/sys/net/ipv6/auto_flowlabels")

    monkeypatch.setattr(closed_ports, "_labels", hidden)
    monkeypatch.setattr(sockets, "read", lambda named: [])
    answers = closed_ports.judged(CONFIG, rules.Tables({}, {}), LINKS)
    assert {(one.how, one.why) for one in answers} == {
        ("silence", "/proc/sys/net/ipv6/auto_flowlabels cannot be read: No such file or directory")
    }
