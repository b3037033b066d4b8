"""Sequences on paper: dialled by any program, each good once whatever becomes of clock, ledger and daemon."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from lab import crowd, daemon, sender, service, tcp_state, until, world
from lab.portress import REPOSITORY, Daemon
from lab.worlds import World

CONFIG = """\
decide: {decide}
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    rotating: {{}}
    paper: {{sequences: 4}}
  web:
    services: [tcp/8443]
    stay: 1h
    rotating: {{}}
    paper: {{sequences: 4, length: 3}}
"""
Sheet = list[list[str]]

both = pytest.mark.parametrize("decide", ["daemon", "kernel"])


def paper(d: Daemon, *words: str, name: str = "ana", door: str = "ssh") -> Sheet:
    """A new sheet, as `enrol --paper` prints it."""
    done = d.verb("enrol", name, "--door", door, "--paper", "--host", "gate.example", "--json", *words)
    sheet: Sheet = json.loads(done.stdout)["paper"][0]["sequences"]
    return sheet


@contextmanager
def opened(decide: str) -> Iterator[tuple[World, Daemon]]:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, CONFIG.format(decide=decide)) as d:
        yield w, d


def shut(w: World, port: int = 22) -> bool:
    return tcp_state(w.stranger, w.host4, port) == "filtered"


@both
def test_paper_is_dialled_by_any_program_and_each_line_works_once(decide: str) -> None:
    """bash's own /dev/tcp, nmap: nothing of Portress on the client."""
    with opened(decide) as (w, d), sender(w.stranger) as send:
        sheet = paper(d)
        assert len(sheet) == 4 and all(len(one) == 5 for one in sheet)
        for knock in sheet[2]:  # in any order: the third line first
            port = knock.removeprefix("tcp/")
            w.stranger.run(["timeout", "0.3", "bash", "-c", f"</dev/tcp/{w.host4}/{port}"], check=False)
        line = d.wait_for("admitted to ssh", w.stranger4)
        assert "keyholder ana" in line and "paper 3 of 4" in line
        assert tcp_state(w.stranger, w.host4, 22) == "open"
        d.verb("dismiss", w.stranger4)
        thief = crowd(1)[0]
        send.knocks(thief, w.host4, sheet[2])
        assert "paper 3 of 4" in d.wait_for("refused at ssh", thief)
        before = len(d.lines)
        for knock in sheet[0]:
            port = knock.removeprefix("tcp/")
            w.stranger.run(["nmap", "-n", "-Pn", "-p", port, "--max-retries", "0", w.host4], check=False)
        assert "paper 1 of 4" in d.wait_for("admitted to ssh", w.stranger4, since=before)


@both
def test_used_paper_stays_used_over_a_kill_and_enrolment(decide: str) -> None:
    with opened(decide) as (w, d), sender(w.stranger) as send:
        sheet = paper(d)
        send.knocks(w.stranger4, w.host4, sheet[0])
        d.wait_for("admitted to ssh", w.stranger4)
        d.kill()
        d.verb("dismiss", w.stranger4, check=False)
        first, second, third = crowd(3)
        entry = (d.folder / "keyholders.yaml").read_text()
        d.start()
        send.knocks(first, w.host4, sheet[0])
        d.wait_for("refused at ssh", first)
        d.verb("unenrol", "ana")
        before = len(d.lines)
        send.knocks(second, w.host4, sheet[1])
        time.sleep(0.5)
        assert not any(second in line and "admitted" in line for line in d.lines)
        (d.folder / "keyholders.yaml").write_text(entry)
        d.reload()
        d.wait_for("reloaded", since=before)
        send.knocks(third, w.host4, sheet[0])
        d.wait_for("refused at ssh", third)
        send.knocks(third, w.host4, sheet[1])
        d.wait_for("admitted to ssh", third)


@both
def test_paper_of_one_door_or_an_old_sheet_opens_nothing_else(decide: str) -> None:
    with opened(decide) as (w, d), sender(w.stranger) as send:
        sheet = paper(d, door="ssh")
        d.verb("enrol", "ana", "--door", "web", "--host", "gate.example")
        web = paper(d, door="web")
        one, two, three = crowd(3)
        send.knocks(one, w.host4, web[0])
        d.wait_for("admitted to web", one)
        send.knocks(two, w.host4, sheet[0])
        d.wait_for("admitted to ssh", two)
        admitted = {(each["source"], each["door"]) for each in d.status()["admissions"]}
        assert admitted == {(one, "web"), (two, "ssh")}
        again = paper(d, door="ssh")
        assert not any(line in sheet for line in again)
        send.knocks(three, w.host4, sheet[1])  # the sheet before is void
        send.knocks(three, w.host4, web[1])  # the other door's is not
        d.wait_for("admitted to web", three)
        assert not any(each["source"] == three and each["door"] == "ssh" for each in d.status()["admissions"])


