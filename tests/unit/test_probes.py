"""The doctor's judgements on facts: each finding where it is due, none on a healthy host."""

from __future__ import annotations

import stat
from pathlib import Path
from typing import Any

import pytest
from attrs import evolve

from portress.config.model import Authenticator, Config, Door, Rotating
from portress.doctor.probe import clock, files, kernel, upkeep
from portress.doctor.probe.finding import Finding, ordered
from portress.errors import Mistake
from portress.guard.ruleset import build
from portress.knock import SECOND, TCP, UDP, Knock, Sequence, Service
from portress.run import status_answer as answers

SSH = Door(
    "ssh",
    (Service.parse("tcp/22"),),
    8 * 3600 * SECOND,
    fixed=Sequence(tuple(map(Knock.parse, ("tcp/4617", "udp/2953", "tcp/6381"))), 60 * SECOND),
)
VPN = Door(
    "vpn",
    (Service.parse("udp/51820"),),
    24 * 3600 * SECOND,
    rotating=Rotating((20000, 29999), (TCP, UDP), 4, 10 * SECOND, 1),
)
CODE = evolve(VPN, name="code", rotating=None, authenticator=Authenticator(30000, 30 * SECOND, 1))
CONFIG = Config({"ssh": SSH})
ALL = Config({"ssh": SSH, "vpn": VPN, "code": CODE})


def names(findings: Any) -> list[str]:
    found = list(findings)
    for finding in found:
        assert finding.what
        assert finding.why
        assert finding.do
    return [finding.name for finding in found]


# The clock


@pytest.mark.parametrize(
    ("skew", "error", "wrong"),
    [(1, 14.9, False), (1, 15.1, True), (2, 29, False), (0, 0.9, False), (0, 1.1, True)],
)
def test_a_clock_may_be_off_by_half_of_what_the_steps_allow(skew: int, error: float, wrong: bool) -> None:
    assert VPN.rotating is not None
    door = evolve(VPN, rotating=evolve(VPN.rotating, skew=skew))
    found = names(clock.judge(Config({"vpn": door}), clock.ClockState(True, error)))
    assert found == (["clock-error"] if wrong else [])


def test_a_clock_that_nothing_steers_matters_where_sequences_rotate() -> None:
    loose = clock.ClockState(False, 16.0)
    assert names(clock.judge(CONFIG, loose)) == []
    assert names(clock.judge(ALL, loose)) == ["clock-unsynchronised"] * 2
    assert names(clock.judge(ALL, None)) == []


# Files


def file(role: files.Role, mode: int, above: tuple[str, ...] = ()) -> files.File:
    kind = stat.S_IFDIR if role == "state" else stat.S_IFREG
    return files.File(role, f"/etc/portress/{role}", kind | mode, 0, above)


@pytest.mark.parametrize(
    ("role", "mode", "expected"),
    [
        ("configuration", 0o640, []),
        ("configuration", 0o644, ["configuration-readable"]),
        ("configuration", 0o646, ["configuration-writable"]),
        ("keyholders", 0o600, []),
        ("keyholders", 0o640, ["keyholders-group"]),
        ("keyholders", 0o604, ["keyholders-readable"]),
        ("state", 0o755, []),
        ("state", 0o777, ["state-writable"]),
        ("ledger", 0o600, []),
        ("ledger", 0o644, ["ledger-readable"]),
        ("socket", 0o660, []),
        ("socket", 0o666, ["socket-writable"]),
    ],
)
def test_a_files_mode_lets_others_in_or_not(role: files.Role, mode: int, expected: list[str]) -> None:
    assert names(files.judge(CONFIG, [file(role, mode)])) == expected


def test_a_configuration_without_sequences_may_be_read() -> None:
    assert names(files.judge(Config({"vpn": VPN}), [file("configuration", 0o644)])) == []


def test_a_file_in_a_directory_of_others_is_theirs(tmp_path: Path) -> None:
    folder = tmp_path / "etc"
    folder.mkdir(mode=0o755)
    (folder / "portress.yaml").touch(mode=0o600)
    place: tuple[files.Role, Path] = ("configuration", folder / "portress.yaml")
    (before,) = files.read([place])
    folder.chmod(0o777)
    (after,) = files.read([place])
    folder.chmod(0o1777)
    (sticky,) = files.read([place])
    assert set(after.above) - set(before.above) == {str(folder)}
    assert sticky.above == before.above
    assert names(files.judge(CONFIG, [after]))[0] == "configuration-replaceable"
    assert files.read([("ledger", tmp_path / "none")]) == ()


# Kernel and watchers


HEALTHY = kernel.Kernel(
    "6.18", (1, 0, 6), {}, {"packet": None, "journal": None, "counter": None}, None, False
)


def test_a_kernel_that_has_everything_draws_no_finding() -> None:
    for watch in ("packet", "journal", "counter"):
        assert names(kernel.judge(evolve(CONFIG, watch=watch), HEALTHY)) == []


def test_what_the_guard_needs_and_the_kernel_lacks_is_told() -> None:
    poor = evolve(HEALTHY, missing={"reject": "No such file or directory", "connection tracking": "the same"})
    assert names(kernel.judge(CONFIG, poor)) == ["kernel-feature"]
    assert names(kernel.judge(evolve(CONFIG, closed="reject"), poor)) == ["kernel-feature"] * 2


