"""Which doors are in fact open to strangers, for whatever reason: the guard gone, changed or asleep, an
exempt interface, a translation in front of it, a way round it.

In: the configuration in force; this asks the kernel as `doctor` does, and takes some milliseconds. Out: a
sentence for each door that is open, and nothing where all are shut.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from attrs import frozen

from portress.config.model import Config
from portress.doctor.probe import closed_ports, links, others, rules, upkeep
from portress.doctor.probe.finding import Finding
from portress.guard.closed import Answers


@frozen
class Seen:
    """Each open door and why it is open; and what this host's closed ports answer."""

    open: Mapping[str, str]
    answers: Answers


def probe(config: Config) -> Seen:
    """What is found in this thread's network namespace.

    Raises Mistake if this host may not be looked at.
    """
    place, tables = links.read(), rules.read()
    around = others.Neighbourhood(config, tables, place, frozenset())
    found = [*upkeep.judge_guard(config, upkeep.read_guard(), away=False), *others.judge(around)]
    answers = closed_ports.judged(config, tables, place)
    return Seen(of([*found, *links.judge(config, place)], config), answers)


def of(findings: Iterable[Finding], config: Config) -> dict[str, str]:
    """The doors that these findings leave open, each with the first reason. Pure."""
    found: dict[str, str] = {}
    for one in findings:
        if one.opens:
            for door in config.doors if one.door is None else (one.door,):
                found.setdefault(door, one.what)
    return found
