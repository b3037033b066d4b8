"""A guard that is loaded again is the guard that would be loaded anew, whatever of it stays as it was: after
every other configuration, and after others changed it. Held against what nft lists.
"""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

import pytest
from attrs import evolve

from guard_texts import CONFIGURATIONS, NOW
from lab import Namespace, daemon, namespace, owned, sender, world
from portress.config.load import parse
from portress.guard.closed import NOT_YET
from portress.guard.ruleset import Ruleset, build
from portress.guard.table import Table
from portress.sequence.fixed import expected
from portress.sequence.trie import Trie

NAMES: Final = (*CONFIGURATIONS,)
Blocks = dict[str, str]


def ruleset(name: str) -> Ruleset:
    config = parse(CONFIGURATIONS[name], "portress.yaml")
    return build(config, Trie(expected(config)).opening, answers=NOT_YET, now=NOW)


def listed(host: Namespace) -> Blocks:
    """The guard by nft: every chain, set, map and counter of it, by name."""
    text = host.run(["nft", "-s", "list", "table", "inet", "portress"]).stdout
    blocks = re.findall(r"^\t(\w+) ([\w.]+) \{\n(.*?)^\t\}$", text, re.MULTILINE | re.DOTALL)
    # Counters of configurations before are left, and count nothing. A set that stays is typed as it was.
    typed = {"typeof ip saddr\n": "type ipv4_addr\n", "typeof ip6 saddr\n": "type ipv6_addr\n"}
    pattern = "|".join(typed)
    return {
        name: f"{kind}\n{_sorted(re.sub(pattern, lambda one: typed[one[0]], body))}"
        for kind, name, body in blocks
        if kind != "counter"
    }


def _sorted(body: str) -> str:
    """A set's elements in an order of ours: nft gives them as they lie in the kernel's table."""
    head, equals, elements = body.partition("elements = {")
    return head + equals + ",".join(sorted(one.strip(" \t\n},") for one in elements.split(",")))


def handles(host: Namespace) -> dict[str, list[int]]:
    """The rules' handles by chain, by nft."""
    rules: dict[str, list[int]] = {}
    for one in json.loads(host.run(["nft", "-j", "list", "table", "inet", "portress"]).stdout)["nftables"]:
        if "rule" in one:
            rules.setdefault(one["rule"]["chain"], []).append(one["rule"]["handle"])
    return rules


@pytest.fixture
def host() -> Iterator[Namespace]:
    with namespace("host") as ns:
        yield ns


@pytest.fixture(scope="module")
def anew() -> dict[str, Blocks]:
    """Each configuration's guard, loaded where there was none."""
    found = {}
    for name in NAMES:
        with namespace("fresh") as fresh:
            with fresh.enter():
                Table().load(ruleset(name))
            found[name] = listed(fresh)
    return found


def test_after_every_other_configuration(host: Namespace, anew: dict[str, Blocks]) -> None:
    with host.enter():
        table = Table()
        for one, other in itertools.permutations(NAMES, 2):
            for name in (one, other):
                table.load(ruleset(name))
                assert listed(host) == anew[name], (one, other)


OTHERS: Final = {
    "same": str,
    "public": lambda text: f"public: [tcp/80]\n{text}",
    "always": lambda text: f"always: [192.0.2.0/24]\n{text}",
    "inside": lambda text: f"inside: [wg0]\n{text}",
    "misses": lambda text: f"misses: {{limit: 5, within: 10m, shun: 30m}}\n{text}",
    "source_prefix": lambda text: f"source_prefix: {{ipv4: 30, ipv6: 60}}\n{text}",
    "callers": lambda text: f"callers: 5000\n{text}",
    "gap": lambda text: text.replace("gap: 10s", "gap: 9s"),
    "stay": lambda text: text.replace("stay: 1h", "stay: 2h"),
    "closed": lambda text: f"closed: reject\n{text}",
}


@pytest.mark.parametrize("change", OTHERS)
def test_chains_that_ask_for_the_next_node_are_left_alone(host: Namespace, change: str) -> None:
    """To bind a rule to the map of next nodes takes the kernel 20 ms where a thousand keyholders knock."""
    text = OTHERS[change](CONFIGURATIONS["kernel"])
    config = parse(text, "portress.yaml")
    with host.enter():
        table = Table()
        table.load(ruleset("kernel"))
        before = handles(host)
        table.load(build(config, Trie(expected(config)).opening, answers=NOT_YET, now=NOW))
        after = handles(host)
    listing = host.run(["nft", "list", "table", "inet", "portress"]).stdout
    asking = {block.split()[0] for block in re.split(r"\n\tchain ", listing)[1:] if "@next" in block}
    assert len(asking) == 5 and {name for name in after if before.get(name) == after[name]} >= asking
    assert before["entry"] != after["entry"]  # a base chain is loaded again


