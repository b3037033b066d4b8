"""Packets followed through other tables' rules on paper: what is certain, what is not, and for whom."""

from __future__ import annotations

from typing import Any

import pytest

from portress.doctor.probe.packet import stranger
from portress.doctor.probe.passage import End, Journey, journey
from portress.doctor.probe.rules import RuleChain, Tables
from portress.knock import Knock

ACCEPT: dict[str, Any] = {"accept": None}
DROP: dict[str, Any] = {"drop": None}
UNKNOWN: dict[str, Any] = {"unknown": None}
ADDRESSES = frozenset({"198.51.100.1"})


def dport(protocol: str, right: Any, op: str = "==") -> dict[str, Any]:
    return {
        "match": {"op": op, "left": {"payload": {"protocol": protocol, "field": "dport"}}, "right": right}
    }


def saddr(right: Any, op: str = "==") -> dict[str, Any]:
    return {"match": {"op": op, "left": {"payload": {"protocol": "ip", "field": "saddr"}}, "right": right}}


def state(right: Any, op: str = "in") -> dict[str, Any]:
    return {"match": {"op": op, "left": {"ct": {"key": "state"}}, "right": right}}


def chain(
    *rules: tuple[dict[str, Any], ...],
    name: str = "input",
    hook: str | None = "input",
    priority: int = 0,
    policy: str = "accept",
    family: str = "inet",
    kind: str = "filter",
) -> RuleChain:
    return RuleChain((family, "other", name), rules, hook, priority, policy, ("eth0",), kind)


def follow(*chains: RuleChain, knock: str = "tcp/22", family: int = 4, sets: Any = None) -> Journey:
    tables = Tables(
        {one.key: one for one in chains}, {("inet", "other", k): v for k, v in (sets or {}).items()}
    )
    return journey(tables, stranger(family, Knock.parse(knock), "eth0"), ADDRESSES)


def fate(*chains: RuleChain, **more: Any) -> str:
    """What becomes of a stranger's packet: passes, dropped, or perhaps."""
    passed = {end.passed for end in follow(*chains, **more).stranger}
    return "perhaps" if len(passed) == 2 else "passes" if passed == {True} else "dropped"


def test_without_other_tables_a_packet_passes() -> None:
    assert fate() == "passes"


def test_a_policy_drops_what_no_rule_accepts() -> None:
    closed = chain((dport("tcp", 443), ACCEPT), policy="drop")
    assert fate(closed) == "dropped"
    assert fate(closed, knock="tcp/443") == "passes"
    assert fate(closed, knock="udp/443") == "dropped"


@pytest.mark.parametrize(
    ("right", "op", "expected"),
    [
        (22, "==", "dropped"),
        (22, "!=", "passes"),
        (23, "!=", "dropped"),
        ({"set": [21, 22]}, "==", "dropped"),
        ({"range": [20, 30]}, "==", "dropped"),
        ({"set": [{"range": [30, 40]}, 443]}, "==", "passes"),
        (22, "<", "passes"),
        (22, ">=", "dropped"),
        ("@ports", "==", "dropped"),
        ("@ports", "!=", "passes"),
        ("@large", "==", "perhaps"),
    ],
)
def test_ports_are_compared_as_nftables_does(right: Any, op: str, expected: str) -> None:
    assert fate(chain((dport("tcp", right, op), DROP)), sets={"ports": (22, 80)}) == expected


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        ((state(["established", "related"]), DROP), "passes"),
        ((state(["new"]), DROP), "dropped"),
        ((state("new", "=="), DROP), "dropped"),
        (
            (
                {
                    "vmap": {
                        "key": {"ct": {"key": "state"}},
                        "data": {"set": [["new", DROP], ["invalid", DROP]]},
                    }
                },
            ),
            "dropped",
        ),
        (({"vmap": {"key": {"ct": {"key": "state"}}, "data": {"set": [["invalid", DROP]]}}},), "passes"),
        (({"limit": {"rate": 5, "per": "second"}}, DROP), "perhaps"),
        ((UNKNOWN, DROP), "perhaps"),
        (({"match": {"op": "==", "left": {"meta": {"key": "mark"}}, "right": 1}}, DROP), "perhaps"),
        (({"match": {"op": "==", "left": {"meta": {"key": "iifname"}}, "right": "eth0"}}, DROP), "dropped"),
        (({"match": {"op": "==", "left": {"meta": {"key": "iifname"}}, "right": "eth*"}}, DROP), "dropped"),
        (({"match": {"op": "==", "left": {"meta": {"key": "iifname"}}, "right": "lo"}}, DROP), "passes"),
        (
            ({"match": {"op": "==", "left": {"meta": {"key": "l4proto"}}, "right": {"set": [1, 6]}}}, DROP),
            "dropped",
        ),
        (({"match": {"op": "==", "left": {"meta": {"key": "nfproto"}}, "right": "ipv6"}}, DROP), "passes"),
        (({"counter": None}, {"log": None}, {"mangle": None}, {"reject": None}), "dropped"),
        (({"queue": None},), "passes"),
    ],
)
def test_a_rule_meets_a_first_packet_or_does_not(rule: tuple[dict[str, Any], ...], expected: str) -> None:
    assert fate(chain(rule)) == expected


