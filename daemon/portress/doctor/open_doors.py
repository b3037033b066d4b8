"""Which doors are in fact open to strangers, for whatever reason: the guard gone, changed or asleep, an
exempt interface, a translation in front of it, a way round it.

In: the configuration in force; this asks the kernel as `doctor` does, and takes some milliseconds. Out: a
sentence for each door that is open, and nothing where all are shut.
"""

from __future__ import annotations

from collections.abc import Iterable

from portress.config.model import Config
from portress.doctor.probe import links, others, rules, upkeep
from portress.doctor.probe.finding import Finding


def probe(config: Config) -> dict[str, str]:
    """Each open door and why it is open, in this thread's network namespace.

    Raises Mistake if this host may not be looked at.
    """
    place = links.read()
    around = others.Neighbourhood(config, rules.read(), place, frozenset())
    found = [*upkeep.judge_guard(config, upkeep.read_guard(), away=False), *others.judge(around)]
    return of([*found, *links.judge(config, place)], config)


def of(findings: Iterable[Finding], config: Config) -> dict[str, str]:
    """The doors that these findings leave open, each with the first reason. Pure."""
    found: dict[str, str] = {}
    for one in findings:
        if one.opens:
            for door in config.doors if one.door is None else (one.door,):
                found.setdefault(door, one.what)
    return found
