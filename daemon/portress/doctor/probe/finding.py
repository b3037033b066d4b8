"""A finding: something on this host that keeps Portress from working or a door from being shut."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final, Literal

from attrs import evolve, frozen

Severity = Literal["error", "warning"]
_GAP: Final = "\0"


@frozen
class Finding:
    """One thing that is wrong, in words for people.

    `name` is for programs and does not change: `guard-missing`. An error leaves a door open, or shut to those
    it is for; a warning is a weakness. `door` is None where it concerns all of them. `service` is the one
    that the words are about, where the same may be true of others.
    """

    name: str
    severity: Severity
    what: str
    why: str
    do: str
    door: str | None = None
    opens: bool = False  # it leaves the door open to strangers
    service: str | None = None


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
    """The same finding of several doors and services as one, where the first of them was."""
    alike: dict[tuple[object, ...], list[Finding]] = {}
    for one in findings:
        key = (one.name, one.severity, one.opens, *(_open(text, one) for text in (one.what, one.why)))
        alike.setdefault(key if one.service else (*key, one.do), []).append(one)
    return [_together(group) for group in alike.values()]


def _together(group: list[Finding]) -> Group:
    services = [*dict.fromkeys(one.service for one in group if one.service)]
    doors = tuple(dict.fromkeys(one.door for one in group if one.door is not None))
    first, listed = group[0], ", ".join(services)
    what, why = (_filled(_open(text, first), listed, len(services)) for text in (first.what, first.why))
    todo = dict.fromkeys(_open(one.do, one) for one in group)  # several: a command for each service
    do = "; ".join(_filled(text, listed, len(services)) for text in todo)
    return Group(evolve(first, what=what, why=why, do=do, door=None, service=None), doors)


def _open(text: str, finding: Finding) -> str:
    """The text with a gap where its service is named."""
    return text.replace(finding.service, _GAP) if finding.service else text


def _filled(text: str, services: str, count: int) -> str:
    """The text, about so many services."""
    if count > 1:
        text = text.replace(f"{_GAP} is ", f"{services} are ")
    return text.replace(_GAP, services)