def test_a_watcher_that_does_not_work_is_told_with_one_that_does() -> None:
    poor = evolve(
        HEALTHY, watchers={"packet": "this kernel has none", "journal": "no journal", "counter": None}
    )
    (finding,) = kernel.judge(CONFIG, poor)
    assert (finding.name, finding.do) == ("watcher", "write watch: counter")
    assert "this kernel has none" in finding.what
    assert names(kernel.judge(evolve(CONFIG, watch="counter"), poor)) == []


def test_an_old_nft_and_a_refused_guard_are_told() -> None:
    assert names(kernel.judge(CONFIG, evolve(HEALTHY, nft=(0, 9, 8)))) == ["nft-old"]
    assert names(kernel.judge(CONFIG, evolve(HEALTHY, nft=(1, 1, 3)))) == []
    assert names(kernel.judge(CONFIG, evolve(HEALTHY, refused="Operation not supported"))) == [
        "guard-refused"
    ]


def test_the_facts_name_each_watcher_and_why_it_does_not_work() -> None:
    told = {
        fact.subject: fact.told for fact in kernel.facts(evolve(HEALTHY, watchers={"journal": "no journal"}))
    }
    assert told["watch: journal"] == "does not work here: no journal"
    assert told["nft"] == "1.0.6"


# Guard and daemon


def state(config: Config = CONFIG, **more: Any) -> upkeep.Upkeep:
    daemon = {
        "pid": 7,
        "version": "1",
        "watch": config.watch,
        "doors": [answers.door(door, 3, 0.0) for door in config.doors.values()],
        "ledger": {"present": True},
    }
    facts: dict[str, Any] = {
        "guard": upkeep.expected(build(config, ())),
        "away": False,
        "daemon": daemon,
        "silent": None,
        "locked": True,
        "socket": "/run/portress/control.sock",
        "group": 7,
        **more,
    }
    return upkeep.Upkeep(**facts)


def test_guard_and_daemon_that_agree_with_the_configuration_draw_no_finding() -> None:
    assert names(upkeep.judge(CONFIG, state())) == []
    assert names(upkeep.judge(ALL, state(ALL))) == []


def test_a_guard_that_is_not_there_is_told() -> None:
    assert names(upkeep.judge(CONFIG, state(guard=None))) == ["guard-missing"]
    (finding,) = upkeep.judge(CONFIG, state(guard=None, away=True))
    assert "removed with portress unguard" in finding.what


def test_a_guard_of_another_configuration_is_told() -> None:
    old = state(evolve(CONFIG, closed="reject"))
    assert names(upkeep.judge(CONFIG, old)) == ["guard-differs"]


def test_a_guard_whose_rules_others_changed_is_told_with_the_chain() -> None:
    right = upkeep.expected(build(CONFIG, ()))
    changed = evolve(right, shape={**right.shape, "door_ssh": (("accept",), *right.shape["door_ssh"])})
    (finding,) = upkeep.judge(CONFIG, state(guard=changed))
    assert (finding.name, "door_ssh" in finding.what) == ("guard-changed", True)
    moved = evolve(right, base=(("entry", "filter", "prerouting", "-90", "accept"),))
    (finding,) = upkeep.judge(CONFIG, state(guard=moved))
    assert "its hook" in finding.what


@pytest.mark.parametrize(
    "other",
    [
        evolve(CONFIG, watch="counter"),
        Config({"ssh": evolve(SSH, stay=SECOND)}),
        Config({"ssh": evolve(SSH, linger=False)}),
        Config({"ssh": SSH, "vpn": VPN}),
    ],
)
def test_a_daemon_that_runs_another_configuration_is_told(other: Config) -> None:
    daemon = state(other).daemon
    assert names(upkeep.judge(CONFIG, state(daemon=daemon))) == ["daemon-differs"]


def test_a_daemon_that_does_not_answer_is_told_with_what_is_known() -> None:
    (finding,) = upkeep.judge(CONFIG, state(daemon=None))
    assert "none answers at /run/portress/control.sock" in finding.what
    (finding,) = upkeep.judge(CONFIG, state(daemon=None, silent="no answer within 5 s"))
    assert "no answer within 5 s" in finding.what
    (finding,) = upkeep.judge(CONFIG, state(daemon=None, locked=False, group=None))
    assert finding.what == "the daemon does not run"


def test_a_packet_log_group_that_another_program_has_is_told() -> None:
    alone = state(daemon=None, locked=False)
    assert names(upkeep.judge(CONFIG, alone)) == ["daemon-missing", "group-taken"]
    counting = evolve(CONFIG, watch="counter")
    alone = state(counting, daemon=None, locked=False)
    assert names(upkeep.judge(counting, alone)) == ["daemon-missing"]


def test_a_daemon_without_a_ledger_is_told() -> None:
    daemon = {**(state().daemon or {}), "ledger": {"present": False}}
    assert names(upkeep.judge(CONFIG, state(daemon=daemon))) == ["ledger-missing"]


# All together


def test_errors_come_before_warnings_and_nothing_twice() -> None:
    error, warning = Finding("x", "error", "a", "b", "c"), Finding("x", "warning", "a", "b", "c")
    assert list(ordered([warning, error, warning])) == [error, warning]


def test_a_kernel_that_may_not_be_asked_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    class Refusing:
        def set_json_output(self, _: bool) -> None: ...

        def cmd(self, _: str) -> tuple[int, str, str]:
            return -1, "", "Error: cache initialization failed: Operation not permitted"

    monkeypatch.setattr("portress.doctor.probe.kernel.Nft", Refusing)
    with pytest.raises(Mistake, match="takes CAP_NET_ADMIN: run it as root"):
        kernel.read(CONFIG)