@pytest.mark.parametrize(
    ("op", "mask", "right", "expected"),
    [
        ("!=", ["fin", "syn", "rst", "ack"], "syn", "passes"),
        ("==", {"|": ["fin", "syn"]}, "syn", "dropped"),
        ("==", ["syn", "ack"], ["syn", "ack"], "passes"),
        ("==", ["fin", "syn", "rst", "psh", "ack", "urg"], "fin", "passes"),
    ],
)
def test_a_first_packet_has_the_flag_syn_alone(op: str, mask: Any, right: Any, expected: str) -> None:
    left = {"&": [{"payload": {"protocol": "tcp", "field": "flags"}}, mask]}
    rule = ({"match": {"op": op, "left": left, "right": right}}, DROP)
    assert fate(chain(rule)) == expected
    assert fate(chain(rule), knock="udp/22") == "passes"


def test_protocol_and_port_may_be_compared_as_one() -> None:
    left = {"concat": [{"meta": {"key": "l4proto"}}, {"payload": {"protocol": "th", "field": "dport"}}]}
    rule = ({"match": {"op": "==", "left": left, "right": "@both"}}, DROP)
    sets = {"both": ({"concat": ["tcp", {"range": [20, 25]}]}, {"concat": ["udp", 53]})}
    assert fate(chain(rule), sets=sets) == "dropped"
    assert fate(chain(rule), sets=sets, knock="udp/22") == "passes"


def test_jumps_come_back_and_gotos_do_not() -> None:
    inner = chain((dport("tcp", 22), {"return": None}), (DROP,), name="inner", hook=None)
    back = chain(({"jump": {"target": "inner"}},), (ACCEPT,), policy="drop")
    away = chain(({"goto": {"target": "inner"}},), (ACCEPT,), policy="drop")
    assert fate(inner, back) == "passes"
    assert fate(inner, back, knock="tcp/23") == "dropped"
    assert fate(inner, away) == "dropped"


def test_chains_that_jump_to_each_other_come_to_an_end() -> None:
    loop = chain(({"jump": {"target": "input"}},))
    assert fate(loop) == "passes"


def test_an_accept_ends_its_own_chain_only() -> None:
    early = chain((ACCEPT,), name="early", priority=-10)
    late = chain((dport("tcp", 22), DROP), name="late", priority=10)
    assert fate(early, late) == "dropped"


def test_the_families_tables_are_for_their_own_packets() -> None:
    six = chain((DROP,), family="ip6")
    assert fate(six) == "passes"
    assert fate(six, family=6) == "dropped"


@pytest.mark.parametrize(
    ("hook", "priority", "stage"),
    [("ingress", 0, "before"), ("prerouting", -300, "before"), ("prerouting", -151, "before"),
     ("prerouting", -150, "after"), ("prerouting", -100, "after"), ("input", -200, "after")],
)  # fmt: skip
def test_a_drop_comes_before_the_guard_or_after_it(hook: str, priority: int, stage: str) -> None:
    (end,) = follow(chain((DROP,), hook=hook, priority=priority)).ends
    assert (end.passed, end.stage) == (False, stage)
    assert end.where == "table inet other, chain input"


def named(*chains: RuleChain) -> set[End]:
    return {end for end in follow(*chains).ends if end.path.granted and end.passed}


def test_an_accept_for_a_named_source_is_told_with_it() -> None:
    closed = chain(
        (saddr({"prefix": {"addr": "203.0.113.0", "len": 24}}), dport("tcp", 22), ACCEPT), policy="drop"
    )
    assert fate(closed) == "dropped"
    (end,) = named(closed)
    assert end.path.sources == ("203.0.113.0/24",)


def test_an_accept_in_a_chain_for_a_named_source_is_told_with_it() -> None:
    zone = chain((dport("tcp", 22), ACCEPT), name="trusted", hook=None)
    inward = chain((saddr("@office"), {"jump": {"target": "trusted"}}), policy="drop")
    (end,) = named(zone, inward)
    assert end.path.sources == ("set office",)


def test_a_rule_that_only_counts_a_source_grants_it_nothing() -> None:
    assert (
        named(chain((saddr("203.0.113.9"), {"counter": None}), (dport("tcp", 22), ACCEPT), policy="drop"))
        == set()
    )


