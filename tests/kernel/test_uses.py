"""Each sequence opens once, whatever becomes of the ledger, the keyholders' file and the clock meanwhile."""

from __future__ import annotations

import base64
import json
import random
import shutil
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from lab import crowd, daemon, sender, service, tcp_state, world
from lab.portress import REPOSITORY, Daemon
from portress.clock import STEP
from portress.config.model import Authenticator, Rotating
from portress.durations import unix
from portress.knock import SECOND, TCP, UDP, Source
from portress.ledger.ledger import Ledger, Reader
from portress.sequence import authenticator
from portress.sequence.rotating import derive

CONFIG = """\
doors:
  vpn:
    services: [tcp/22]
    stay: 1h
    rotating: {pool: 20000-49999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
"""
CODES = """\
doors:
  ssh:
    services: [tcp/22]
    authenticator: {base: 21000, gap: 10s, skew: 1}
  web:
    services: [tcp/8443]
    authenticator: {base: 22000, gap: 10s, skew: 1}
"""
RULE = Rotating((20000, 49999), (TCP, UDP), 4, 10 * SECOND, 1)
SECRETS = {"ana": b"A" * 20, "new": b"N" * 20}
YEARS = 10 * 366 * 86400.0


def keyholders(*names: str, secret: str = "", doors: str = "vpn", style: str = "derived") -> str:
    return "".join(
        f"- {{name: {name}, doors: [{doors}], "
        f"secret: {base64.b32encode(SECRETS[secret or name]).decode()}, style: {style}}}\n"
        for name in names
    )


