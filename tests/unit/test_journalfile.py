"""Journal exports read: what the kernel wrote, and nothing that others wrote or that contradicts itself."""

from __future__ import annotations

import io
import random
import subprocess
import time
import tracemalloc
from pathlib import Path

import pytest

from portress.errors import Mistake
from portress.knock import SECOND, Knock, Source
from portress.trace.file import opened
from portress.trace.journalfile import Export, is_export
from portress.watch.journal import JournalWatcher
from unit.stories import config

JOURNAL_REMOTE = "/lib/systemd/systemd-journal-remote"
LINE = (
    "portress: IN=eth0 OUT= MAC= SRC=192.0.2.7 DST=198.51.100.1 LEN=44 TOS=0x00 PREC=0x00 TTL=64 ID=0 "
    "PROTO=TCP SPT=32768 DPT=4617 SEQ=1 ACK=0 WINDOW=64240 RES=0x00 SYN URGP=0 "
)
SIX = (
    "portress: IN=eth0 OUT= MAC= SRC=2001:0db8:0000:0000:0000:0000:0000:0007 "
    "DST=2001:0db8:0001:0000:0000:0000:0000:0001 LEN=48 TC=0 HOPLIMIT=64 FLOWLBL=0 "
    "PROTO=UDP SPT=32768 DPT=2953 LEN=8 "
)
AT = 1_767_270_600_123_456  # microseconds


def entry(message: str | bytes = LINE, at: int = AT, transport: str = "kernel", more: bytes = b"") -> bytes:
    """An entry as systemd.io/JOURNAL_EXPORT_FORMATS has it."""
    data = message if isinstance(message, bytes) else message.encode()
    head = (
        f"__CURSOR=s=1;i=2\n__REALTIME_TIMESTAMP={at}\n_TRANSPORT={transport}\n"
        "SYSLOG_FACILITY=0\nSYSLOG_IDENTIFIER=kernel\n"
    ).encode()
    return head + more + field("MESSAGE", data) + b"\n"


def field(name: str, value: bytes) -> bytes:
    if b"\n" in value:
        return name.encode() + b"\n" + len(value).to_bytes(8, "little") + value + b"\n"
    return name.encode() + b"=" + value + b"\n"


def read(data: bytes, inside: tuple[str, ...] = ()) -> tuple[list[tuple[bytes, int, int, int]], Export]:
    export = Export(io.BufferedReader(io.BytesIO(data)), "log.export", "portress: ", inside)
    return list(export), export


def test_the_kernels_lines_are_knocks_at_the_moment_the_journal_got_them() -> None:
    heard, export = read(entry() + entry(SIX, AT + 5))
    assert heard == [
        (Source.parse("192.0.2.7").packed, int(Knock.parse("tcp/4617")), AT * 1000, 0),
        (Source.parse("2001:db8::7").packed, int(Knock.parse("udp/2953")), (AT + 5) * 1000, 0),
    ]
    assert (export.packets, export.notes, dict(export.odd)) == (2, [], {})
    assert (export.to, export.port) == (Source.parse("2001:db8:1::1").packed, 32768)


def test_what_others_than_the_kernel_wrote_is_nothing() -> None:
    for transport in ("syslog", "stdout", "journal", "audit", "Kernel", ""):
        assert read(entry(transport=transport))[0] == []


def test_what_a_program_wrote_to_the_kernels_log_is_nothing() -> None:
    whole = entry()
    for before, after in ((b"FACILITY=0", b"FACILITY=1"), (b"IDENTIFIER=kernel", b"IDENTIFIER=x")):
        assert read(whole.replace(before, after))[0] == []


def stamped(stamp: int, got: int, boot: str = "b1") -> bytes:
    """An entry that the kernel wrote at `stamp` and the journal got at `got`, in us since the boot."""
    times = f"__MONOTONIC_TIMESTAMP={got}\n_SOURCE_MONOTONIC_TIMESTAMP={stamp}\n_BOOT_ID={boot}\n"
    return entry(at=AT + got, more=times.encode())


