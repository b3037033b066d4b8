"""The guard in the kernel and the daemon that runs, against the configuration as it is now."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

from attrs import evolve, frozen

from portress import lock, units
from portress.config.model import Config
from portress.control import NoDaemon, ask
from portress.doctor.probe.finding import Fact, Finding
from portress.doctor.probe.kernel import groups
from portress.errors import Mistake
from portress.guard.closed import CLOSED, LABELS, LATE
from portress.guard.language import FAMILY, TABLE
from portress.guard.libnftables import Nft
from portress.guard.ruleset import Ruleset, build, render
from portress.paths import Paths
from portress.run import status_answer as answers
from portress.run.away import Away

Shape = Mapping[str, tuple[tuple[str, ...], ...]]  # chain -> its rules, each what it does in order

_CHAIN: Final = re.compile(r"^\tchain (\S+) \{\n(.*?)^\t\}", re.M | re.S)
_HEAD: Final = re.compile(r"\s*type (\S+) hook (\S+) priority (\S+); policy (\S+);")
_COMMENT: Final = re.compile(r' comment "(portress [^"]*)"')
_QUOTED: Final = re.compile(r'"[^"]*"')
_DEED: Final = re.compile(
    r"\b(?:accept|drop|reject|return|continue|queue|log|counter|limit|masquerade|set|[ds]nat|redirect|notrack"
    r"|(?:goto|jump) +\S+|(?:vmap|map|update|add|delete) +@\S+)"
)
_DORMANT: Final = re.compile(r"^\s*flags [^\n]*\bdormant\b", re.MULTILINE)
# The order of README, portress(1) and the installed configuration: nobody is locked out by it.
FIRST_STEPS: Final = (
    "portress guard --trial 5m; then systemctl start portress; knock and log in from a second terminal; "
    "then portress guard --keep; then systemctl enable portress"
)
_RELOAD: Final = "systemctl reload portress; without the service: portress guard"


@frozen
class Guard:
    """The table in the kernel: the comment that names its configuration, its rules' shape, its base chain."""

    comment: str | None
    shape: Shape
    base: tuple[Any, ...]
    dormant: bool = False  # the table is switched off: none of its rules is looked at


@frozen
class Upkeep:
    """What is found of guard and daemon; None: there is none."""

    guard: Guard | None
    away: bool  # guard removed by hand
    daemon: Mapping[str, Any] | None  # what it answers to `status`
    silent: str | None  # why a daemon that is there does not answer
    locked: bool  # some daemon holds the lock of this network namespace
    socket: str
    group: int | None  # who listens to the packet log group: a netlink port
    at_boot: bool | None = None  # whether a boot loads the guard; None: that cannot be told


def read(config: Config, paths: Paths) -> Upkeep:
    """Ask the kernel and the daemon."""
    daemon, silent = None, None
    try:
        daemon = ask(paths.socket, "status", most=0)
    except NoDaemon:
        pass
    except Mistake as mistake:
        silent = str(mistake)
    return Upkeep(
        read_guard(), Away(paths.socket).noted(), daemon, silent, lock.held(), str(paths.socket),
        groups().get(config.group), units.enabled(units.GUARD),
    )  # fmt: skip


def read_guard() -> Guard | None:
    """The guard in the kernel; None if there is none."""
    nft = Nft()
    nft.set_stateless_output(True)
    nft.set_numeric_prio_output(True)
    text = nft.bare(TABLE)
    if text is None:
        return None
    return evolve(_described(text), dormant=_DORMANT.search(text) is not None)


def _described(text: str) -> Guard:
    """The guard in an nft text: every chain is a block, every rule of it a line."""
    bodies = {name: body.splitlines() for name, body in _CHAIN.findall(text)}
    heads = {name: match for name, body in bodies.items() for line in body if (match := _HEAD.match(line))}
    comments = (_COMMENT.search(line) for body in bodies.values() for line in body)
    return Guard(
        next((match[1] for match in comments if match), None),
        {
            name: tuple(_deeds(line) for line in body if line.strip() and not _HEAD.match(line))
            for name, body in bodies.items()
        },
        tuple(sorted((name, *match.groups()) for name, match in heads.items())),
    )


# Without the conditions: nft leaves out those that others imply, some versions more than others.
def _deeds(rule: str) -> tuple[str, ...]:
    """What a rule does, in order."""
    return tuple(" ".join(deed.split()) for deed in _DEED.findall(_QUOTED.sub("", rule)))


def expected(rules: Ruleset) -> Guard:
    """What the kernel tells of the guard if it is as it should be."""
    return _described(render(rules))


def facts(upkeep: Upkeep) -> Iterator[Fact]:
    yield Fact("guard", "not loaded" if upkeep.guard is None else "loaded")
    if upkeep.daemon is not None:
        yield Fact("daemon", f"process {upkeep.daemon['pid']}, version {upkeep.daemon['version']}")


def judge(config: Config, upkeep: Upkeep) -> Iterator[Finding]:
    """Where guard, daemon and configuration disagree."""
    yield from judge_guard(config, upkeep.guard, away=upkeep.away)
    yield from _of_boot(upkeep)
    yield from _of_daemon(config, upkeep)


