"""What a trace says of a capture or a journal is what the live daemon said when it heard the same packets.

Captures are tcpdump's, of the stranger's own link; journals are journald's, read as they lie, as journalctl
exports them and as systemd-journal-remote writes them again. The daemon's word is what it answers root to
`portress why`.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from lab import Sender, World, as_nobody, capture, crowd, daemon, one_processor, sender, until, world
from lab.journal import Journal, journald, namespaces_may_log
from lab.portress import Daemon, portress
from lab.space import Namespace, scratch
from portress import control
from portress.clock import step_at
from portress.config import load as configuration
from portress.sequence import rotating

JOURNAL_REMOTE = "/lib/systemd/systemd-journal-remote"
PREFIX = f"portress-trace-{os.getpid()}: "
GAP = 2.0  # seconds
LONG = 4.5  # longer than the gap, also for a daemon that is held up
SECRETS = {"ana": b"a secret of twenty b", "ben": b"another secret of 20", "eva": b"and a third one of 2"}
CONFIG = """\
watch: {watch}
journal: {{prefix: "{prefix}"}}
misses: {{limit: 4, within: 10m, shun: 30m}}
public: [tcp/80]
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {{knocks: [tcp/4617, udp/2953, tcp/6381], gap: 2s}}
  web:
    services: [tcp/443]
    stay: 2h
    fixed: {{knocks: [tcp/4617, udp/2953, udp/7342, tcp/5117], gap: 2s}}
  vpn:
    services: [udp/51820]
    stay: 1h
    rotating: {{pool: 20000-29999, protocols: [tcp, udp], length: 4, gap: 2s, skew: 1}}
"""
KEYHOLDERS = "".join(
    f"- {{name: {name}, doors: [vpn], secret: {base64.b32encode(secret).decode()}, style: derived}}\n"
    for name, secret in SECRETS.items()
)
FIXED = ("tcp/4617", "udp/2953", "tcp/6381")
LONGER = ("tcp/4617", "udp/2953", "udp/7342", "tcp/5117")
Told = tuple[Any, ...]


def config(watch: str = "packet") -> str:
    return CONFIG.format(watch=watch, prefix=PREFIX)


def derived(name: str, away: int = 0) -> tuple[str, ...]:
    rule = configuration.parse(config(), "portress.yaml").doors["vpn"].rotating
    assert rule is not None
    step = step_at(time.time()) + away
    return tuple(str(knock) for knock in rotating.derive(SECRETS[name], "vpn", rule, step).knocks)


def scripts(rng: random.Random, sources: list[str]) -> dict[str, list[str]]:
    """What each source knocks, one knock a round; "" is a round of silence, "…" one that is too long."""
    anas, bens, ahead, evas = derived("ana"), derived("ben"), derived("ben", 1), derived("eva")
    ways: list[list[str]] = [
        [*FIXED],
        [*FIXED, "tcp/22", *LONGER],
        [*LONGER],
        [FIXED[0], FIXED[0], FIXED[1], FIXED[0], FIXED[2]],
        [FIXED[0], FIXED[2], FIXED[1]],
        [FIXED[0], "tcp/2953", *FIXED],
        [*FIXED[:2], "…", FIXED[2], *FIXED],
        [FIXED[0], "…", FIXED[0], FIXED[1]],
        [FIXED[0], "tcp/80", "udp/51820", FIXED[1], "udp/1", FIXED[1]],
        [FIXED[0], "tcp/1"] * 5,
        ["tcp/1", "udp/2", "tcp/3"],
        ["udp/2953", *FIXED],
        [*anas],
        [*anas[:3], "…", anas[3], *anas],
        [*evas, *evas],
        [*bens],
        [*bens[:2], FIXED[0], *bens],
        # Later: an older step is refused once the daemon has heard of the use of a newer one.
        ["…", *ahead],
        [bens[0], bens[2], *bens],
    ]
    told = {}
    for source, way in zip(sources, [*ways, *(rng.choice(ways) for _ in sources)], strict=False):
        told[source] = [""] * rng.randrange(3) + way
    for source in sources[len(ways) :: 3]:  # and some that knock at random
        knocks = [rng.choice((*FIXED, *LONGER, "tcp/9", "")) for _ in range(10)]
        told[source] = [*knocks[:4], "…", *knocks[4:7], "…", *knocks[7:]]
    return told


def say(d: Daemon, send: Sender, w: World, told: dict[str, list[str]]) -> None:
    """All sources at once, round by round: each up to its first "…", then up to the second, and so on."""
    parts = {source: " ".join(knock or "-" for knock in knocks).split("…") for source, knocks in told.items()}
    for number in range(max(map(len, parts.values()))):
        if number:
            time.sleep(LONG)
        now = {source: each[number].split() for source, each in parts.items() if number < len(each)}
        for round_ in range(max(map(len, now.values()))):
            with one_processor():
                for source, knocks in now.items():
                    if round_ < len(knocks) and knocks[round_] != "-":
                        send.knock(source, w.host6 if ":" in source else w.host4, knocks[round_])
            time.sleep(0.02)
    time.sleep(GAP)
    until(lambda: d.status()["totals"]["callers"] == 0)  # whoever has not got through has expired
    time.sleep(1.5)  # that is noted once a second


def canonical(knocks: list[dict[str, Any]]) -> list[Told]:
    """What matters of a source's verdicts: noise is none, and a late knock is a stage that expired."""
    told: list[Told] = []
    for one in knocks:
        verdict, many = one["verdict"], one.get("times", 1)
        if verdict in ("ignored", "shunned", "service"):
            continue
        if verdict in ("lapsed", "expired"):
            told.append(("expired", one["right"], None))
            if one.get("anew"):
                told.append(("advanced", 1, one["knock"]))
            continue
        detail = one.get("right") or one.get("opened") or one.get("keyholder")
        told += [(verdict, json.dumps(detail), one["knock"])] * many
        if verdict == "missed" and one["anew"]:
            told.append(("advanced", "1", one["knock"]))
    return [(verdict, str(detail), knock) for verdict, detail, knock in told]