def test_without_a_daemon_the_kernel_lets_nobody_in_by_paper() -> None:
    with opened("kernel") as (w, d), sender(w.stranger) as send:
        sheet = paper(d)
        d.kill()
        send.knocks(w.stranger4, w.host4, sheet[0])
        time.sleep(0.5)
        assert shut(w)
        d.start()
        send.knocks(w.stranger4, w.host4, sheet[0])
        d.wait_for("admitted to ssh", w.stranger4)


@both
def test_who_is_killed_between_ledger_and_witness_has_used_the_line_and_let_nobody_in(decide: str) -> None:
    with opened(decide) as (w, d), sender(w.stranger) as send:
        sheet = paper(d)
        d.terminate()
        words = [sys.executable, str(REPOSITORY / "tests/lab/killed.py"), "run", *d.options]
        with w.host.popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
            until(d.answers)
            until(lambda: d.status()["keyholders"] == 1)
            send.knocks(w.stranger4, w.host4, sheet[0])
            assert process.wait(20) == -signal.SIGKILL
        assert shut(w)
        one, two = crowd(2)
        before = len(d.lines)
        d.start()
        assert [each["left"] for each in d.status()["paper"]] == [3]
        send.knocks(one, w.host4, sheet[0])
        d.wait_for("refused at ssh", one, since=before)
        send.knocks(two, w.host4, sheet[1])
        d.wait_for("admitted to ssh", two, since=before)
        assert not any("void" in line for line in d.lines)
        assert {each["source"] for each in d.status()["admissions"]} == {two}


@both
def test_of_two_who_dial_one_line_at_the_same_instant_one_gets_in(decide: str) -> None:
    with opened(decide) as (w, d), sender(w.stranger) as send:
        for number, line in enumerate(paper(d)[:3]):
            pair = crowd(6)[2 * number : 2 * number + 2]
            for knock in line:
                for source in pair:
                    send.knock(source, w.host4, knock)
            until(lambda pair=pair: any(one["source"] in pair for one in d.status()["admissions"]))
            time.sleep(0.3)
            inside = {one["source"] for one in d.status()["admissions"]} & set(pair)
            assert len(inside) == 1


@both
def test_while_a_use_cannot_be_recorded_paper_opens_nothing(decide: str) -> None:
    """The directory of the witness is a file, as after a slip of the administrator's."""
    with opened(decide) as (w, d), sender(w.stranger) as send:
        sheet = paper(d)
        place = d.state.with_name("state-paper")
        place.rename(d.folder / "aside")
        place.write_text("")
        send.knocks(w.stranger4, w.host4, sheet[0])
        d.wait_for("a use of paper cannot be recorded")
        time.sleep(0.3)
        assert shut(w) and d.status()["admissions"] == []
        place.unlink()
        (d.folder / "aside").rename(place)
        thief = crowd(1)[0]
        send.knocks(w.stranger4, w.host4, sheet[1])
        d.wait_for("admitted to ssh", w.stranger4)
        send.knocks(thief, w.host4, sheet[1])
        d.wait_for("refused at ssh", thief)


# A ledger that is not the last one


def older(state: Path) -> None:
    for file in state.glob("ledger.db*"):
        file.unlink()
    for file in (state.parent / "older").iterdir():
        shutil.copy(file, state)


def delete(state: Path) -> None:
    for file in state.glob("ledger.db*"):
        file.unlink()


