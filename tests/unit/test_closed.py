"""What strangers meet at guarded ports, as rules: as the closed ports beside them answer.

The kernel tests (test_closed_alike.py) compare the answers themselves; these hold which rule is written when.
"""

from __future__ import annotations

import pytest

from portress.config.load import parse
from portress.config.model import Config
from portress.guard.closed import (
    CODES,
    KINDS,
    NOT_YET,
    Answer,
    Kind,
    closed_rules,
    label_rules,
    late_rules,
    unknown,
)

HERE_ONLY = (
    "meta l4proto tcp fib daddr type != local drop",
    "meta l4proto udp fib daddr type != { local, anycast } drop",
)
SYN = "tcp flags & (fin | syn | rst | ack) == syn"
INSIDE = "tcp flags & (fin | syn | rst | ack) == ack"
ODD = "tcp flags & (fin | syn | rst | ack) != { syn, ack }"
TCP: tuple[Kind, ...] = ("syn", "ack", "odd")


def all_tcp(family: int, how: str, own: bool = False) -> list[Answer]:
    return [Answer(family, kind, how, own=own) for kind in TCP]


def test_where_nothing_is_known_nothing_is_said() -> None:
    assert closed_rules(NOT_YET) == closed_rules(()) == ("drop",)
    assert late_rules(NOT_YET) == ()
    assert [(one.family, one.kind, one.how) for one in unknown("a reason")] == [
        (family, kind, "silence") for family in (4, 6) for kind in ("syn", "ack", "odd", "udp")
    ]
    assert {one.why for one in unknown("a reason")} == {"a reason"}
    assert {one.why for one in NOT_YET} == {"this host's rules have not been checked yet"}


def test_one_answer_to_all_of_tcp_is_one_rule_a_family() -> None:
    assert closed_rules((*all_tcp(4, "icmp port-unreachable"), *all_tcp(6, "icmpv6 no-route"))) == (
        *HERE_ONLY,
        "meta nfproto ipv4 meta l4proto tcp reject with icmp port-unreachable",
        "meta nfproto ipv6 meta l4proto tcp reject with icmpv6 no-route",
        "drop",
    )


def test_resets_of_both_families_are_one_rule() -> None:
    both = (*all_tcp(4, "tcp reset"), *all_tcp(6, "tcp reset"))
    assert closed_rules(both) == (*HERE_ONLY, "meta l4proto tcp reject with tcp reset", "drop")
    for family, written in ((4, "ipv4"), (6, "ipv6")):
        rule = f"meta nfproto {written} meta l4proto tcp reject with tcp reset"
        assert closed_rules(tuple(all_tcp(family, "tcp reset"))) == (*HERE_ONLY, rule, "drop")


def test_a_reset_by_a_rule_and_one_by_the_kernel_itself_are_two_rules() -> None:
    rules = closed_rules((*all_tcp(4, "tcp reset"), *all_tcp(6, "tcp reset", own=True)))
    assert rules[2] == "meta nfproto ipv4 meta l4proto tcp reject with tcp reset"
    assert all(rule.startswith("meta nfproto ipv6 meta l4proto tcp tcp doff ") for rule in rules[3:-1])


def test_kinds_that_are_answered_otherwise_have_rules_of_their_own() -> None:
    answers = (
        Answer(4, "syn", "tcp reset"),
        Answer(4, "ack", "icmp admin-prohibited"),
        Answer(4, "odd"),
        Answer(6, "syn", "tcp reset"),
        Answer(6, "odd", "tcp reset"),
    )
    assert closed_rules(answers) == (
        *HERE_ONLY,
        f"{SYN} reject with tcp reset",
        f"meta nfproto ipv4 {INSIDE} reject with icmp admin-prohibited",
        f"meta nfproto ipv6 {ODD} reject with tcp reset",
        "drop",
    )


