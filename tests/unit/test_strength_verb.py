"""`portress strength`: what it reads, and what it does with its options."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from portress.commands.strength import strength, surroundings
from portress.errors import Mistake
from portress.knock import Knock

CONFIG = """
doors:
  ssh:
    services: [tcp/22]
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 60s}
  vpn:
    services: [udp/51820]
    rotating: {pool: 20000-29999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
"""
KEYHOLDERS = """
- {name: ana, doors: [vpn], secret: GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ, style: derived}
- {name: bo, doors: [vpn], secret: MZXW6YTBOJRGC6TIMVWGY33XN5ZGYZDB, style: derived}
- {name: cy, doors: [vpn], secret: NBSWY3DPEB3W64TMMQQGC3TEEBQWY3DT, style: derived, until: 2020-01-31}
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    for name, text in (("portress.yaml", CONFIG), ("keyholders.yaml", KEYHOLDERS)):
        (tmp_path / name).write_text(text)
        (tmp_path / name).chmod(0o600)
    return tmp_path / "portress.yaml"


def run(config: Path, *words: str) -> Result:
    return CliRunner().invoke(strength, ["--config", str(config), *words])


def values(config: Path, *words: str) -> Any:
    return json.loads(run(config, "--json", *words).stdout)


def test_it_counts_the_keyholders_who_may_come_in_today(config: Path) -> None:
    assert values(config)["doors"][1]["keyholders"] == 2


def test_hours_are_said_and_do_not_flatter_the_figures(config: Path) -> None:
    before = values(config)["doors"][0]
    windows = '{days: mon-fri, from: "06:00", to: "20:00", zone: Europe/Berlin}'
    config.write_text(
        CONFIG.replace("    services: [tcp/22]", f"    services: [tcp/22]\n    hours: {windows}")
    )
    after, other = values(config)["doors"]
    assert (before["hours_a_week"], after["hours_a_week"], other["hours_a_week"]) == (168, 70, 168)
    assert {**after, "hours_a_week": 168} == before
    assert run(config).stdout.count("rated as if always open") == 1
    details = " ".join(run(config, "--details").stdout.split())
    assert details.count("70 of 168 hours a week; the figures are for a door that is always open") == 1


def test_the_attack_is_the_one_asked_for(config: Path) -> None:
    attack = values(config, "--sources", "7", "--rate", "20", "--link", "100M")["attack"]
    assert attack == {
        "sources": 7,
        "packets_per_second_each": 20,
        "line_bits_per_second": 1e8,
        "line_frames_per_second": pytest.approx(148_809.5, abs=0.1),
    }


@pytest.mark.parametrize("words", [("--link", "fast"), ("--link", "0"), ("--rate", "0"), ("--sources", "0")])
def test_an_attack_that_cannot_be_is_wrong_usage(config: Path, words: tuple[str, str]) -> None:
    result = run(config, *words)
    assert result.exit_code == 2
    assert words[0] in result.output


def test_a_chart_is_drawn_beside_or_instead_of_the_text(config: Path, tmp_path: Path) -> None:
    result = run(config, "--chart", str(tmp_path / "chart.svg"))
    assert result.stdout == f"{tmp_path}/chart.svg: 2 curves of the chance of a break-in over time\n"
    assert values(config, "--chart", str(tmp_path / "again.svg"))["doors"]
    assert (tmp_path / "again.svg").exists()


def test_a_configuration_with_mistakes_is_told_as_such(config: Path) -> None:
    config.write_text("doors: {}\n")
    assert isinstance(run(config).exception, Mistake)


def test_what_the_host_says_of_ports_is_read(tmp_path: Path) -> None:
    (tmp_path / "services").write_text(
        "# comment\nssh\t22/tcp\t# shell\nntp 123/udp\nodd\nsctp 22/sctp\nsecure 22/tcp\n"
    )
    (tmp_path / "range").write_text("32768\t60999\n")
    found = surroundings(tmp_path / "services", tmp_path / "range")
    assert found.services == {Knock.parse("tcp/22"): "ssh", Knock.parse("udp/123"): "ntp"}
    assert found.ephemeral == (32768, 60999)


def test_what_the_host_does_not_say_is_left_out(tmp_path: Path) -> None:
    found = surroundings(tmp_path / "none", tmp_path / "none")
    assert (dict(found.services), found.ephemeral) == ({}, None)


def test_the_ephemeral_range_of_this_very_host_is_known() -> None:
    first, last = Path("/proc/sys/net/ipv4/ip_local_port_range").read_text().split()
    assert surroundings().ephemeral == (int(first), int(last))


@pytest.mark.parametrize("rate", ["nan", "inf", "0", "-1", "1e-300", "fast"])
def test_a_rate_that_is_none_is_refused(config: Path, rate: str) -> None:
    done = run(config, "--rate", rate)
    assert (done.exit_code, "Invalid value for '--rate'" in done.output) == (2, True)


@pytest.mark.parametrize("length", [61, 200])
def test_sequences_longer_than_a_float_can_count_are_strong(config: Path, length: int) -> None:
    knocks = ", ".join(f"tcp/{1500 + 137 * number}" for number in range(length))
    config.write_text(CONFIG.replace("tcp/4617, udp/2953, tcp/6381", knocks))
    found = values(config)["doors"][0]
    assert found["grade"] == "strong"
    assert found["searches"][0]["sequences"] == math.perm(131070, length)
    assert found["searches"][0]["expected_seconds"]["one_source"] is None
    shown = run(config, "--details").output
    assert f"= {math.log2(math.perm(131070, length)):.1f} bits: every port" in shown
    assert "over 1e300 years" in shown
