"""A finding: something on this host that keeps Portress from working or a door from being shut."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Literal

from attrs import frozen

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
