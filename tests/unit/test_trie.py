"""The prefix tree: what is shared, what ends where, and which gaps hold at which stage."""

from __future__ import annotations

from itertools import permutations

from attrs import evolve

from portress.config.model import Config, Door
from portress.knock import SECOND, Expected, Knock, Sequence, Service
from portress.sequence.fixed import expected as fixed
from portress.sequence.trie import Node, Trie

A, B, C, D, E = (
    int(Knock.parse(text)) for text in ("tcp/4617", "udp/2953", "tcp/6381", "udp/4617", "tcp/8642")
)


def expect(
    door: str, *knocks: int, gap: int = 60, keyholder: str | None = None, step: int | None = None
) -> Expected:
    return Expected(Sequence(tuple(map(Knock, knocks)), gap * SECOND), door, keyholder, step)


def at(trie: Trie, *path: int, floor: int = 0) -> Node:
    node = trie.at(path, floor * SECOND)
    assert node is not None
    return node


def test_an_empty_tree_opens_with_nothing() -> None:
    trie = Trie()
    assert trie.opening == frozenset()
    assert trie.longest_hold == 0


def test_the_opening_knocks_are_the_first_of_every_sequence() -> None:
    assert Trie([expect("ssh", A, B), expect("web", A, C), expect("vpn", D, A)]).opening == {A, D}


def test_a_path_leads_through_all_stages_to_the_ending() -> None:
    ssh = expect("ssh", A, B, C)
    trie = Trie([ssh])
    assert [at(trie, *path).endings for path in ((A,), (A, B), (A, B, C))] == [(), (), (ssh,)]
    assert [at(trie, *path).stage for path in ((A,), (A, B), (A, B, C))] == [1, 2, 3]


def test_a_path_that_no_sequence_takes_leads_nowhere() -> None:
    trie = Trie([expect("ssh", A, B, C)])
    assert trie.at((A, C)) is None
    assert trie.at((A, B, C, D)) is None
    assert trie.at((B, B)) is None


def test_sequences_share_the_nodes_of_their_beginning() -> None:
    trie = Trie([expect("ssh", A, B, C), expect("web", A, B, D)])
    assert set(at(trie, A, B).children) == {C, D}


def test_a_sequence_that_begins_another_ends_on_its_way() -> None:
    short, long = expect("ssh", A, B), expect("web", A, B, C)
    trie = Trie([long, short])
    assert at(trie, A, B).endings == (short,)
    assert at(trie, A, B, C).endings == (long,)


def test_the_same_sequence_twice_ends_twice_at_one_node() -> None:
    ana, ben = expect("vpn", A, B, keyholder="ana", step=7), expect("vpn", A, B, keyholder="ben", step=7)
    assert at(Trie([ana, ben]), A, B).endings == (ana, ben)


def test_beyond_a_node_are_the_sequences_that_go_on_from_it() -> None:
    short, long, other = expect("ssh", A, B), expect("web", A, B, C), expect("vpn", A, D)
    trie = Trie([short, long, other])
    assert set(at(trie, A).beyond()) == {short, long, other}
    assert list(at(trie, A, B).beyond()) == [long]


def test_a_stage_is_told_of_the_longest_sequence_that_may_come() -> None:
    trie = Trie([expect("ssh", A, B), expect("web", A, C, D, E)])
    assert (at(trie, A).advanced.stage, at(trie, A).advanced.of) == (1, 4)
    assert (at(trie, A, C).advanced.stage, at(trie, A, C).advanced.of) == (2, 4)
    assert at(trie, A, B).of == 2


def test_a_stage_names_the_doors_ahead() -> None:
    trie = Trie([expect("ssh", A, B, C), expect("web", A, B, D), expect("vpn", A, E)])
    assert at(trie, A).advanced.doors == ("ssh", "web", "vpn")
    assert at(trie, A, B).advanced.doors == ("ssh", "web")


def test_a_state_is_held_for_the_longest_gap_that_goes_on() -> None:
    trie = Trie([expect("ssh", A, B, gap=90), expect("web", A, B, C, gap=10), expect("vpn", A, D, gap=30)])
    assert at(trie, A).hold == 90 * SECOND
    assert at(trie, A, B).hold == 10 * SECOND
    assert at(trie, A, D).hold == 0
    assert trie.longest_hold == 90 * SECOND


def test_the_root_holds_nobody() -> None:
    assert Trie([expect("ssh", A, gap=600), expect("web", B, C, gap=10)]).longest_hold == 10 * SECOND


def test_one_gap_needs_no_twins() -> None:
    trie = Trie([expect("ssh", A, B, C), expect("web", A, B, D)])
    assert at(trie, A, B).slower is None


def test_the_slower_twin_leaves_out_the_sequences_of_the_shortest_gap() -> None:
    quick, slow = expect("ssh", A, B, C, gap=10), expect("web", A, B, D, gap=60)
    node = at(Trie([quick, slow]), A, B)
    assert node.gap == 10 * SECOND
    assert node.slower is not None
    assert list(node.slower.beyond()) == [slow]
    assert (node.slower.gap, node.slower.slower) == (60 * SECOND, None)


def test_the_slower_twin_of_an_ending_does_not_end() -> None:
    quick, slow = expect("ssh", A, B, gap=10), expect("web", A, B, C, gap=60)
    node = at(Trie([quick, slow]), A, B)
    assert node.slower is not None
    assert (node.endings, node.slower.endings) == ((quick,), ())


