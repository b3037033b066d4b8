"""A finding: something on this host that keeps Portress from working or a door from being shut."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Literal

from attrs import evolve, frozen

Severity = Literal["error", "warning"]


@frozen
class Finding:
    """One thing that is wrong, in words for people.

    `name` is for programs and does not change: `guard-missing`. An error leaves a door open, or shut to those
    it is for; a warning is a weakness. `door` is None where it concerns all of them.
    """

    name: str
    severity: Severity
    what: str
    why: str
    do: str
    door: str | None = None
    opens: bool = False  # it leaves the door open to strangers


@frozen
class Fact:
    """Something worth knowing of the host that is not wrong: its subject, and what was seen."""

    subject: str
    told: str


def ordered(findings: Iterable[Finding]) -> Iterator[Finding]:
    """Errors first, each once, otherwise as they were found."""
    each = dict.fromkeys(findings)
    yield from (one for one in each if one.severity == "error")
    yield from (one for one in each if one.severity == "warning")


@frozen
class Group:
    """One finding and the doors it is about; none: it is about no door in particular."""

    finding: Finding
    doors: tuple[str, ...]


def grouped(findings: Iterable[Finding]) -> list[Group]:
    """The same finding of several doors as one, where the first of them was."""
    groups: dict[Finding, list[str]] = {}
    for one in findings:
        doors = groups.setdefault(evolve(one, door=None), [])
        if one.door is not None and one.door not in doors:
            doors.append(one.door)
    return [Group(finding, tuple(doors)) for finding, doors in groups.items()]
