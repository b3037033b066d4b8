"""The journal watcher over a real journald: what only the kernel can write is heard, each line once."""

from __future__ import annotations

import contextlib
import itertools
import os
import random
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from lab import Namespace, Sender, as_nobody, sender, until, world
from lab.journal import Journal, journald, namespaces_may_log
from portress.errors import Mistake
from portress.knock import SECOND, Knock
from portress.watch.journal import JournalWatcher
from unit.test_logline import WRITTEN, mutated

NUMBERS = itertools.count()


class Lines(NamedTuple):
    """A namespace whose administrator logs knocks with a rule of his own."""

    host: Namespace
    send: Sender
    journal: Journal
    target: str
    prefix: str

    def watcher(self, cursor: Path | None = None, **more: int) -> JournalWatcher:
        return JournalWatcher(self.prefix, time.monotonic_ns, cursor=cursor, path=self.journal.path, **more)

    @staticmethod
    def texts(first: int, count: int) -> list[str]:
        return [f"{('tcp', 'udp')[port % 2]}/{port}" for port in range(first, first + count)]

    def knock(self, first: int, count: int, written: bool = False) -> list[str]:
        """Knock at so many ports. `written`: and wait until the last line of it is in the journal."""
        texts = self.texts(first, count)
        for text in texts:
            self.send.knock("192.0.2.7", self.target, text)
        if written:
            self.written(first + count - 1)
        return texts

    def written(self, port: int) -> None:
        """Until the journal has the line of a knock at that port."""
        words = ["journalctl", "--quiet", "--output=cat", f"--directory={self.journal.path}"]

        def there() -> bool:
            told = subprocess.run(words, capture_output=True, text=True, check=False).stdout
            return any(self.prefix in line and f"DPT={port} " in line for line in told.splitlines())

        until(there)


@pytest.fixture
def lines() -> Iterator[Lines]:
    prefix = f"portress-lines-{os.getpid()}-{next(NUMBERS)}: "
    rule = (
        f'meta l4proto {{ tcp, udp }} th dport 1000-9999 log prefix "{prefix}" level debug flags tcp sequence'
    )
    chain = f"chain entry {{\ntype filter hook prerouting priority -150\n{rule}\n}}"
    with namespaces_may_log(), journald() as journal, world() as w, sender(w.stranger) as send:
        w.host.nft(f"table inet mine {{\n{chain}\n}}")
        yield Lines(w.host, send, journal, w.host4, prefix)


def hear(watcher: JournalWatcher, count: int, seconds: float = 20) -> list[str]:
    """What is heard until it is so much, and a moment longer."""
    heard: list[str] = []
    end = time.monotonic() + seconds
    while len(heard) < count and time.monotonic() < end:
        heard += [str(Knock(knock)) for _, knock, _, _ in watcher.read()]
        time.sleep(0.005)
    time.sleep(0.1)
    return heard + [str(Knock(knock)) for _, knock, _, _ in watcher.read()]


def hear_new(lines: Lines, watcher: JournalWatcher) -> list[str]:
    """What is heard of five knocks that are sent now: tcp/3000 to tcp/3004."""
    lines.knock(3000, 5)
    return hear(watcher, 5)


def test_lines_of_an_administrators_own_rule_are_heard_with_the_kernels_times(lines: Lines) -> None:
    with lines.watcher() as watcher:
        sent, there = [], []
        for source, target, port in (
            ("192.0.2.7", lines.target, 4617),
            ("2001:db8:c::7", "2001:db8:1::1", 2953),
        ):
            sent.append(time.monotonic_ns())
            lines.send.udp(source, target, port)
            lines.written(port)
            there.append(time.monotonic_ns())
        time.sleep(0.2)
        heard = watcher.read()
    assert [(len(source), knock & 0xFFFF) for source, knock, _, _ in heard] == [(4, 4617), (16, 2953)]
    for begun, ended, (_, _, when, _) in zip(sent, there, heard, strict=True):
        assert begun - 0.01 * SECOND < when < ended


def test_only_what_comes_after_the_start_is_heard_where_nothing_is_remembered(lines: Lines) -> None:
    lines.knock(1000, 5, written=True)
    with lines.watcher() as watcher:
        sent = lines.knock(2000, 5)
        assert hear(watcher, 5) == sent