def test_a_named_source_has_no_effect_behind_a_rule_that_is_for_another_port() -> None:
    journey = follow(chain((saddr("203.0.113.9"), dport("tcp", 443), ACCEPT), (dport("tcp", 22), ACCEPT)))
    assert not any(end.path.granted for end in journey.ends)


@pytest.mark.parametrize(
    "statements", [{"limit": {"rate": 10}}, [{"counter": None}, {"ct count": {"val": 3}}]]
)
@pytest.mark.parametrize("kind", ["set", "meter"])
def test_a_limit_by_source_is_not_certain(kind: str, statements: Any) -> None:
    assert fate(chain((dport("tcp", 22), {kind: {"stmt": statements}}, DROP))) == "perhaps"
    assert fate(chain((dport("tcp", 22), {kind: {"stmt": [{"counter": None}]}}, DROP))) == "dropped"


def test_a_rule_against_a_named_source_is_not_against_strangers() -> None:
    blocking = chain((saddr("203.0.113.9"), DROP))
    assert fate(blocking) == "passes"
    assert fate(chain((saddr("203.0.113.9", "!="), DROP))) == "dropped"


def nat(*rules: tuple[dict[str, Any], ...], priority: int = -100) -> RuleChain:
    return chain(*rules, name="dial", hook="prerouting", priority=priority, kind="nat")


def test_a_translated_packet_goes_on_to_its_new_host_and_port() -> None:
    dial = nat((dport("tcp", 8080), {"dnat": {"addr": "172.17.0.2", "port": 80}}))
    onward = chain((dport("tcp", 80), DROP), name="forward", hook="forward")
    local = chain((dport("tcp", 8080), DROP))
    (end,) = follow(dial, onward, local, knock="tcp/8080").ends
    assert (end.passed, end.where, end.packet.target) == (
        False,
        "table inet other, chain forward",
        "172.17.0.2",
    )
    assert fate(dial, onward, local, knock="tcp/80") == "passes"


@pytest.mark.parametrize(
    "verdict", [{"redirect": {"port": 22}}, {"dnat": {"addr": "198.51.100.1", "port": 22}}]
)
def test_a_redirected_packet_stays_on_this_host(verdict: dict[str, Any]) -> None:
    closed = chain((dport("tcp", 22), ACCEPT), policy="drop")
    (end,) = follow(nat((dport("tcp", 2222), verdict)), closed, knock="tcp/2222").ends
    assert (end.passed, str(Knock(end.packet.knock)), end.packet.target) == (True, "tcp/22", None)


def test_a_map_may_say_where_a_port_leads() -> None:
    data = {"set": [[8081, {"concat": ["10.0.0.2", 80]}], [8082, {"concat": ["10.0.0.3", 81]}]]}
    key = {"payload": {"protocol": "tcp", "field": "dport"}}
    dial = nat(({"dnat": {"family": "ip", "addr": {"map": {"key": key, "data": data}}}},))
    (end,) = follow(dial, knock="tcp/8082").ends
    assert (end.packet.target, end.packet.port) == ("10.0.0.3", 81)


def test_a_translation_is_seen_by_rules_about_it() -> None:
    dial = nat((dport("tcp", 8080), {"dnat": {"addr": "172.17.0.2", "port": 80}}))
    status = {"match": {"op": "in", "left": {"ct": {"key": "status"}}, "right": "dnat"}}
    onward = chain((status, ACCEPT), name="forward", hook="forward", policy="drop")
    assert fate(dial, onward, knock="tcp/8080") == "passes"


def test_a_packet_is_translated_once() -> None:
    first = nat((dport("tcp", 8080), {"redirect": {"port": 22}}))
    second = chain(
        (dport("tcp", 22), {"redirect": {"port": 23}}), name="b", hook="prerouting", priority=-90, kind="nat"
    )
    (end,) = follow(first, second, knock="tcp/8080").ends
    assert end.packet.port == 22


def test_what_happens_before_the_guard_is_told_as_the_guard_sees_it() -> None:
    raw = chain((dport("tcp", 22), {"notrack": None}), name="raw", hook="prerouting", priority=-300)
    ((_, path),) = follow(raw).at_guard
    assert path.untracked
    port = {"payload": {"protocol": "tcp", "field": "dport"}}
    early = chain(
        (dport("tcp", 22), {"mangle": {"key": port, "value": 23}}), hook="prerouting", priority=-300
    )
    ((packet, _),) = follow(early).at_guard
    assert (packet.port, packet.translated, packet.dialled) == (23, True, 22)


def test_a_nat_chain_comes_after_the_guard_whatever_priority_it_names() -> None:
    """The kernel looks at all of them at NF_IP_PRI_NAT_DST, -100 (net/netfilter/nf_nat_proto.c)."""
    early = nat((dport("tcp", 22), {"redirect": {"port": 23}}), priority=-199)
    ((packet, _),) = follow(early).at_guard
    assert (packet.port, packet.translated) == (22, False)
