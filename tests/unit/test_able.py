"""Where the kernel cannot decide, the daemon does, and it is told why."""

from __future__ import annotations

from attrs import evolve

from portress.config.load import parse
from portress.guard.able import settled

CONFIG = evolve(
    parse("doors: {ssh: {services: [tcp/22], fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}}}", "x"),
    decide="kernel",
)


def test_a_kernel_that_can_decides() -> None:
    assert settled(CONFIG, lambda _text: None) is CONFIG


def test_a_kernel_that_cannot_leaves_it_to_the_daemon() -> None:
    found = settled(CONFIG, lambda text: "Operation not supported" if "@at_4" in text else None)
    assert found.decide == "daemon"
    assert found.warnings[-1] == (
        "decide: kernel is not possible here, so the daemon decides: Operation not supported"
    )


def test_a_kernel_that_takes_no_guard_at_all_is_told_of_by_others() -> None:
    assert settled(CONFIG, lambda _text: "No such file or directory") is CONFIG


def test_who_may_not_ask_changes_nothing() -> None:
    assert settled(CONFIG, lambda _text: "Operation not permitted") is CONFIG