def test_datagrams_are_answered_in_each_familys_words() -> None:
    answers = (Answer(4, "udp", "icmp port-unreachable"), Answer(6, "udp", "icmpv6 port-unreachable"))
    assert closed_rules(answers) == (
        *HERE_ONLY,
        "meta nfproto ipv4 meta l4proto udp reject with icmp port-unreachable",
        "meta nfproto ipv6 meta l4proto udp reject with icmpv6 port-unreachable",
        "drop",
    )
    # RFC 8200, 8.1: a host takes no datagram over IPv6 whose checksum is 0, and so answers none.
    own = (
        Answer(4, "udp", "icmp port-unreachable", own=True),
        Answer(6, "udp", "icmpv6 port-unreachable", own=True),
    )
    assert closed_rules(own) == (
        *HERE_ONLY,
        "meta nfproto ipv4 meta l4proto udp reject with icmp port-unreachable",
        "meta nfproto ipv6 meta l4proto udp udp checksum 0 drop",
        "meta nfproto ipv6 meta l4proto udp reject with icmpv6 port-unreachable",
        "drop",
    )


def test_the_kernels_own_tcp_answers_only_where_the_whole_header_is_there() -> None:
    """A header has `doff` words of 32 bits (RFC 9293, 3.1): its last byte has to be there."""
    rules = closed_rules((*all_tcp(4, "tcp reset", own=True), *all_tcp(6, "tcp reset", own=True)))[2:-1]
    wanted = {
        f"meta l4proto tcp tcp doff {words} @th,{32 * words - 8},8 >= 0x0 reject with tcp reset"
        for words in range(5, 16)
    }
    assert set(rules) == wanted and len(rules) == len(wanted)
    # The usual lengths first: 10 of a SYN, 6 and 5 of scanners.
    assert [rule.split()[5] for rule in rules[:3]] == ["10", "6", "5"]


def test_what_has_to_belong_to_a_flow_is_left_to_the_later_chain() -> None:
    late = [Answer(family, kind, "tcp reset", late=True) for family in (4, 6) for kind in KINDS]
    assert late_rules(tuple(late)) == (
        f"meta nfproto ipv4 {SYN} accept",
        "meta nfproto ipv4 meta l4proto udp accept",
        f"meta nfproto ipv6 {SYN} accept",
        "meta nfproto ipv6 meta l4proto udp accept",
    )
    assert late_rules((Answer(4, "syn", "tcp reset"), Answer(6, "syn", late=True))) == ()


def doors(*services: str) -> Config:
    text = "doors:\n"
    for number, some in enumerate(services):
        text += (
            f"  door{number}: {{services: {some}, stay: 1h, fixed: {{knocks: [tcp/46{number}, udp/29]}}}}\n"
        )
    return parse(text, "portress.yaml")


def test_resets_have_flow_labels_where_the_kernels_own_have() -> None:
    labelled = (Answer(6, "syn", "tcp reset", labelled=True),)
    services = doors('["tcp/22", "tcp/8000-8010", "udp/53"]', '["tcp/443@2001:db8::5"]')
    assert label_rules(services, labelled) == (
        "meta nfproto ipv6 tcp sport { 22-22, 8000-8010 } tcp flags & rst == rst ip6 flowlabel 0"
        # 28 bits: the class, 0, and the label of 20 (RFC 8200, 3)
        " @nh,8,24 set jhash ip6 daddr . tcp sport . tcp dport mod 268435456",
    )
    assert label_rules(services, (Answer(6, "syn", "tcp reset"),)) == ()
    assert label_rules(services, ()) == ()
    for others in ("[udp/53]", '["tcp/443@2001:db8::5"]'):
        assert label_rules(doors(others), labelled) == ()


@pytest.mark.parametrize("family", [4, 6])
def test_every_word_for_an_answer_is_one_that_nft_knows(family: int) -> None:
    """nft(8), REJECT STATEMENT: the types of each family."""
    known = {
        4: "net-unreachable, host-unreachable, prot-unreachable, port-unreachable, net-prohibited,"
        " host-prohibited, admin-prohibited",
        6: "no-route, admin-prohibited, addr-unreachable, port-unreachable, policy-fail, reject-route",
    }
    assert CODES[family] == set(known[family].split(", "))
