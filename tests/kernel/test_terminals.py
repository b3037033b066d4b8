"""Every screen on a terminal: nothing is wider than it, at 80 columns and at 120, and no row of a table takes
two lines at 80. Command lines that are to be copied stay whole, however long.
"""

from __future__ import annotations

import json
import re
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from kernel.test_rotating import holders, sequence
from lab import World, daemon, sender, sshd, world
from lab.capture import capture
from lab.portress import Daemon
from lab.terminal import left, on_terminal
from portress.commands import VERBS

PROGRAM = str(Path(sys.prefix, "bin", "portress"))
RIGHT = ("tcp/4617", "udp/2953", "tcp/6381")
CONFIG = """\
always: [203.0.113.0/24]
misses: {limit: 5, within: 10m, shun: 30m}
doors:
  ssh:
    services: [tcp/22]
    stay: 8h
    linger: false
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 30s}
  vpn:
    services: [tcp/2222]
    stay: 1h
    hours: {days: mon-sun, from: "00:00", to: "24:00", zone: Europe/Berlin}
    places: 1
    rotating: {pool: 20000-49999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
    paper: {sequences: 4}
  wiki:
    services: [tcp/8443, udp/8443]
    stay: 1h
    fixed: {knocks: [tcp/5117, udp/7342, tcp/3219], gap: 30s}
  app:
    services: [tcp/8444]
    authenticator: {base: 21000}
"""
LONG = "2001:db8:1234:5678:9abc:def0:1234:5678"
# What is copied as a whole: command lines, addresses, a QR code's text.
COPIED = re.compile(
    r"\s*(ssh |\(p=tcp;|\$a=\[Net|otpauth:|#ey|portress-knock --to|(Linux, macOS|Windows): +ssh )"
)


@pytest.fixture(scope="module")
def busy() -> Iterator[tuple[World, Daemon, str]]:
    """A host with something of everything, and a capture of how it came to that."""
    with (
        world() as w,
        sshd(w.host),
        daemon(w.host, CONFIG, keyholders=holders(["ana", "ben"])) as d,
        sender(w.stranger) as send,
        capture(w.host, "not icmp6") as link,
    ):
        send.knocks(w.stranger4, w.host4, RIGHT)
        d.wait_for("admitted", w.stranger4)
        send.knocks(w.stranger6, w.host6, sequence("ana", time.time()))
        d.wait_for("keyholder ana")
        d.verb("admit", LONG, "wiki", "--for", "30m")
        send.knocks("192.0.2.7", w.host4, [*RIGHT[:2], "tcp/6382", *RIGHT[:2]])
        for _ in range(5):
            send.knocks("192.0.2.9", w.host4, [RIGHT[0], "tcp/1"])
        d.wait_for("shunned", "192.0.2.9")
        yield w, d, str(link.stop())


SCREENS: list[list[str]] = [
    ["status"],
    ["status", "--door", "wiki"],
    ["status", "--source", "192.0.2.0/24"],
    ["history"],
    ["history", "--source", "192.0.2.200"],
    *(["why", one] for one in ("STRANGER", "192.0.2.7", "192.0.2.9", "203.0.113.9", "192.0.2.200", LONG)),
    ["trace", "CAPTURE"],
    ["trace", "--source", "192.0.2.7", "CAPTURE"],
    ["keyholders"],
    ["check"],
    ["strength"],
    ["strength", "--details"],
    ["strength", "--sources", "1000000000", "--rate", "1000000", "--details"],
    ["doctor"],
    ["guard", "--keep"],
    ["guard", "--trial", "1h"],
    ["guard", "--keep"],
    ["enrol", "NAME", "--door", "vpn", "--host", "gate.example.org"],
    ["enrol", "NAME", "--door", "vpn", "--host", "gate.example.org", "--paper"],
    ["enrol", "APP", "--door", "app", "--host", "gate.example.org"],
    ["enrol", "PHONE", "--door", "app", "--host", "gate.example.org", "--phone"],
    ["enrol", "NAME", "--door", "nowhere"],
    ["unenrol", "NAME"],
    ["admit", LONG, "ssh"],
    ["dismiss", LONG],
    ["dismiss", "192.0.2.200"],
    ["check", "--config", "/nowhere/at/all/in/a/folder/whose/name/is/long/portress.yaml"],
    ["status", "--config"],
    ["statsu"],
    *([verb, "--help"] for verb in VERBS),
    ["--help"],
]


@pytest.mark.parametrize("columns", [80, pytest.param(120, marks=pytest.mark.wide)])
def test_nothing_is_wider_than_the_terminal(busy: tuple[World, Daemon, str], columns: int) -> None:
    w, d, file = busy
    names = {"STRANGER": w.stranger4, "CAPTURE": file}
    names |= {one: f"{one.lower()}{columns}" for one in ("NAME", "APP", "PHONE")}
    for words in SCREENS:
        words = [names.get(word, word) for word in words]
        own = [] if {"--help", "--config", "statsu"} & {*words} else d.options
        printed, _ = on_terminal(w.host, [PROGRAM, *words, *own], columns)
        lines = left(printed)
        assert "Traceback" not in printed, printed
        wide = [one for one in lines if len(one.rstrip()) > columns and not COPIED.match(one)]
        unbroken = [one for one in wide if len(one.split()) > 1]  # a path may be longer than any terminal
        assert not unbroken, (words, unbroken)


def test_no_row_of_a_table_takes_two_lines_at_80_columns(busy: tuple[World, Daemon, str]) -> None:
    w, d, _ = busy
    for verb, listed in (
        ("status", ("doors", "admissions", "callers")),
        ("history", ("admissions",)),
        ("keyholders", ("keyholders",)),
    ):
        told = json.loads(d.verb(verb, "--json").stdout)
        rows = sum(len(told[name]) for name in listed)
        printed, _ = on_terminal(w.host, [PROGRAM, verb, *d.options])
        lines = left(printed)
        ruled = [number for number, one in enumerate(lines) if one.startswith("──")]
        found = 0
        for number in ruled:
            table = lines[number + 1 :]
            found += next(place for place, one in enumerate(table) if not one or re.match(r"\w+: ", one))
        assert found == rows, printed


def test_colour_is_for_meaning_and_left_out_where_there_is_none(busy: tuple[World, Daemon, str]) -> None:
    """no-color.org; and a pipe gets none."""
    w, d, _ = busy
    coloured, _ = on_terminal(w.host, [PROGRAM, "strength", *d.options])
    assert "\x1b[1;31mvery weak" in coloured
    plain, _ = on_terminal(w.host, ["env", "NO_COLOR=1", PROGRAM, "strength", *d.options])
    assert not re.search(r"\x1b\[[0-9;]*3[0-7]m", plain)
    assert "\x1b" not in d.verb("strength").stdout