def judge_guard(config: Config, guard: Guard | None, *, away: bool) -> Iterator[Finding]:
    """What is wrong with the guard in the kernel. `away`: it was removed by command."""
    wanted = expected(build(config, ()))
    if guard is None:
        by_hand = ": it was removed with portress unguard" if away else ""
        yield Finding(
            "guard-missing",
            "error",
            f"the guard is not loaded{by_hand}",
            "every door is open: only the host's own firewall applies",
            "portress guard" if away else FIRST_STEPS,
            opens=True,
        )
    elif guard.dormant:
        yield Finding(
            "guard-dormant",
            "error",
            f"the guard is switched off: table {FAMILY} {TABLE} has the flag dormant",
            "every door is open: only the host's own firewall applies",
            "portress guard",
            opens=True,
        )
    elif guard.comment != wanted.comment:
        yield Finding(
            "guard-differs",
            "error",
            "the loaded guard is from another configuration",
            "what is guarded is not what is configured",
            _RELOAD,
            opens=True,
        )
    elif (_settled(guard), _bases(guard)) != (_settled(wanted), _bases(wanted)):
        yield _changed(guard, wanted)


def _settled(guard: Guard) -> Shape:
    """Its shape without what follows the host's other rules, as long as that refuses (`closed`), or only
    leaves refusing to a later chain (`late`)."""
    shape = dict(guard.shape)
    if CLOSED in shape and shape[CLOSED][-1:] == (("drop",),):
        rest = {deed for deed in shape[CLOSED] if deed not in (("reject",), ("drop",))}
        shape[CLOSED] = tuple(rest)
    if set(shape.get(LATE, ())) == {("accept",)}:
        shape[LATE] = ()
    if set(shape.get(LABELS, ())) == {("set",)}:
        del shape[LABELS]
    return shape


def _bases(guard: Guard) -> list[Any]:
    """Its base chains, but for one that lets everything through."""
    return [one for one in guard.base if one[0] != LABELS or one[-1] != "accept"]


def _changed(guard: Guard, wanted: Guard) -> Finding:
    """The finding that the guard's rules are not those that were loaded."""
    names = {**wanted.shape, **guard.shape}
    now, then = _settled(guard), _settled(wanted)
    chains = [name for name in names if now.get(name) != then.get(name)]
    return Finding(
        "guard-changed",
        "error",
        f"the guard's rules were changed ({', '.join(chains) or 'its hook'})",
        "doors may be open to everyone, or closed to admitted sources",
        f"portress guard; compare portress rules with: nft list table {FAMILY} {TABLE}",
        opens=True,
    )


def _of_boot(upkeep: Upkeep) -> Iterator[Finding]:
    if upkeep.guard is not None and upkeep.at_boot is False:
        yield Finding(
            "boot-open",
            "warning",
            f"{units.GUARD} is not enabled, so the guard is not loaded at boot",
            "after the next boot every door is open: only the host's own firewall applies",
            units.ENABLE,
        )


def _of_daemon(config: Config, upkeep: Upkeep) -> Iterator[Finding]:
    daemon = upkeep.daemon
    if daemon is None:
        yield _absent(upkeep)
        if config.watch == "packet" and upkeep.group is not None and not upkeep.locked:
            yield Finding(
                "group-taken",
                "error",
                f"packet log group {config.group} is in use by another program (netlink port {upkeep.group})",
                "the daemon cannot bind it and will not start",
                "give portress another one with group:, or that program",
            )
        return
    if differing := list(_differing(config, daemon)):
        yield Finding(
            "daemon-differs",
            "error",
            f"the daemon runs another configuration, which differs in {', '.join(differing)}",
            "what it opens, to whom and for how long is not what is configured",
            _RELOAD,
        )
    if not daemon.get("ledger", {}).get("present", True):
        yield Finding(
            "ledger-missing",
            "error",
            "the daemon has no ledger",
            "rotating sequences are refused, and admissions are not restored after a reboot",
            "see the daemon's log for the reason: journalctl -u portress",
        )
    elif refusing := daemon.get("refusing"):
        yield Finding(
            "uses-unknown",
            "warning",
            f"rotating sequences are refused for {refusing['left']:.0f} s: {refusing['why']}",
            "a recent sequence may have been used without the daemon knowing, and each may open only once",
            "wait; portress-knock's relay waits by itself",
        )


def _absent(upkeep: Upkeep) -> Finding:
    if upkeep.silent is not None:
        what, do = f"the daemon does not answer: {upkeep.silent}", "see its log: journalctl -u portress"
    elif upkeep.locked:
        what = f"a daemon runs, but none answers at {upkeep.socket}"
        do = "give its --socket, or restart it: systemctl restart portress"
    else:
        what, do = "the daemon does not run", "systemctl start portress, or portress run"
    return Finding("daemon-missing", "error", what, "knocks are not processed, so nobody is admitted", do)


def _lasting(door: dict[str, Any]) -> dict[str, Any]:
    """What is told of a door without what changes by itself."""
    kept = {key: (door.get("hours") or {}).get(key) for key in ("windows", "at_closing")}
    return {**door, "admitted": 0, "hours": kept}


def _differing(config: Config, daemon: Mapping[str, Any]) -> Iterator[str]:
    """What of the daemon's configuration, as far as it tells, is not in this one."""
    if daemon["watch"] != config.watch:
        yield "watch"
    theirs = {door["name"]: _lasting(door) for door in daemon["doors"]}
    ours = {
        name: _lasting(json.loads(json.dumps(answers.door(door, 0, 0.0))))
        for name, door in config.doors.items()
    }
    for name in {**ours, **theirs}:
        if ours.get(name) != theirs.get(name):
            yield f"door {name}"