def test_nothing_is_lost_or_heard_twice_over_rotation_and_vacuuming(lines: Lines) -> None:
    sent: list[str] = []
    with lines.watcher() as watcher:
        heard: list[str] = []
        for turn in range(6):
            # Every second time in the journal, and not read before its file is closed.
            sent += lines.knock(1000 + 100 * turn, 40, written=not turn % 2)
            if turn % 2:
                heard += hear(watcher, len(sent) - len(heard))
            lines.journal.rotate()
            sent += lines.knock(1040 + 100 * turn, 40)
            heard += hear(watcher, len(sent) - len(heard))
            assert lines.journal.vacuum() >= 1
            assert heard == sent
        assert watcher.overruns == watcher.lost == 0


def test_a_restart_goes_on_behind_the_last_line_read(lines: Lines, tmp_path: Path) -> None:
    place = tmp_path / "journal.cursor"
    with lines.watcher(place) as watcher:
        assert len(hear(watcher, len(lines.knock(1000, 20)))) == 20
    away = lines.knock(2000, 20, written=True)
    with lines.watcher(place) as watcher:
        assert hear(watcher, 20) == away
    with lines.watcher(place) as watcher:
        assert hear(watcher, 1, seconds=0.3) == []
        assert hear_new(lines, watcher) == lines.texts(3000, 5)


def test_a_place_that_is_vacuumed_away_goes_on_with_what_is_left(lines: Lines, tmp_path: Path) -> None:
    place = tmp_path / "journal.cursor"
    with lines.watcher(place) as watcher:
        assert len(hear(watcher, len(lines.knock(1000, 20)))) == 20
    lines.knock(2000, 20, written=True)
    lines.journal.rotate()
    left = lines.knock(3000, 20, written=True)
    assert lines.journal.vacuum() >= 1
    with lines.watcher(place) as watcher:
        assert hear(watcher, 20) == left


def test_knocks_older_than_the_gap_are_passed_over_at_a_start(lines: Lines, tmp_path: Path) -> None:
    place = tmp_path / "journal.cursor"
    with lines.watcher(place) as watcher:
        assert len(hear(watcher, len(lines.knock(1000, 2)))) == 2
    lines.knock(2000, 20, written=True)
    time.sleep(5)
    fresh = lines.knock(3000, 20, written=True)
    with lines.watcher(place, oldest=5 * SECOND) as watcher:
        assert hear(watcher, 20) == fresh


@pytest.mark.parametrize(
    "text",
    [
        "",
        "rubbish",
        "s=1;i=2",
        pytest.param("\xff" * 9000, id="9000 bytes"),
        "s=x;i=x;b=x;m=x;t=x;x=x",
        "a\nb",
    ],
)
def test_a_file_that_names_no_place_does_no_harm(lines: Lines, tmp_path: Path, text: str) -> None:
    place = tmp_path / "journal.cursor"
    place.write_text(text)
    with lines.watcher(place) as watcher:
        assert hear_new(lines, watcher) == lines.texts(3000, 5)


def forged(rng: random.Random, prefix: str) -> list[tuple[str, bytes]]:
    """An entry made by a program that would like to be the kernel."""
    line = mutated(rng, rng.choice(WRITTEN)[0]) if rng.random() < 0.7 else rng.choice(WRITTEN)[0].encode()
    line = line.replace(b"portress: ", prefix.encode())
    fields = [("MESSAGE", line), ("SYSLOG_FACILITY", b"0"), ("SYSLOG_IDENTIFIER", b"kernel")]
    fields += [("_TRANSPORT", b"kernel"), ("_SOURCE_MONOTONIC_TIMESTAMP", b"1"), ("PRIORITY", b"7")]
    match rng.randrange(6):
        case 0:
            fields.append(("MESSAGE", b"x" * 65536))
        case 1:
            fields.append(("MESSAGE", line + b"\n" + prefix.encode() + line))
        case 2:
            fields.append(("MESSAGE", b"x\n_TRANSPORT=kernel\nMESSAGE=" + line))
        case 3:
            fields.append(("MESSAGE", line.decode("latin-1").encode("utf-16")))
        case 4:
            fields.append(("NOTE", b"\xff\xfe\n_TRANSPORT=kernel\n\n" + line))
    rng.shuffle(fields)
    return fields