def test_a_place_is_found_among_the_twins_by_its_floor() -> None:
    every = [expect("ssh", A, B, C, gap=10), expect("web", A, B, D, gap=30), expect("vpn", A, B, E, gap=60)]
    trie = Trie(every)
    found = [set(at(trie, A, B, floor=floor).beyond()) for floor in (0, 9, 10, 29, 30, 59)]
    assert found == [{*every}, {*every}, {*every[1:]}, {*every[1:]}, {*every[2:]}, {*every[2:]}]
    assert trie.at((A, B), 60 * SECOND) is None


def test_twins_stay_few_however_many_gaps_are_mixed() -> None:
    """Twenty sequences of 16 knocks that part at the last one, each with a gap of its own."""
    beginning = tuple(6 << 16 | port for port in range(7340, 7355))
    mixed = [expect(f"door{gap}", *beginning, 6 << 16 | 8642 + gap, gap=gap) for gap in range(1, 21)]
    nodes, todo = set(), [Trie(mixed).root]
    while todo:
        node = todo.pop()
        if node not in nodes:
            nodes.add(node)
            todo += node.children.values()
            todo += [node.slower] if node.slower is not None else []
    ways = 15 + 20  # the nodes of the plain tree, without its root
    assert len(nodes) <= 1 + ways * 20


def test_a_newer_tree_is_known_by_its_age() -> None:
    first, second = Trie(), Trie()
    assert second.age > first.age


def test_every_node_bears_the_age_of_its_tree() -> None:
    trie = Trie([expect("ssh", A, B, gap=10), expect("web", A, B, C, gap=60)])
    twin = at(trie, A, B, floor=10)
    assert {trie.root.age, at(trie, A).age, at(trie, A, B, C).age, twin.age} == {trie.age}


def test_it_knows_who_has_rotating_sequences() -> None:
    ana = [evolve(expect("vpn", A, B, keyholder="ana", step=step), claim=b"ana's") for step in (0, 8)]
    trie = Trie([*ana, expect("ssh", C, D)])
    assert trie.rotating == {("ana", "vpn", b"ana's")}


def test_a_place_in_a_new_tree_is_the_node_the_path_leads_to() -> None:
    trie = Trie([expect("ssh", A, B, C)])
    assert trie.place((A, B), 0, []) is at(trie, A, B)


def test_there_is_no_place_where_nothing_goes_on() -> None:
    trie = Trie([expect("ssh", A, B)])
    assert trie.place((A, C), 0, []) is None
    assert trie.place((A, B), 0, []) is None


def test_a_place_joins_old_sequences_to_those_in_force() -> None:
    ssh, old = expect("ssh", A, B, C), expect("vpn", A, B, D, E, keyholder="ana", step=7)
    trie = Trie([ssh])
    place = trie.place((A, B), 0, [old])
    assert place is not None
    assert set(place.beyond()) == {ssh, old}
    assert (place.stage, place.path, place.age, place.of) == (2, (A, B), trie.age, 4)


def test_a_place_needs_nothing_joined_where_the_old_sequence_is_still_in_force() -> None:
    ana = expect("vpn", A, B, C, keyholder="ana", step=7)
    trie = Trie([ana])
    assert trie.place((A, B), 0, [ana]) is at(trie, A, B)


def test_a_place_with_old_sequences_joined_keeps_its_floor() -> None:
    old = expect("vpn", A, B, D, E, keyholder="ana", step=7)
    place = Trie([expect("ssh", A, B, C)]).place((A, B), 10 * SECOND, [old])
    assert place is not None
    assert {place.floor, place.children[D].floor, place.children[C].floor} == {10 * SECOND}


def test_a_state_on_a_single_way_is_held_for_the_longest_gap_at_its_end() -> None:
    trie = Trie([expect("ssh", A, B, C, gap=10), expect("web", A, B, D, gap=60)])
    assert (at(trie, A).gap, at(trie, A).hold) == (10 * SECOND, 60 * SECOND)


def test_a_tree_is_not_changed_by_the_places_found_in_it() -> None:
    trie = Trie([expect("ssh", A, B, C)])
    trie.place((A, B), 0, [expect("vpn", A, B, D, keyholder="ana", step=7)])
    assert set(at(trie, A, B).children) == {C}


def test_every_sequence_of_a_crowded_tree_leads_to_its_own_ending() -> None:
    crowd = [expect(f"door{i}", *one) for i, one in enumerate(permutations((A, B, C, D, E), 4))]
    trie = Trie(crowd)
    assert all(at(trie, *one.sequence.knocks).endings == (one,) for one in crowd)


def test_the_fixed_sequences_are_those_of_the_doors_that_have_one() -> None:
    services = (Service.parse("tcp/22"),)
    sequence = expect("ssh", A, B).sequence
    doors = {
        "ssh": Door("ssh", services, stay=SECOND, fixed=sequence),
        "vpn": Door("vpn", services, stay=SECOND),
    }
    assert fixed(Config(doors)) == [Expected(sequence, "ssh")]


def test_what_was_in_force_lately_is_gone_on_with_and_not_begun() -> None:
    trie = Trie([expect("ssh", A, B, C)], [expect("old", D, B, C), expect("older", A, C, B)])
    assert trie.opening == trie.root.children.keys() == {A}
    assert trie.over.keys() == {D}
    for path, door in (((A, B, C), "ssh"), ((D, B, C), "old"), ((A, C, B), "older")):
        assert [one.door for one in at(trie, *path).endings] == [door]


def test_without_anything_lately_nothing_is_over() -> None:
    assert Trie([expect("ssh", A, B, C)]).over == {}