def flip(state: Path) -> None:
    wal = state / "ledger.db-wal"
    data = bytearray(wal.read_bytes())
    for place in range(len(data) // 3, len(data), 97):
        data[place] ^= 4
    wal.write_bytes(data)


def no_witness(state: Path) -> None:
    shutil.rmtree(state.with_name("state-paper"))


def directory_of_before(state: Path) -> None:
    shutil.rmtree(state)
    shutil.copytree(state.parent / "older", state)


@both
@pytest.mark.parametrize("harm", [older, delete, flip, no_witness, directory_of_before])
def test_a_ledger_that_lacks_uses_voids_all_paper_and_says_so(
    decide: str, harm: Callable[[Path], None]
) -> None:
    with opened(decide) as (w, d), sender(w.stranger) as send:
        sheet = paper(d)
        one, two, three, four = crowd(4)
        send.knocks(one, w.host4, sheet[0])
        d.wait_for("admitted to ssh", one)
        d.terminate()
        shutil.copytree(d.state, d.folder / "older")
        d.start()
        send.knocks(two, w.host4, sheet[1])
        d.wait_for("admitted to ssh", two)
        d.kill()
        harm(d.state)
        before = len(d.lines)
        d.start()
        assert "ana (ssh)" in d.wait_for("paper printed before is void", since=before)
        for line in sheet:
            send.knocks(three, w.host4, line)
        time.sleep(0.5)
        assert not any(three in line and "admitted" in line for line in d.lines)
        assert "void" in d.verb("keyholders").stdout
        assert "is void" in " ".join(d.verb("why", three, check=False).stdout.split())
        fresh = paper(d)
        send.knocks(four, w.host4, fresh[0])
        d.wait_for("admitted to ssh", four)


@both
def test_outside_the_hours_paper_opens_nothing_and_is_used_up(decide: str) -> None:
    """Whoever listened could otherwise dial it when the door opens."""
    day = time.strftime("%a", time.gmtime(time.time() + 3 * 86400)).lower()
    config = CONFIG.format(decide=decide).replace(
        "    paper: {sequences: 4}\n",
        f'    paper: {{sequences: 4}}\n    hours: {{days: {day}, from: "00:00", to: "00:01", zone: UTC}}\n',
    )
    with world() as w, daemon(w.host, config) as d, sender(w.stranger) as send:
        sheet = paper(d)
        send.knocks(w.stranger4, w.host4, sheet[0])
        d.wait_for(w.stranger4, "closed")
        assert shut(w) and d.status()["admissions"] == []
        assert [one["left"] for one in d.status()["paper"]] == [3]
        d.configure(CONFIG.format(decide=decide))
        before = len(d.lines)
        d.reload()
        d.wait_for("reloaded", since=before)
        thief = crowd(1)[0]
        send.knocks(thief, w.host4, sheet[0])
        d.wait_for("refused at ssh", thief)
        send.knocks(thief, w.host4, sheet[1])
        d.wait_for("admitted to ssh", thief)


def test_few_are_told_counted_and_named_everywhere() -> None:
    config = CONFIG.format(decide="kernel") + 'metrics: {listen: "127.0.0.1:9753"}\n'
    with world() as w, daemon(w.host, config) as d, sender(w.stranger) as send:
        sheet = paper(d)
        sources = crowd(4)
        for source, line in zip(sources, sheet, strict=True):
            send.knocks(source, w.host4, line)
            d.wait_for("admitted to ssh", source)
        line = d.wait_for("ana has 0 of 4 sequences on paper left for ssh")
        assert "portress enrol ana --door ssh --paper" in line
        assert "ana has 1 of 4" not in d.log
        assert "ssh: 0 of 4 left" in d.verb("keyholders").stdout
        assert "paper 1 of 4" in d.verb("history").stdout
        assert "Paper: 0 of 4 sequences left; few or none: ana (ssh: 0)" in d.verb("status").stdout
        told = w.host.run(["curl", "-s", "http://127.0.0.1:9753/metrics"]).stdout
        assert 'portress_paper_left{door="ssh"} 0.0' in told and 'portress_paper_few{door="ssh"} 1.0' in told
        thief = crowd(5)[4]
        send.knocks(thief, w.host4, sheet[1])
        d.wait_for("refused at ssh", thief)
        assert "paper 2 of 4" in d.verb("why", thief).stdout
        assert "sequences on paper" in d.verb("strength").stdout


def test_no_secret_and_no_sequence_is_shown_where_it_need_not_be() -> None:
    with world() as w, daemon(w.host, CONFIG.format(decide="daemon")) as d:
        page = d.folder / "ana.txt"
        words = ["enrol", "ana", "--door", "ssh", "--host", "gate.example", "--page", str(page)]
        told = d.verb(*words)
        entry = (d.folder / "keyholders.yaml").read_text()
        secret = entry.partition("secret: ")[2].partition(",")[0]
        text = page.read_text()
        assert page.stat().st_mode & 0o777 == 0o600 and "gate.example" in text and "[ ]   4" in text
        port = text.partition("[ ]   1")[2].split()[0]
        for shown in (told.stdout, told.stderr, d.log, d.verb("status", "--json").stdout):
            assert secret not in shown and port not in shown
        assert secret not in text
        again = d.verb(*words, check=False)
        assert again.returncode == 1 and "is there already" in again.stderr
        assert (d.folder / "keyholders.yaml").read_text() == entry