def _add(where: str, _first: int) -> str:
    return f"add rule inet portress {where} counter accept"


def _insert(where: str, _first: int) -> str:
    return f"insert rule inet portress {where} counter accept"


def _empty(where: str, _first: int) -> str:
    return f"flush chain inet portress {where}"


def _refill(where: str, first: int) -> str:
    return f"{_empty(where, first)}; {_add(where, first)}"


def _replace(where: str, first: int) -> str:
    return f"replace rule inet portress {where} handle {first} accept"


CHANGES: Final = (_add, _insert, _empty, _refill, _replace)  # `first`: the handle of the chain's first rule


def changed(host: Namespace, anew: dict[str, Blocks], kinds: Sequence[Callable[[str, int], str]]) -> None:
    """Others change each chain, by these kinds in turn: loaded again, the guard is as it was."""
    with host.enter():
        table = Table()
        table.load(ruleset("kernel"))
        for kind, chain in zip(itertools.cycle(kinds), [*handles(host)]):
            host.run(["nft", kind(chain, handles(host)[chain][0])])
            assert listed(host) != anew["kernel"], chain
            table.load(ruleset("kernel"))
            assert listed(host) == anew["kernel"], chain


def test_after_others_changed_the_rules_of_any_chain(host: Namespace, anew: dict[str, Blocks]) -> None:
    """Each chain in one way. Each way in each chain: scripts/test wide."""
    changed(host, anew, CHANGES)


def test_a_table_of_others_with_the_same_handles_is_another(host: Namespace, anew: dict[str, Blocks]) -> None:
    """Who loads the same text gives the rules the same handles, as they are counted from 1 in each table."""
    with host.enter():
        table, same = Table(), ruleset("kernel")
        table.load(same)
        there = handles(host)
        host.run(["nft", "delete table inet portress"])
        others = (
            evolve(one, rules=("accept", *one.rules[1:])) if one.name == "stranger" else one
            for one in same.chains
        )
        Table().load(evolve(same, chains=tuple(others)))
        assert handles(host) == there
        table.load(same)
        assert listed(host) == anew["kernel"]


def test_what_others_change_while_the_guard_is_loaded(
    host: Namespace, anew: dict[str, Blocks], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the transaction and the reading of what came of it."""
    with host.enter():
        table = Table()
        run: Any = table._run

        def and_another(text: str) -> str:
            told: str = run(text)
            if text.startswith("delete chain"):
                host.run(["nft", "insert rule inet portress stranger accept"])
            return told

        monkeypatch.setattr(table, "_run", and_another)
        table.load(ruleset("kernel"))
        assert listed(host) != anew["kernel"]
        monkeypatch.undo()
        table.load(ruleset("kernel"))
        assert listed(host) == anew["kernel"]


FIXED: Final = ["tcp/4617", "udp/2953", "tcp/6381"]
DOOR: Final = f"""\
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {{knocks: [{", ".join(FIXED)}], gap: 30s}}
"""


@pytest.mark.parametrize("name", ["next", "ends"])
def test_maps_of_knocks_that_others_emptied_are_filled_again(name: str) -> None:
    """Where a table can have an owner, the kernel lets nobody else change it."""
    with world() as w, daemon(w.host, DOOR) as d, sender(w.stranger) as send:
        done = w.host.run(["nft", f"flush map inet portress {name}"], check=False)
        assert ("not permitted" in done.stderr) == owned(w.host)
        if not owned(w.host):
            d.wait_for("the guard was changed by nft")
        send.knocks(w.stranger4, w.host4, FIXED)
        d.wait_for(f"{w.stranger4} admitted to ssh")


def test_a_knock_that_others_made_one_is_none_again() -> None:
    with world() as w, daemon(w.host, DOOR) as d, sender(w.stranger) as send:
        listing = w.host.run(["nft", "list", "map", "inet", "portress", "next"]).stdout
        edge = next(one for one in re.findall(r"\S+ \. tcp \. 4617 : \S+", listing)).strip(",")
        more = f"{{ {edge.replace('tcp', 'udp')} }}"
        done = w.host.run(["nft", f"add element inet portress next {more}"], check=False)
        assert ("not permitted" in done.stderr) == owned(w.host)
        if not owned(w.host):
            d.wait_for("the guard was changed by nft")
        send.knocks(w.stranger4, w.host4, ["udp/4617", *FIXED[1:]])
        send.knocks(w.another4, w.host4, FIXED)
        d.wait_for(f"{w.another4} admitted to ssh")
        assert f"{w.stranger4} admitted" not in "\n".join(d.lines)
