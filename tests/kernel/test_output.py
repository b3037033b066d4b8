"""The JSON of every verb is what `shared/portress-output.schema.json` says (JSON Schema 2020-12), with a
daemon and without, whether there is much, little or nothing to tell.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from kernel.test_rotating import holders, sequence
from lab import World, daemon, sender, sshd, world
from lab.capture import capture
from lab.portress import Daemon
from lab.shapes import CHECK, SCHEMA, against
from portress.commands import VERBS

RIGHT = ("tcp/4617", "udp/2953", "tcp/6381")
CONFIG = """\
misses: {limit: 2, within: 10m, shun: 30m}
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 30s}
  vpn:
    services: [tcp/2222]
    stay: 1h
    hours: {days: mon-sun, from: "00:00", to: "24:00", zone: UTC}
    rotating: {pool: 20000-49999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
    paper: {sequences: 4}
  app:
    services: [tcp/8443]
    authenticator: {base: 21000}
"""
SILENT = {"guard", "unguard", "run", "knock"}  # print no data


def told(d: Daemon, verb: str, *words: str, code: int = 0, of: str = "") -> Any:
    """The JSON that a verb prints, held against the schema."""
    done = d.verb(verb, "--json", *words, check=False)
    assert done.returncode == code, (verb, words, done.stdout, done.stderr)
    return against(of or verb, json.loads(done.stdout))


def listed(d: Daemon, verb: str, name: str, *words: str) -> list[Any]:
    """The lines of --json-lines: the things of the list `name`, each an object of its own."""
    lines = [json.loads(line) for line in d.verb(verb, "--json-lines", *words).stdout.splitlines()]
    assert lines and all(isinstance(one, dict) for one in lines)
    for one in lines:
        CHECK({"$ref": f"#/$defs/{verb}/properties/{name}/items", "$defs": SCHEMA["$defs"]}).validate(one)
    return lines


def test_the_schema_is_one_and_describes_every_verb_that_prints_data() -> None:
    CHECK.check_schema(SCHEMA)
    assert set(VERBS) - SILENT <= set(SCHEMA["$defs"])
    for name in set(VERBS) - SILENT:
        shape = SCHEMA["$defs"][name]
        for one in shape.get("oneOf", [shape]):
            assert one["type"] == "object" and one["additionalProperties"] is False
            assert set(one["required"]) == set(one["properties"]) or name == "follow"


@pytest.mark.parametrize("decide", ["kernel", pytest.param("daemon", marks=pytest.mark.wide)])
def test_every_verbs_json_is_what_the_schema_says(decide: str) -> None:
    settled = f"decide: {decide}\n{CONFIG}"
    with (
        world() as w,
        sshd(w.host),
        daemon(w.host, settled, keyholders=holders(["ana", "ben"])) as d,
        sender(w.stranger) as send,
        sender(w.another) as other,
        capture(w.host, "not icmp6") as link,
    ):
        _busy(w, d, send, other)
        _with_a_daemon(w, d)
        told(d, "trace", str(link.stop()))
        told(d, "trace", "--source", w.stranger4, str(link.path))
        told(d, "trace", "--source", "192.0.2.77", str(link.path), code=1)
        with_one = told(d, "status")
        d.kill()
        without = told(d, "status")
        assert set(with_one) == set(without)
        assert set(with_one["doors"][0]) == set(without["doors"][0])
        told(d, "admit", w.another4, "ssh")
        told(d, "dismiss", w.another4)
        told(d, "doctor", code=1)
        told(d, "unenrol", "ben")


def _busy(w: World, d: Daemon, send: Any, other: Any) -> None:
    """One of everything: admissions of all kinds, a caller, a shunned source, misses, a replay."""
    send.knocks(w.stranger4, w.host4, RIGHT)
    d.wait_for("admitted", w.stranger4)
    knocks = sequence("ana", time.time())
    send.knocks(w.stranger6, w.host6, knocks)
    d.wait_for("keyholder ana")
    other.knocks(w.another6, w.host6, knocks)
    d.wait_for("replay")
    for _ in range(2):
        other.knocks(w.another4, w.host4, [RIGHT[0], "tcp/1"])
    d.wait_for("shunned")
    send.knocks("192.0.2.1", w.host4, RIGHT[:2])
    time.sleep(0.5)


def _with_a_daemon(w: World, d: Daemon) -> None:
    status = told(d, "status")
    assert status["totals"]["admissions"] == len(status["admissions"]) == 2
    assert told(d, "status", "--limit", "1")["totals"]["admissions"] == 2
    assert (status["totals"]["callers"], status["totals"]["shunned"]) == (1, 1)
    told(d, "status", "--source", "192.0.2.0/24", code=1)
    assert len(listed(d, "status", "admissions")) == 2
    for source in (w.stranger4, w.stranger6, w.another4, w.another6, "192.0.2.1"):
        told(d, "why", source)
    told(d, "why", "203.0.113.9")
    for words in ([], ["--limit", "1"], ["--door", "ssh"]):
        assert told(d, "history", *words)["totals"]["admissions"]
    told(d, "history", "--keyholder", "nobody", code=1)
    listed(d, "history", "admissions")
    assert told(d, "keyholders")["totals"] == {"keyholders": 2}
    listed(d, "keyholders", "keyholders")
    told(d, "keyholders", "--keyholder", "nobody", code=1)
    told(d, "check")
    told(d, "rules")
    told(d, "strength")
    told(d, "doctor")
    listed(d, "doctor", "findings")
    told(d, "admit", w.another6, "ssh")
    told(d, "enrol", "cyd", "--door", "vpn", "--host", "198.51.100.1", "--until", "2099-01-31")
    told(d, "enrol", "cyd", "--door", "vpn", "--host", "198.51.100.1", "--paper", of="enrol")
    told(d, "enrol", "dan", "--door", "app", "--host", "198.51.100.1")
    told(d, "unenrol", "ana")
    _followed(w, d)
    assert told(d, "dismiss", "--door", "ssh")["totals"]["dismissed"] == 1
    assert d.verb("dismiss", "--json", "--door", "ssh", check=False).returncode == 1


def _followed(w: World, d: Daemon) -> None:
    program = str(Path(sys.prefix, "bin", "portress"))
    follow = d.ns.popen([program, "follow", *d.options, "--json"], stdout=subprocess.PIPE)
    assert follow.stdout is not None
    try:
        while not told(d, "status")["followers"]:
            time.sleep(0.05)
        told(d, "dismiss", w.another6)
        against("follow", json.loads(follow.stdout.readline()))
    finally:
        follow.terminate()
        follow.wait(10)