def say_otherwise(lines: Lines, text: bytes) -> None:
    """The same line by every other way into the journal and the kernel's log."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as dial:
        dial.connect(str(lines.journal.folder / "systemd/journal/dev-log"))
        for start in (b"<7>", b"<7>kernel: ", b"<0>", b""):
            dial.send(start + text)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as dial:
        dial.connect(str(lines.journal.folder / "systemd/journal/stdout"))
        dial.sendall(b"kernel\n\n7\n0\n0\n0\n0\n" + text + b"\n")
    with open("/dev/kmsg", "wb", buffering=0) as kmsg:
        for start in (b"<7>", b"<0>", b"", b"<7>kernel: ", b"<2147483647>", b"<-1>"):
            with contextlib.suppress(OSError):
                kmsg.write(start + text)


def test_of_ten_thousand_hostile_entries_none_is_heard_and_the_kernels_own_all_are(lines: Lines) -> None:
    """Everything a program can do to look like the kernel, root's /dev/kmsg included."""
    good = (lines.prefix + WRITTEN[0][0].removeprefix("portress: ")).encode()
    with lines.watcher() as watcher:
        heard: list[str] = []
        sent: list[str] = []
        for case in range(10_000):
            lines.journal.submit(forged(random.Random(case), lines.prefix))
            if case % 500 == 0:
                sent += lines.knock(1000 + case // 500 * 10, 3)
                say_otherwise(lines, good)
                heard += hear(watcher, len(sent) - len(heard))
        lines.journal.sync()
        heard += hear(watcher, 1, seconds=0.3)
        assert heard == sent
        assert watcher.overruns == 0
    listed = lines.journal.run("journalctl", "--output=cat", "--output-fields=MESSAGE", "--grep", "IN=eth0")
    assert listed.count(b"SRC=192.0.2.7") > 1000  # they did get into the journal


def test_hostile_lines_of_the_kernels_own_are_no_knocks(lines: Lines) -> None:
    """What a ruleset logs beside knocks, and with prefixes that look like a line."""
    rules = (
        f'log prefix "x {lines.prefix}" level debug',
        f'log prefix "{lines.prefix}IN=eth0 OUT= MAC= SRC=203.0.113.9 DST=" level debug',
        f'tcp flags ack log prefix "{lines.prefix}" level debug',
    )
    chain = "\n".join(("type filter hook prerouting priority -140", *rules))
    lines.host.nft(f"table inet others {{\nchain entry {{\n{chain}\n}}\n}}")
    with lines.watcher() as watcher:
        assert hear_new(lines, watcher) == lines.texts(3000, 5)
        assert watcher.odd["line"] >= 5


def test_a_hidden_journal_and_none_at_all_are_told_apart(lines: Lines) -> None:
    program = (
        "import time; from portress.watch.journal import JournalWatcher as J\n"
        "J('', time.monotonic_ns).__enter__()"
    )
    beside = lines.journal.beside(lines.host)
    python = [sys.executable, "-c", program]
    lines.journal.folder.chmod(0o755)
    assert "needs the group systemd-journal" in beside.run(as_nobody(python), check=False).stderr
    assert beside.run(python).stderr == ""
    if not any(Path("/var/log/journal").glob("*/system.journal")):
        assert "there is no systemd journal" in lines.host.run(python, check=False).stderr
    lines.journal.path.rename(lines.journal.path.with_name("0" * 31 + "1"))  # of another machine
    assert "there is no systemd journal" in beside.run(python, check=False).stderr


def test_an_empty_directory_is_a_journal_without_entries(tmp_path: Path) -> None:
    with JournalWatcher("any: ", time.monotonic_ns, path=tmp_path) as watcher:
        assert watcher.read() == []
    with pytest.raises(Mistake, match="cannot be opened"):
        JournalWatcher("any: ", time.monotonic_ns, path=tmp_path / "nowhere").__enter__()
