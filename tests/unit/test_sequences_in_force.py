"""Which sequences are in force at a time step."""

from __future__ import annotations

from portress.config.load import parse
from portress.keyholders.keyholder import Keyholder
from portress.sequence import rotating
from portress.sequence.in_force import SequencesInForce, furthest

CONFIG = parse(
    """\
doors:
  ssh:
    services: [tcp/22]
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}
  vpn:
    services: [udp/51820]
    rotating: {pool: 20000-29999, length: 4, skew: 2}
  wiki:
    services: [tcp/8443]
    authenticator: {base: 31000, skew: 0}
""",
    "portress.yaml",
)
ANA = Keyholder("ana", ("vpn",), b"A" * 20, "derived", None)
BEN = Keyholder("ben", ("wiki",), b"B" * 20, "authenticator", None)


def in_force(sequences: SequencesInForce, step: int) -> set[tuple[str, int | None]]:
    """(door, step) of everything that can be completed."""
    found: set[tuple[str, int | None]] = set()
    todo = [sequences.trie(step).root]
    while todo:
        node = todo.pop()
        todo.extend(node.children.values())
        found |= {(one.door, one.step) for one in node.endings}
    return found


def test_fixed_sequences_are_always_in_force_and_rotating_ones_within_their_doors_skew() -> None:
    sequences = SequencesInForce(CONFIG, (ANA, BEN))
    assert in_force(sequences, 100) == {
        ("ssh", None),
        *(("vpn", step) for step in range(98, 103)),
        ("wiki", 100),
    }


def test_without_keyholders_nothing_rotates() -> None:
    sequences = SequencesInForce(CONFIG)
    assert not sequences.rotates
    assert in_force(sequences, 100) == {("ssh", None)}


def test_the_first_steps_of_1970_have_no_steps_before_them() -> None:
    assert {step for door, step in in_force(SequencesInForce(CONFIG, (ANA,)), 0) if door == "vpn"} == {
        0,
        1,
        2,
    }


def test_a_new_step_derives_one_step_and_no_more() -> None:
    sequences = SequencesInForce(CONFIG, (ANA,))
    sequences.trie(100)
    derived: list[int] = []
    true = rotating.derive

    def watched(secret: bytes, door: str, rule: object, step: int, site: str) -> object:
        derived.append(step)
        return true(secret, door, rule, step, site)  # type: ignore[arg-type]  # as the caller gave it

    rotating.derive = watched  # type: ignore[assignment]  # the test watches it
    try:
        sequences.trie(101)
    finally:
        rotating.derive = true
    assert derived == [103]


def test_a_keyholder_who_has_ended_is_expected_no_more() -> None:
    sequences = SequencesInForce(CONFIG, (Keyholder("ana", ("vpn",), b"A" * 20, "derived", 100 * 30.0),))
    assert ("vpn", 99) in in_force(sequences, 98)
    assert {door for door, _ in in_force(sequences, 103)} == {"ssh"}
    assert sequences.until == {"ana": 3000.0}


def test_the_furthest_skew_of_any_door_is_known() -> None:
    assert furthest(CONFIG) == 2
