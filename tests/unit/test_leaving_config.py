"""The key `leaving`: which sequences may leave which doors, and what is told of the others."""

from __future__ import annotations

from portress.config.load import parse
from portress.config.model import Door
from portress.config.pitfalls import Surroundings, pitfalls
from portress.knock import SECOND, Knock
from portress.sequence.fixed import expected
from unit.config_texts import mistake, mistakes, with_door

FIXED = "fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}"
REPEATED = "repeated, it would start this"


def leaving(*knocks: str, opens: str = FIXED, more: str = "") -> str:
    rule = f"leaving: {{knocks: [{', '.join(knocks)}], replayable: true}}"
    return with_door(f"{rule}\n    {opens}") + more


def another(opens: str, name: str = "web", service: str = "tcp/8443") -> str:
    return f"  {name}:\n    services: [{service}]\n    {opens}\n"


def warnings(text: str) -> list[str]:
    return [line.partition("portress.yaml:")[2] for line in parse(text, "portress.yaml").warnings]


def door(text: str) -> Door:
    return parse(text, "portress.yaml").doors["ssh"]


def test_a_rotating_door_has_leaving_sequences_and_a_fixed_one_the_one_that_is_named() -> None:
    rotating = door(with_door("leaving: true\n    rotating: {}"))
    assert (rotating.leaving, rotating.leaving_fixed) == (True, None)
    assert not door(with_door("leaving: false\n    rotating: {}")).leaving
    assert not door(with_door("rotating: {}")).leaving
    text = leaving("udp/3571", "tcp/7193", "udp/5749")
    fixed = door(text)
    assert not fixed.leaving
    assert fixed.leaving_fixed is not None
    assert [str(knock) for knock in fixed.leaving_fixed.knocks] == ["udp/3571", "tcp/7193", "udp/5749"]
    assert fixed.leaving_fixed.gap == 30 * SECOND
    assert [one.leaves for one in expected(parse(text, "portress.yaml"))] == [False, True]


def test_a_fixed_leaving_sequence_is_warned_of() -> None:
    for_ever = "whoever overhears it can end admissions for ever, from forged addresses"
    text = leaving("udp/3571", "tcp/7193", "udp/5749")
    assert warnings(text) == [f"4: doors.ssh.leaving: a leaving sequence that stays the same: {for_ever}"]
    (told,) = [one for one in pitfalls(parse(text, "x"), Surroundings()) if "leaving" in one.what]
    assert "forged addresses" in told.why
    few = warnings(leaving("udp/3571", "tcp/7193"))
    assert (
        "4: doors.ssh.leaving.knocks: two knocks are easy to guess; three or more are common practice" in few
    )


def test_it_does_not_begin_with_a_last_knock_of_a_sequence_that_opens_any_door() -> None:
    told = f"'tcp/6381': the last knock of doors.ssh: {REPEATED}; begin with another one"
    assert mistake(leaving("tcp/6381", "tcp/7193", "udp/5749")) == f"4: doors.ssh.leaving.knocks[0]: {told}"
    other = another("fixed: {knocks: [udp/6002, udp/3571]}")
    told = f"'udp/3571': the last knock of doors.web: {REPEATED}; begin with another one"
    assert (
        mistake(leaving("udp/3571", "tcp/7193", "udp/5749", more=other))
        == f"4: doors.ssh.leaving.knocks[0]: {told}"
    )
    codes = another("authenticator: {base: 21000}")
    told = f"'tcp/21399': codes of doors.web end at tcp/21300-21399: {REPEATED}; begin with another one"
    assert (
        mistake(leaving("tcp/21399", "tcp/7193", "udp/5749", more=codes))
        == f"4: doors.ssh.leaving.knocks[0]: {told}"
    )
    parse(leaving("tcp/21299", "tcp/7193", "udp/5749", more=codes), "portress.yaml")
    parse(leaving("udp/21399", "tcp/7193", "udp/5749", more=codes), "portress.yaml")
    # Of a pool one sequence in very many ends with it: a warning.
    pool = another("rotating: {pool: 20000-29999}")
    (_, told) = warnings(leaving("udp/20000", "tcp/7193", "udp/5749", more=pool))
    assert told == (
        "4: doors.ssh.leaving.knocks[0]: 'udp/20000': 1 sequence of doors.web (rotating) in 20,000"
        " ends with it:"
        f" {REPEATED};"
        " better begin outside the pool"
    )
    assert len(warnings(leaving("udp/30000", "tcp/7193", "udp/5749", more=pool))) == 1


def test_nobody_leaves_by_coming_in_or_comes_in_by_leaving() -> None:
    place = "4: doors.ssh.leaving.knocks: "
    same = leaving("tcp/4617", "udp/2953", "tcp/6381")
    assert mistake(same).startswith(f"{place}the sequence that opens doors.ssh: leaving has one of its own")
    begins = leaving("tcp/4617", "udp/2953")
    assert mistake(begins).startswith(
        f"{place}the sequence of doors.ssh begins with it: coming in would leave"
    )
    whole = leaving("tcp/4617", "udp/2953", "tcp/6381", "udp/5749")
    told = "it begins with the whole sequence of doors.ssh: leaving would open that"
    assert mistake(whole).startswith(f"{place}{told}")
    shared = leaving("tcp/4617", "udp/2953", "udp/5749")
    assert door(shared).leaving_fixed is not None
    twice = another(f"{FIXED.replace('4617', '4618')}\n    leaving: {{knocks: [udp/3571], replayable: true}}")
    lines = mistakes(leaving("udp/3571", more=twice))
    assert lines == [
        "portress.yaml:9: doors.web.leaving.knocks: doors.ssh is left by it: every door has one of its own"
    ]


def test_the_kind_of_leaving_is_one_that_the_door_has() -> None:
    told = "this door has no fixed sequence: write leaving: true, and each keyholder has one"
    assert told in mistake(leaving("udp/3571", "tcp/7193", "udp/5749", opens="rotating: {}"))
    only = "only keyholders of `rotating` have a leaving sequence; for a fixed door write"
    assert only in mistake(with_door("leaving: true\n    authenticator: {base: 21000}"))
    assert only in mistake(with_door(f"leaving: true\n    {FIXED}"))
    one = "an admission is of one connection here, and ends with it: leave leaving or admits out"
    assert one in mistake(with_door("leaving: true\n    rotating: {admits: connection}"))
    assert one in mistake(leaving("udp/3571", opens=FIXED.replace("}", ", admits: connection}")))


def test_the_gap_of_a_leaving_sequence_counts_among_the_others() -> None:
    text = leaving("udp/3571").replace("replayable: true", "replayable: true, gap: 50s")
    assert parse(text, "portress.yaml").longest_gap == 50 * SECOND
    assert Knock.parse("udp/3571") in {one.sequence.knocks[0] for one in expected(parse(text, "x"))}
