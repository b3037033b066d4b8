"""The doctor: everything that is wrong on this host, and what is worth knowing of it.

In: the configuration and where the daemon's things are. Out: findings, each with what it is, why it matters
and what to do; and facts. It looks with the probes of `probe/`, and changes nothing.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

from attrs import frozen

from portress.config.model import Config
from portress.control import ask
from portress.doctor.probe import (
    bypass,
    clock,
    files,
    fleet,
    flushing,
    kernel,
    links,
    others,
    rules,
    sockets,
    upkeep,
)
from portress.doctor.probe.finding import Fact, Finding, ordered
from portress.errors import Mistake
from portress.keyholders import file as keyholding
from portress.paths import Paths


@frozen
class Examination:
    """What the doctor found."""

    facts: tuple[Fact, ...]
    findings: tuple[Finding, ...]

    @property
    def healthy(self) -> bool:
        """Whether there is no error; there may be warnings."""
        return all(one.severity != "error" for one in self.findings)


def examine_without(mistake: Mistake, paths: Paths) -> Examination:
    """What can be told of this host where the configuration cannot be used, as before there is one.

    Raises Mistake if the host may not be looked at.
    """
    nothing = Config(doors={})
    facts = (
        *kernel.facts(kernel.read(nothing)),
        *rules.facts(rules.read()),
        *upkeep.facts(upkeep.read(nothing, paths)),
        *clock.facts(clock.read()),
    )
    why = _instead(paths)
    return Examination(
        facts,
        tuple(
            Finding("configuration-refused", "error", line, why, "fix it: portress check; man portress.yaml")
            for line in mistake.lines
        ),
    )


def _instead(paths: Paths) -> str:
    """What is in force while the files cannot be used."""
    try:
        told = ask(paths.socket, "status", most=0)
    except Mistake:
        return "neither the guard nor the daemon can be started from the file as it is"
    if told.get("as_configured", True):
        return "the daemon keeps the configuration it loaded before; it cannot reload this one"
    return "the daemon is running the last good configuration: the current files are invalid"


def examine(config: Config, paths: Paths) -> Examination:
    """Look at this host, in this thread's network namespace. Raises Mistake if it may not be looked at."""
    core, time, state = kernel.read(config), clock.read(), upkeep.read(config, paths)
    place, listeners, fellows = links.read(), sockets.read(), fleet.read(config.fleet)
    served = frozenset(one.knock for one in listeners if not one.inside)
    tables = rules.read()
    around = others.Neighbourhood(config, tables, place, served)
    found: list[Finding] = [
        *upkeep.judge(config, state),
        *flushing.judge(flushing.read()),
        *kernel.judge(config, core),
        *others.judge(around),
        *bypass.judge(around, place),
        *links.judge(config, place),
        *sockets.judge(config, listeners, place, around.forwarded()),
        *clock.judge(config, time),
        *fleet.judge(fellows),
        *_files(config, paths),
    ]
    facts = (
        *kernel.facts(core),
        *rules.facts(tables),
        *upkeep.facts(state),
        *clock.facts(time),
        *fleet.facts(fellows),
    )
    return Examination(facts, tuple(ordered(found)))


def _files(config: Config, paths: Paths) -> Iterator[Finding]:
    """The modes of Portress's files, and keyholders that cannot be read."""
    holders = keyholding.locate(paths.config)
    places: tuple[tuple[files.Role, Path], ...] = (
        ("configuration", paths.config),
        ("keyholders", holders),
        ("state", paths.state),
        ("ledger", paths.ledger),
        ("socket", paths.socket),
    )
    found = list(files.judge(config, files.read(places)))
    yield from found
    if any(str(holders) in finding.what for finding in found):
        return  # it is refused for its mode, which is told
    try:
        present = keyholding.load(holders, config.doors)
        for line in keyholding.without_hope(config, present, time.time()):
            what, _, do = line.rpartition(": ")
            yield Finding("door-hopeless", "warning", what, "nobody can open it", do)
    except Mistake as mistake:
        for line in mistake.lines:
            yield Finding(
                "keyholders-refused",
                "error",
                line,
                _instead(paths),
                "fix it: portress check",
            )