def sequence(secret: str, at: float, away: int = 0) -> list[str]:
    return [str(one) for one in derive(SECRETS[secret], "vpn", RULE, int(at // STEP) + away).knocks]


def code(base: int, at: float, away: int = 0) -> list[str]:
    rule = Authenticator(base, 10 * SECOND, 1)
    return [str(one) for one in authenticator.derive(SECRETS["ana"], rule, int(at // STEP) + away).knocks]


def settled(seconds: float = 12.0) -> None:
    """Wait until the present step has at least so many seconds left."""
    left = STEP - time.time() % STEP
    if left < seconds:
        time.sleep(left + 0.5)


def enrol(d: Daemon, text: str) -> None:
    file = d.folder / "keyholders.yaml"
    file.write_text(text)
    file.chmod(0o600)


def nobody_in(d: Daemon) -> bool:
    time.sleep(0.3)
    return d.status()["admissions"] == []


# A code at another door


def test_a_code_used_at_one_door_opens_no_other_to_who_listened() -> None:
    """The difference of the bases is all that a listener has to add."""
    settled()
    text = keyholders("ana", doors="ssh, web", style="authenticator")
    with (
        world() as w,
        service(w.host, "tcp/8443"),
        daemon(w.host, CODES, keyholders=text) as d,
        sender(w.stranger) as send,
    ):
        now = time.time()
        send.knocks(w.stranger4, w.host4, code(21000, now))
        d.wait_for("admitted to ssh", w.stranger4)
        send.knocks(w.another4, w.host4, code(22000, now))
        assert "replay of keyholder ana, used at ssh before" in d.wait_for("refused at web", w.another4)
        assert tcp_state(w.another, w.host4, 8443) == "filtered"
        send.knocks(w.stranger4, w.host4, code(22000, now))
        assert "a second door needs the next one" in d.wait_for("refused at web", w.stranger4)
        third, fourth, fifth = crowd(3)
        d.restart()
        send.knocks(third, w.host4, code(22000, now))
        d.wait_for("refused at web", third)
        d.kill()
        d.start()
        send.knocks(fourth, w.host4, code(22000, now))
        d.wait_for("refused at web", fourth)
        send.knocks(fifth, w.host4, code(22000, now, -1))
        d.wait_for("refused at web", fifth)
        send.knocks(w.stranger4, w.host4, code(22000, now, 1))  # the next code is for the second door
        d.wait_for("admitted to web", w.stranger4)
        assert "second door needs the next" in d.verb("status", "--json").stdout


# The same secret, whoever bears it


def test_a_keyholder_renamed_and_a_secret_changed_and_changed_back_revive_nothing() -> None:
    settled(20)
    with world() as w, daemon(w.host, CONFIG, keyholders=keyholders("ana")) as d, sender(w.stranger) as send:
        now = time.time()
        knocks, thieves = sequence("ana", now), crowd(4)
        send.knocks(w.stranger4, w.host4, knocks)
        d.wait_for("admitted", w.stranger4)
        d.verb("dismiss", w.stranger4)

        def again(thief: str, text: str) -> None:
            enrol(d, text)
            before = len(d.lines)
            d.reload()
            d.wait_for("reloaded", since=before)
            send.knocks(thief, w.host4, knocks)
            if base64.b32encode(SECRETS["ana"]).decode() in text:
                d.wait_for("refused at vpn", thief)

        again(thieves[0], keyholders("new", secret="ana"))
        again(thieves[1], keyholders("ana", secret="new"))
        again(thieves[2], keyholders("ana"))
        d.terminate()
        enrol(d, keyholders("new", secret="ana"))
        d.start()
        send.knocks(thieves[3], w.host4, knocks)
        d.wait_for("refused at vpn", thieves[3])
        assert nobody_in(d)


# A ledger that is not what it was


def flip(state: Path) -> None:
    wal = state / "ledger.db-wal"
    data = bytearray(wal.read_bytes())
    data[random.Random(5).randrange(len(data) // 2, len(data))] ^= 4
    wal.write_bytes(data)


def cut(state: Path) -> None:
    wal = state / "ledger.db-wal"
    wal.write_bytes(wal.read_bytes()[: wal.stat().st_size // 2])


def remove_wal(state: Path) -> None:
    (state / "ledger.db-wal").unlink()


def delete(state: Path) -> None:
    for file in state.glob("ledger.db*"):
        file.unlink()


def older(state: Path) -> None:
    delete(state)
    for file in (state.parent / "older").iterdir():
        shutil.copy(file, state)


def rubbish(state: Path) -> None:
    for file in state.glob("ledger.db*"):
        file.write_bytes(random.Random(7).randbytes(9000))


@pytest.mark.parametrize(
    "harm", [flip, cut, remove_wal, delete, older, rubbish], ids=lambda one: one.__name__
)
def test_a_used_sequence_stays_used_whatever_becomes_of_the_ledger(harm: Callable[[Path], None]) -> None:
    settled()
    with world() as w, daemon(w.host, CONFIG, keyholders=keyholders("ana")) as d, sender(w.stranger) as send:
        shutil.copytree(d.state, d.folder / "older")
        now = time.time()
        send.knocks(w.stranger4, w.host4, sequence("ana", now))
        d.wait_for("admitted", w.stranger4)
        d.kill()
        harm(d.state)
        d.start()
        for thief in crowd(2):
            send.knocks(thief, w.host4, sequence("ana", now))
            d.wait_for("refused at vpn", thief)
        assert [one["source"] for one in d.status()["admissions"]] == [w.stranger4]


def test_what_is_refused_for_a_minute_is_said_once_everywhere_and_over_after_it() -> None:
    settled(20)
    with (
        world() as w,
        daemon(w.host, CONFIG, keyholders=keyholders("ana", "new"), known=False) as d,
        sender(w.stranger) as send,
    ):
        now = time.time()
        d.wait_for("rotating sequences are refused for")
        refusing = d.status()["refusing"]
        assert 0 < refusing["left"] <= 60 and unix(refusing["until"]) == (int(now // STEP) + 2) * STEP
        for name, source in (("ana", w.stranger4), ("new", w.another4)):
            send.knocks(source, w.host4, sequence(name, now))
            line = d.wait_for("refused at vpn", source)
            assert "replay" not in line
        assert d.status()["knocks"]["doubted"] == 2 and "replayed" not in d.status()["knocks"]
        assert len([line for line in d.lines if "rotating sequences are refused for" in line]) == 1
        told = d.verb("why", w.stranger4).stdout
        assert "no sign of an attack" in " ".join(told.split()) and "unenrol" not in told
        assert "refused for" in " ".join(d.verb("status").stdout.split())
        assert "rotating sequences are refused" in d.verb("doctor", check=False).stdout
        before = len(d.lines)
        d.restart()
        d.wait_for("rotating sequences are refused for", since=before)
        assert d.status()["refusing"]["until"] == refusing["until"]
        time.sleep(max(0.0, unix(refusing["until"]) - time.time()) + 1.2)
        assert d.status()["refusing"] is None
        send.knocks(w.stranger4, w.host4, sequence("ana", time.time()))
        d.wait_for("admitted", w.stranger4)


def test_without_a_ledger_no_rotating_sequence_opens_and_everything_says_so() -> None:
    """And once there can be one, a minute later they do, without a restart."""
    settled(20)
    with (
        world() as w,
        daemon(w.host, CONFIG, keyholders=keyholders("ana"), start=False) as d,
        sender(w.stranger) as send,
    ):
        shutil.rmtree(d.state)
        d.state.write_text("in the way")
        d.start()
        d.wait_for("without rotating sequences")
        send.knocks(w.stranger4, w.host4, sequence("ana", time.time()))
        d.wait_for("refused at vpn", w.stranger4)
        assert "no rotating sequence is accepted" in " ".join(d.verb("status").stdout.split())
        assert "rotating sequences are refused" in " ".join(d.verb("doctor", check=False).stdout.split())
        assert "no ledger" in d.verb("why", w.stranger4).stdout
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"


def test_the_ledger_is_pruned_at_the_start() -> None:
    with world() as w, daemon(w.host, CONFIG, keyholders=keyholders("ana"), start=False) as d:
        long_ago, source = time.time() - 400 * 86400, Source.parse("198.51.100.99")
        with Ledger(d.state / "ledger.db") as ledger:
            ledger.ended(ledger.admitted(source, "vpn", long_ago, long_ago + 60), long_ago + 60, "expired")
        d.start()
        until = time.monotonic() + 10
        with Reader(d.state / "ledger.db") as reader:
            while list(reader.history()):
                assert time.monotonic() < until
                time.sleep(0.05)


# A wrong clock

CLOCK = """
import pathlib, time
true, step = time.time, pathlib.Path(__file__).with_name("step")
time.time = lambda: true() + float(step.read_text())
time.time_ns = lambda: int(time.time() * 10**9)
"""


@pytest.mark.parametrize("off", [86400.0, YEARS, -86400.0])
def test_a_doubt_that_arose_at_a_wrong_clock_locks_nobody_out(
    off: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The clock is put right while the daemon runs: a minute after the doubt arose all is as usual."""
    settled(20)
    (tmp_path / "sitecustomize.py").write_text(CLOCK)
    (tmp_path / "step").write_text(str(off))
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with (
        world() as w,
        daemon(w.host, CONFIG, keyholders=keyholders("ana"), known=False) as d,
        sender(w.stranger) as send,
    ):
        began = time.time()
        send.knocks(w.another4, w.host4, sequence("ana", began + off))
        d.wait_for("refused at vpn", w.another4)
        (tmp_path / "new").write_text("0")
        (tmp_path / "new").rename(tmp_path / "step")
        d.wait_for("the clock was set")
        time.sleep(1.2)
        right = (int(began // STEP) + 2) * STEP
        assert unix(d.status()["refusing"]["until"]) == right
        send.knocks(w.another4, w.host4, sequence("ana", began))
        d.wait_for("refused at vpn", w.another4, since=len(d.lines) - 1)
        time.sleep(max(0.0, right - time.time()) + 1.2)
        send.knocks(w.stranger4, w.host4, sequence("ana", time.time()))
        d.wait_for("admitted", w.stranger4)


def test_after_a_restart_with_a_plausible_clock_it_is_no_later_than_now_and_the_skew() -> None:
    settled(12)
    with world() as w, daemon(w.host, CONFIG, keyholders=keyholders("ana"), known=False, ahead=YEARS) as d:
        assert unix(d.status()["refusing"]["until"]) > time.time() + YEARS - 1
        d.terminate()
        d.ahead = 0.0
        d.start()
        assert unix(d.status()["refusing"]["until"]) <= (int(time.time() // STEP) + 2) * STEP


def test_a_start_before_1970_ends_in_one_line() -> None:
    with world() as w, daemon(w.host, CONFIG, keyholders=keyholders("ana"), start=False) as d:
        ran = w.host.run(
            ["sh", "-c", 'exec "$0" "$@" 2>&1', *clocked(d, -time.time() - 100)], check=False, timeout=30
        )
        assert ran.returncode == 1
        assert len(ran.stdout.splitlines()) == 1 and "before 1970" in ran.stdout, ran.stdout


def clocked(d: Daemon, ahead: float) -> list[str]:
    return [sys.executable, str(REPOSITORY / "tests/lab/clocked.py"), str(ahead), "run", *d.options]


def test_the_counts_are_for_programs_too() -> None:
    settled()
    with world() as w, daemon(w.host, CONFIG, keyholders=keyholders("ana"), known=False) as d:
        assert set(json.loads(d.verb("status", "--json").stdout)["refusing"]) == {"why", "until", "left"}