def test_the_time_is_the_kernels_however_late_the_journal_was() -> None:
    heard, _ = read(stamped(100, 150) + stamped(200, 950) + stamped(1000, 1050) + stamped(100, 9000, "b2"))
    assert [moment // 1000 - AT for _, _, moment, _ in heard] == [150, 250, 1050, 9000]


def test_a_message_that_holds_a_line_is_not_one() -> None:
    forged = b"\n" + LINE.encode() + b"\n"
    heard, export = read(entry(b"usb 1-1: Product: x" + forged) + entry(LINE.encode() + forged))
    assert heard == []
    assert export.odd == {"line": 1}


def test_a_field_that_is_there_twice_makes_an_entry_nothing() -> None:
    heard, export = read(
        entry(more=field("MESSAGE", b"portress: other")) + entry(more=b"_TRANSPORT=kernel\n")
    )
    assert heard == []
    assert export.odd == {"field": 2}


def test_other_prefixes_are_passed_over() -> None:
    heard, export = read(entry(LINE.replace("portress: ", "shut: ")))
    assert (heard, export.packets) == ([], 0)
    assert export.notes == ["no kernel log line starts with 'portress: ' (journal.prefix)"]


@pytest.mark.parametrize(("inside", "count"), [((), 1), (("lan0",), 1), (("eth0", "eth2"), 0)])
def test_only_what_came_by_a_guarded_interface_counts(inside: tuple[str, ...], count: int) -> None:
    heard, export = read(entry() + entry(LINE.replace("eth0", "lo")), inside)
    assert len(heard) == count
    assert export.odd["inside"] == 2 - count


def test_a_field_of_any_length_is_skipped_in_constant_memory(tmp_path: Path) -> None:
    huge, file = b"A" * (20 << 20), tmp_path / "log.export"
    with file.open("wb") as out:
        out.write(entry(more=b"COREDUMP=" + huge + b"\n"))
        out.write(entry(more=field("COREDUMP", b"\n" + huge)))
    del huge
    with opened(str(file), config()) as found:
        tracemalloc.start()
        heard = list(found.reading)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert len(heard) == 2
    assert peak < 3 << 20


@pytest.mark.parametrize(
    "rest",
    [
        b"no field at all\n",
        b"COREDUMP\n" + (1 << 62).to_bytes(8, "little") + b"x",
        b"COREDUMP\n\x03\0\0",
        b"COREDUMP\n" + (3).to_bytes(8, "little") + b"abcd",
    ],
)
def test_garbage_ends_the_reading_with_a_note(rest: bytes) -> None:
    heard, export = read(entry() + rest + entry())
    assert len(heard) == 1
    assert export.notes[0].endswith("no journal export: the rest is left out")


def test_an_export_cut_short_says_so() -> None:
    heard, export = read(entry() + entry()[:40])
    assert len(heard) == 1
    assert "the file ends in the middle of an entry" in export.notes[0]


def test_ten_thousand_mutated_exports_raise_nothing_and_add_nothing() -> None:
    rng = random.Random(7)
    whole = entry() + entry(SIX) + entry(b"a\nb")
    known = {one[:2] for one in read(whole)[0]}
    for _ in range(10_000):
        data = bytearray(whole)
        for _ in range(rng.randrange(1, 4)):
            place = rng.randrange(len(data))
            what = rng.randrange(3)
            if what == 0:
                data[place] = rng.randrange(256)
            elif what == 1:
                del data[place : place + rng.randrange(1, 20)]
            else:
                data[place:place] = rng.choice((b"\n", b"=", b"\0", b"MESSAGE\n", b"SRC=192.0.2.9 "))
        # A digit that becomes another one makes another address or port, as it would in the journal itself.
        heard, _ = read(bytes(data))
        assert len(heard) <= 2
        for source, knock, moment, interface in heard:
            assert len(source) in (4, 16) and knock >> 16 in (6, 17) and moment >= 0 and interface == 0
    assert known == {
        (Source.parse("192.0.2.7").packed, int(Knock.parse("tcp/4617"))),
        (Source.parse("2001:db8::7").packed, int(Knock.parse("udp/2953"))),
    }


def test_an_export_is_told_from_a_capture() -> None:
    assert is_export(b"__CURSOR=s=1;i=2\n")
    assert is_export(b"MESSAGE\n\x03\0\0\0\0\0\0\0a\nb\n")
    for head in (b"", b"\xa1\xb2\xc3\xd4", b"\x0a\x0d\x0d\x0a", b"LPKSHHRH", b"Nov 24 22:47", b'{"MESSAGE"'):
        assert not is_export(head)


def test_a_directory_without_a_journal_is_a_mistake(tmp_path: Path) -> None:
    with pytest.raises(Mistake, match="a directory without journal files"), opened(str(tmp_path), config()):
        pass


def journal(folder: Path, ages: list[float], damaged: int = 2) -> Path:
    """A folder with a journal of this boot: the same knock so many seconds ago each. A field of number
    `damaged` alone has a name that is no UTF-8."""
    boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip().replace("-", "")
    now, up = time.time_ns() // 1000, time.monotonic_ns() // 1000
    made = b""
    for number, age in enumerate(ages):
        us = round(age * 1_000_000)
        own = f"__MONOTONIC_TIMESTAMP={up - us}\n_BOOT_ID={boot}\nOF_NUMBER_{number}=yes\n"
        made += entry(at=now - us, more=own.encode())
    file = folder / "system.journal"
    subprocess.run([JOURNAL_REMOTE, "-o", file, "-"], input=made, capture_output=True, check=True)
    whole, name = file.read_bytes(), b"OF_NUMBER_%d=" % damaged
    assert whole.count(name) == 1
    file.write_bytes(whole.replace(name, b"\xc8" + name[1:]))
    return folder


@pytest.mark.parametrize("damaged", [0, 2, 3])
def test_a_damaged_entry_is_left_out_and_told(damaged: int, tmp_path: Path) -> None:
    with opened(str(journal(tmp_path, [40, 30, 20, 10], damaged)), config()) as found:
        assert len(list(found.reading)) == 3
        assert found.reading.notes == ["damaged entries are left out"]


def test_the_watcher_passes_damaged_entries_over(tmp_path: Path) -> None:
    folder, place = journal(tmp_path, [40, 30, 20, 10]), tmp_path / "cursor"
    words = ["journalctl", "-D", folder, "-o", "export"]
    listed = subprocess.run(words, capture_output=True).stdout  # it fails at the damaged one
    place.write_bytes(listed.partition(b"\n")[0].removeprefix(b"__CURSOR="))
    with JournalWatcher("portress: ", time.monotonic_ns, cursor=place, path=folder) as watcher:
        assert len(watcher.read()) == 2
        assert watcher.odd == {"damaged": 1}
    place.write_bytes(listed.partition(b"\n")[0].removeprefix(b"__CURSOR="))
    # From a place too old: back to what is younger, from the end.
    young = 19 * SECOND
    with JournalWatcher("portress: ", time.monotonic_ns, cursor=place, path=folder, oldest=young) as watcher:
        assert len(watcher.read()) == 1


def test_a_damaged_journal_file_is_a_mistake(tmp_path: Path) -> None:
    file = tmp_path / "system.journal"
    file.write_bytes(b"LPKSHHRH" + bytes(600))
    with pytest.raises(Mistake, match="no journal that can be read"), opened(str(file), config()):
        pass


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "it is empty"),
        (b"Nov 24 22:47:01 host kernel: portress: IN=eth0", "nor a journal"),
        (bytes(100), "neither pcap nor pcapng"),
        (b"\x1f\x8b\x08\0", "unpack it first"),
    ],
)
def test_what_is_no_capture_and_no_journal_is_a_mistake(data: bytes, words: str, tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_bytes(data)
    with pytest.raises(Mistake, match=words), opened(str(file), config()) as found:
        list(found.reading)


def test_a_file_that_is_not_there_is_a_mistake(tmp_path: Path) -> None:
    with pytest.raises(Mistake, match="No such file"), opened(str(tmp_path / "none"), config()):
        pass
