"""The guard's text is the one that was read and driven in the kernel tests: any change to it shows."""

from __future__ import annotations

import pytest

from guard_texts import CONFIGURATIONS, FOLDER, maps, text
from portress.guard.ruleset import admission_set
from portress.knock import Source


@pytest.mark.parametrize("name", CONFIGURATIONS)
def test_the_guard_says_what_it_said_when_it_was_read(name: str) -> None:
    assert text(name) == (FOLDER / f"{name}.nft").read_text(), (
        "the guard's text has changed: run tests/guard_texts.py, and read the difference"
    )


def test_no_text_is_left_of_a_configuration_that_is_gone() -> None:
    assert {path.stem for path in FOLDER.glob("*.nft")} == CONFIGURATIONS.keys()


def test_the_maps_hold_what_they_held_when_they_were_read() -> None:
    assert maps() == (FOLDER / "maps.txt").read_text(), (
        "the maps' contents have changed: run tests/guard_texts.py, and read the difference"
    )


def test_an_admission_is_in_its_doors_set_or_in_that_of_its_connections() -> None:
    four, six = Source.parse("192.0.2.7"), Source.parse("2001:db8::7")
    assert [admission_set("ssh", one) for one in (four, six)] == ["ssh_4", "ssh_6"]
    ones = [Source(one.packed, one.length, 40123) for one in (four, six)]
    assert [admission_set("ssh", one) for one in ones] == ["ssh.one_4", "ssh.one_6"]
