"""Numbers of nodes and of uses: kept as long as they matter, never given to anything else, and small."""

from __future__ import annotations

from portress.guard.contents import contents
from portress.knock import SECOND, Expected, Knock, Sequence
from portress.sequence import edges
from portress.sequence.edges import Edges, Numbering, Terms
from portress.sequence.trie import Trie

A, B, C, D = (Knock.parse(text) for text in ("tcp/4617", "udp/2953", "tcp/6381", "udp/7201"))
GAP = 10 * SECOND
MINUTE = 60 * SECOND


def rotating(*knocks: Knock, step: int, holder: str = "ana") -> Expected:
    return Expected(Sequence(knocks, GAP), "ssh", holder, step, holder.encode() * 4)


def built(numbering: Numbering, now: int, *expected: Expected) -> Edges:
    terms = Terms(
        until=lambda one: None if one.step is None else 1_000_000 + one.step,
        used=lambda _: False,
        chains=frozenset(),
        plain=GAP // 1_000_000,
        spent_for=600,
    )
    trie = Trie(expected)
    return edges.build(trie, trie.opening, terms, numbering, now)


def ends(found: Edges) -> dict[tuple[int, ...], int]:
    """The number of each end, by its path."""
    return {found.nodes[number].path: number for number in found.ends}


FIRST, SECOND_ONE = rotating(A, B, C, step=7), rotating(B, C, D, step=8)


def test_a_node_keeps_its_number_while_it_is_in_a_tree_and_for_two_minutes_after() -> None:
    numbering = Numbering()
    number = ends(built(numbering, MINUTE, FIRST))[A, B, C]
    for now in (2, 3, 5):
        assert ends(built(numbering, now * MINUTE, FIRST, SECOND_ONE))[A, B, C] == number
    built(numbering, 6 * MINUTE, SECOND_ONE)
    assert ends(built(numbering, 7 * MINUTE, FIRST))[A, B, C] == number


def test_a_node_that_comes_back_late_has_a_number_that_nothing_ever_had() -> None:
    numbering = Numbering()
    before = set(built(numbering, MINUTE, FIRST, SECOND_ONE).nodes)
    built(numbering, 5 * MINUTE, SECOND_ONE)
    again = built(numbering, 6 * MINUTE, FIRST)
    assert not set(again.nodes) & before


def test_a_use_is_claimed_by_its_first_number_although_its_node_has_another_now() -> None:
    numbering = Numbering()
    number = ends(built(numbering, MINUTE, FIRST))[A, B, C]
    for now in range(2, 20):  # 18 minutes: within twice 600 s
        built(numbering, now * MINUTE, SECOND_ONE)
    again = built(numbering, 20 * MINUTE, FIRST)
    fresh = ends(again)[A, B, C]
    assert fresh != number and again.claims == {fresh: number}
    assert again.ends[fresh][0] == "goto"
    for now in range(21, 44):
        built(numbering, now * MINUTE, SECOND_ONE)
    late = built(numbering, 44 * MINUTE, FIRST)
    assert late.claims == {}  # nothing can be in the record any more


def test_sequences_that_differ_in_holder_or_step_alone_are_different_ends() -> None:
    keys = {
        edges.key_of(node)
        for one in (
            rotating(A, B, step=7),
            rotating(A, B, step=8),
            rotating(A, B, step=7, holder="ben"),
            Expected(Sequence((A, B), GAP), "ssh"),
        )
        if (node := Trie([one]).at((A, B))) is not None
    }
    assert len(keys) == 4


def test_what_is_nothing_new_in_the_maps_is_not_kept_twice() -> None:
    numbering = Numbering()
    before = contents(built(numbering, MINUTE, FIRST))
    kept = {name: [*items.items()] for name, items in before.items()}
    found = built(numbering, 2 * MINUTE, FIRST, SECOND_ONE)
    alone = contents(built(numbering, 2 * MINUTE, FIRST, SECOND_ONE))
    after = contents(found, before)
    assert after == alone and len(after["next"]) == 12
    for name, items in kept.items():
        old = {key: (id(key), id(item)) for key, item in items}
        shared = [(id(key), id(item)) == old[key] for key, item in after[name].items() if key in old]
        assert len(shared) == len(items) and all(shared)
    assert found.next == {} and found.right == set()