def lived(d: Daemon, sources: list[str]) -> dict[str, list[Told]]:
    """What the daemon told of each source."""
    told = {}
    for source in sources:
        knocks = control.ask(d.socket, "why", source=source)["knocks"]
        assert len(knocks) < 16, "more than the daemon remembers: the comparison would not be whole"
        told[source] = canonical(knocks)
    return {source: each for source, each in told.items() if each}


def traced(ns: Namespace, d: Daemon, file: Path | str) -> tuple[dict[str, list[Told]], Any]:
    """What the trace tells of each source, and all that it printed. It needs neither root nor the daemon."""
    whole = json.loads(portress(ns, "trace", str(file), *d.options, "--json", check=True).stdout)
    told = {}
    for one in whole["sources"]:
        each = canonical(one["knocks"])
        # A capture ends with its last packet; the daemon has gone on and seen the last callers expire.
        if one["ends"] and one["ends"]["state"] in ("expired", "caller"):
            each.append(("expired", str(one["ends"]["right"]), None))
        told[one["source"]] = each
    return {source: each for source, each in told.items() if each}, whole


def agrees(d: Daemon, sources: list[str], told: dict[str, list[Told]]) -> None:
    """Source by source, and in all."""
    live = lived(d, sources)
    assert {source: told.get(source) for source in live} == live
    assert told.keys() == live.keys()
    counts = Counter(verdict for each in told.values() for verdict, *_ in each)
    status = d.status()
    for verdict in ("missed", "completed", "replayed", "echoed", "repeated"):
        assert counts[verdict] == status["knocks"].get(verdict, 0), verdict
    opened = {source for source, each in told.items() if any(one[0] == "completed" for one in each)}
    assert opened == {one["source"] for one in status["admissions"]}
    assert {"completed", "missed", "expired", "replayed", "echoed", "repeated"} <= counts.keys()


@pytest.mark.parametrize("seed", [1, 2])
def test_a_capture_of_the_strangers_link_is_traced_to_what_the_daemon_said(seed: int, tmp_path: Path) -> None:
    rng, file = random.Random(seed), tmp_path / "knocks.pcap"
    sources = [*crowd(25), *crowd(10, 6)]
    with (
        world() as w,
        daemon(w.host, config(), keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
        capture(w.stranger, path=file) as taken,
    ):
        say(d, send, w, scripts(rng, sources))
        taken.stop()
        told, whole = traced(w.another, d, file)
        agrees(d, sources, told)
        assert whole["hosts"] == [w.host4, w.host6]
        assert whole["notes"] == []


def test_a_capture_of_the_host_itself_is_traced_alike(tmp_path: Path) -> None:
    file = tmp_path / "knocks.pcap"
    sources = [*crowd(20), *crowd(6, 6)]
    with (
        world() as w,
        daemon(w.host, config(), keyholders=KEYHOLDERS) as d,
        sender(w.stranger) as send,
        capture(w.host, device="any", path=file) as taken,
    ):
        say(d, send, w, scripts(random.Random(3), sources))
        taken.stop()
        agrees(d, sources, traced(w.another, d, file)[0])


def journals(journal: Journal, folder: Path) -> Iterator[Path]:
    """The journal in every form that systemd's tools make of it."""
    yield journal.path
    export = folder / "log.export"
    export.write_bytes(journal.run("journalctl", "-o", "export"))
    yield export
    again = folder / "again.journal"
    words = [JOURNAL_REMOTE, f"--output={again}", "-"]
    with export.open("rb") as stdin:
        subprocess.run(words, stdin=stdin, check=True, capture_output=True, timeout=60)
    yield again


def test_journals_are_traced_to_what_the_daemon_said(tmp_path: Path) -> None:
    sources = [*crowd(20), *crowd(6, 6)]
    with contextlib.ExitStack() as stack:
        stack.enter_context(namespaces_may_log())
        journal = stack.enter_context(journald())
        w = stack.enter_context(world())
        d = stack.enter_context(daemon(journal.beside(w.host), config("journal"), keyholders=KEYHOLDERS))
        send = stack.enter_context(sender(w.stranger))
        say(d, send, w, scripts(random.Random(4), sources))
        journal.sync()
        for file in journals(journal, tmp_path):
            told, whole = traced(w.another, d, file)
            agrees(d, sources, told)
            assert whole["odd"] == {}, file


def test_a_trace_needs_no_root() -> None:
    with (
        scratch() as folder,
        world() as w,
        daemon(w.host, config()) as d,
        sender(w.stranger) as send,
        capture(w.stranger) as taken,
    ):
        send.knocks(w.stranger4, w.host4, FIXED, 0.05)
        d.wait_for("admitted")
        mine, file = folder / "portress.yaml", folder / "knocks.pcap"
        mine.write_text(config())
        file.write_bytes(taken.stop().read_bytes())
        folder.chmod(0o755)
        for one in (mine, file):
            os.chown(one, 65534, 65534)
        program = [str(Path(sys.prefix, "bin", "portress")), "trace", str(file), "--config", str(mine)]
        done = subprocess.run(as_nobody(program), capture_output=True, text=True, timeout=30)
    assert "opened ssh" in done.stdout, done.stderr
