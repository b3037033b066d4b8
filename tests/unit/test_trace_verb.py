"""`portress trace` as it is called: text and JSON, sources, zones, keyholders, what it refuses."""

from __future__ import annotations

import array
import base64
import fcntl
import json
import os
import pty
import signal
import subprocess
import sys
import termios
import time
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from portress.clock import step_at
from portress.commands.trace import trace
from portress.config.model import Rotating
from portress.errors import Mistake
from portress.sequence import rotating
from unit.stories import ANA, BEGIN, ONE_DOOR, ROTATING, Told, config, pcap, run

RIGHT = ("tcp/4617", "udp/2953", "tcp/6381")
STRANGER, ANOTHER = "192.0.2.7", "203.0.113.9"
BOTH = ONE_DOOR + ROTATING.removeprefix("doors:\n")


class Place:
    """A folder with a configuration, and captures of stories."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.config = folder / "portress.yaml"
        self.write("portress.yaml", BOTH)

    def write(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.write_text(text)
        path.chmod(0o600)
        return path

    def keyholders(self, name: str = "keyholders.yaml") -> Path:
        secret = base64.b32encode(ANA.secret).decode().rstrip("=")
        return self.write(name, f"- {{name: ana, doors: [vpn], secret: {secret}, style: derived}}\n")

    def capture(self, *told: Told) -> Path:
        path = self.folder / "link.pcap"
        path.write_bytes(pcap(sorted(told, key=lambda one: one[0])))
        return path

    def text(self, file: Path | str, *words: str, columns: int = 80, zone: str = "UTC") -> str:
        done = CliRunner(env={"COLUMNS": str(columns)}).invoke(
            trace, [str(file), "--config", str(self.config), "--zone", zone, *words], catch_exceptions=False
        )
        nobody = "No source started" in done.output or "sent no first packet" in done.output
        assert done.exit_code == (1 if nobody or '"sources": [\n]' in done.output else 0), done.output
        return done.output

    def json(self, file: Path, *words: str) -> Any:
        return json.loads(self.text(file, "--json", *words))


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return Place(tmp_path)


def anas(at: float = 0.0) -> list[str]:
    rule = config(BOTH).doors["vpn"].rotating
    assert isinstance(rule, Rotating)
    return [str(one) for one in rotating.derive(ANA.secret, "vpn", rule, step_at(BEGIN + at)).knocks]


def test_a_source_is_shown_with_every_knock_and_its_reason(place: Place) -> None:
    shown = place.text(place.capture(*run(STRANGER, *RIGHT[:2]), (61.3, STRANGER, "tcp/6381")), columns=100)
    lines = [line.rstrip() for line in shown.splitlines()]
    begin = lines.index("")  # behind the head, which may take more lines where paths are long
    assert lines[begin : begin + 5] == [
        "",
        "192.0.2.7  opened nothing: 2 of 3 knocks right (ssh)",
        "  12:30:00.000         tcp/4617  1 of 3 knocks right (ssh)",
        "  12:30:00.100  100 ms udp/2953  2 of 3 knocks right (ssh)",
        "  12:31:01.300  61.2 s tcp/6381  too late: 2 of 3 knocks right (ssh), then 61.2 s pause (gap 60 s)",
    ]


def test_the_head_says_what_was_read_and_what_was_taken_for_granted(place: Place) -> None:
    file = place.capture(*run(STRANGER, *RIGHT))
    assert place.text(file, columns=120).splitlines()[:3] == [
        f"{file}: capture, 3 packets",
        "From 2026-01-01 12:30:00 to 12:30:00, UTC",
        "This host: 198.51.100.1, taken from the first knocks (set it with --host)",
    ]
    assert "--host" not in place.text(file, "--host", "198.51.100.1", "--host", "2001:db8::1")


def test_times_are_in_the_zone_asked_for(place: Place) -> None:
    file = place.capture(*run(STRANGER, *RIGHT))
    berlin = place.text(file, zone="Europe/Berlin")
    assert "13:30:00.000" in berlin and "admitted until 21:30:00" in berlin and "Europe/Berlin" in berlin


def test_an_admission_of_a_single_connection_is_called_one(place: Place) -> None:
    file = place.capture(*run(STRANGER, *RIGHT, "tcp/22"), (5, f"{STRANGER} port 40001", "tcp/22"))
    told = "only the connection from port 40000, this knock's own"
    assert told not in place.text(file, columns=200)
    place.write(
        "portress.yaml",
        "doors:\n  ssh:\n    services: [tcp/22]\n    stay: 30s\n    fixed: {knocks: [tcp/4617, udp/2953, "
        "tcp/6381], gap: 60s, admits: connection}\n",
    )
    text = place.text(file, columns=200)
    assert told in text
    assert "shut: knocked from port 40000, tried from port 40001" in text
    done, mine, other = place.json(file)["sources"][0]["knocks"][2:]
    assert done["port"] == 40000
    assert (mine["admitted"], mine["tried_from"], mine["knocked_from"]) == (True, 40000, [40000])
    assert (other["admitted"], other["tried_from"], other["knocked_from"]) == (False, 40001, [40000])


def test_no_line_is_wider_than_the_screen(place: Place) -> None:
    place.keyholders()
    six = "2001:db8:1234:5678:9abc:def0:1234:5678"
    told = [*run(STRANGER, *anas(), at=1), *run(ANOTHER, *anas(), at=3), *run(six, "tcp/4617", "tcp/65535")]
    for columns in (60, 80, 140):
        shown = place.text(place.capture(*told), columns=columns)
        assert max(len(line.rstrip()) for line in shown.splitlines()[1:]) <= columns


def test_rotating_sequences_need_the_keyholders(place: Place) -> None:
    file = place.capture(*run(STRANGER, *anas(), at=1))
    assert "No source started a sequence." in place.text(file)
    place.keyholders()
    assert "opened vpn" in place.text(file)


def test_keyholders_can_be_elsewhere(place: Place) -> None:
    file = place.capture(*run(STRANGER, *anas(), at=1))
    assert "opened vpn" in place.text(file, "--keyholders", str(place.keyholders("other.yaml")))
    with pytest.raises(Mistake, match="there is no such file"):
        place.text(file, "--keyholders", str(place.folder / "none.yaml"))


def test_no_secret_is_shown(place: Place) -> None:
    place.keyholders()
    file = place.capture(*run(STRANGER, *anas(), at=1))
    secret = base64.b32encode(ANA.secret).decode()
    assert secret[:16] not in place.text(file) and secret[:16] not in place.text(file, "--json")


def test_json_is_one_object_with_a_source_a_line(place: Place) -> None:
    file = place.capture(*run(STRANGER, *RIGHT), *run(ANOTHER, "tcp/4617", "tcp/2953", at=1))
    lines = place.text(file, "--json").splitlines()
    assert len(lines) == 4
    whole = json.loads("\n".join(lines))
    assert (whole["packets"], whole["knocks"], whole["hosts"]) == (5, 5, ["198.51.100.1"])
    first, second = whole["sources"]
    assert first["opened"] == ["ssh"] and first["counts"] == {"advanced": 2, "completed": 1}
    assert first["knocks"][2]["opened"] == [{"door": "ssh", "keyholder": None}]
    assert first["knocks"][2]["until"] == "2026-01-01T20:30:00.200Z"
    assert second["knocks"][1] == {
        "at": "2026-01-01T12:30:01.100Z",
        "knock": "tcp/2953",
        "verdict": "missed",
        "said": "wrong after 1 of 3 knocks right (ssh); expected udp/2953, got tcp/2953",
        "right": 1,
        "of": 3,
        "anew": False,
        "doors": ["ssh"],
        "expected": ["udp/2953"],
    }


def test_every_kind_of_line_has_its_json(place: Place) -> None:
    place.keyholders()
    place.write("portress.yaml", "misses: {limit: 2, within: 10m, shun: 30m}\n" + BOTH)
    told = [
        *run(STRANGER, "tcp/4617", "tcp/4617", "tcp/1", "tcp/2", "tcp/22"),
        (62, STRANGER, "tcp/4617"),
        (123, STRANGER, "udp/2953"),
        *run(STRANGER, "tcp/4617", "tcp/3", "tcp/4", at=124),
        *run(ANOTHER, *anas(200), at=201),
        *run("192.0.2.8", *anas(200), at=203),
        *run(ANOTHER, *anas(200), at=205),
        *run("192.0.2.9", *anas(-600), at=206),
    ]
    sources = place.json(place.capture(*told))["sources"]
    kinds = {line["verdict"] for one in sources for line in one["knocks"]}
    assert kinds == {
        "advanced",
        "repeated",
        "missed",
        "ignored",
        "service",
        "lapsed",
        "shunned",
        "completed",
        "replayed",
        "echoed",
        "astray",
    }
    text = place.text(place.folder / "link.pcap")
    assert "opened nothing: a sequence used before" in text
    assert "opened nothing: the sequence of another time (vpn)" in text


def test_one_source_can_be_asked_for(place: Place) -> None:
    file = place.capture(*run(STRANGER, *RIGHT), *run(ANOTHER, "tcp/4617", "tcp/5", "tcp/6", at=1))
    shown = place.text(file, "--source", ANOTHER)
    assert "tcp/6" in shown and STRANGER not in shown
    assert "192.0.2.99 sent no first packet to this host." in place.text(file, "--source", "192.0.2.99")


def test_of_many_sources_those_that_came_furthest_are_shown(place: Place) -> None:
    crowd = [(1 + number / 100, f"2001:db8:0:{number + 1:x}::1", "tcp/4617") for number in range(60)]
    file = place.capture(*crowd, *run(STRANGER, *RIGHT, at=9), *run(ANOTHER, *RIGHT[:2], at=10))
    shown = place.text(file, "--limit", "2", columns=120)
    assert [line.split()[0] for line in shown.splitlines() if "opened" in line] == [STRANGER, ANOTHER]
    assert "60 more sources started a sequence and got less far (--limit 0 shows all)" in shown
    assert place.text(file, "--limit", "0").count("opened") == 62


def test_standard_input_can_be_traced(place: Place) -> None:
    file = place.capture(*run(STRANGER, *RIGHT))
    words = [
        sys.executable,
        "-c",
        "from portress.commands import main; main()",
        "trace",
        "-",
        "--zone",
        "UTC",
    ]
    with file.open("rb") as stdin:
        done = subprocess.run(
            [*words, "--config", str(place.config)], stdin=stdin, capture_output=True, text=True, timeout=30
        )
    assert done.stdout.startswith("standard input: capture, 3 packets")
    assert "opened ssh" in done.stdout
    assert done.stderr == ""


def test_ctrl_c_ends_a_capture_that_still_grows_and_what_came_is_told(place: Place) -> None:
    """As in `tcpdump -w - | portress trace -`: the terminal sends it to both."""
    words = [sys.executable, "-c", "from portress.commands import main; main()", "trace", "-"]
    process = subprocess.Popen(
        [*words, "--config", str(place.config)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert process.stdin is not None
    whole = place.capture(*run(STRANGER, *RIGHT)).read_bytes()
    os.write(process.stdin.fileno(), whole[:-10])
    left, until = array.array("i", [1]), time.monotonic() + 30
    while left[0]:  # until it has read that, and waits for more
        assert time.monotonic() < until
        time.sleep(0.01)
        fcntl.ioctl(process.stdin, termios.FIONREAD, left)
    process.send_signal(signal.SIGINT)
    time.sleep(0.2)
    out, _ = process.communicate(whole[-10:], timeout=30)  # what tcpdump still writes
    assert process.returncode == 0
    assert b"opened ssh" in out


def test_packets_cut_off_before_their_ports_are_told(place: Place) -> None:
    whole = place.capture((0, STRANGER, "tcp/4617")).read_bytes()
    file = place.folder / "short.pcap"
    file.write_bytes(whole[:32] + (30).to_bytes(4, "little") + whole[36:70])
    assert "Cut off before the ports: 1 packet, which may be knocks: capture 128 bytes" in place.text(file)


def test_memory_does_not_grow_with_the_capture(place: Place) -> None:
    """A quarter of a million first knocks, each of another source: there is room for few of them."""
    place.write("portress.yaml", f"callers: 1024\n{ONE_DOOR}")
    one = pcap([(0, STRANGER, "tcp/4617")])[24:]
    peaks = []
    for blocks in (4, 32):
        file = place.folder / "many.pcap"
        with file.open("wb") as out:
            out.write(pcap([]))
            block = bytearray(one * 8192)
            block[30 :: len(one)] = bytes(number >> 8 for number in range(8192))
            block[31 :: len(one)] = bytes(number & 0xFF for number in range(8192))
            for number in range(blocks):
                block[29 :: len(one)] = bytes([number]) * 8192
                out.write(block)
        words = [sys.executable, "-c", "from portress.commands import main; main()", "trace", str(file)]
        process = subprocess.Popen([*words, "--config", str(place.config)], stdout=subprocess.DEVNULL)
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        assert process.returncode == 0
        peaks.append(used.ru_maxrss)  # KiB
    assert peaks[1] < peaks[0] + 8192, peaks


def test_a_bar_is_shown_on_a_terminal_and_only_there(place: Place) -> None:
    file = place.capture(*(line for n in range(30_000) for line in run(STRANGER, "tcp/1", at=n / 100)))
    parent, child = pty.openpty()
    words = [sys.executable, "-c", "from portress.commands import main; main()", "trace", str(file)]
    process = subprocess.Popen(
        [*words, "--config", str(place.config), "--json"],
        stdout=subprocess.PIPE,
        stderr=child,
        text=True,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80"},
    )
    os.close(child)
    drawn = b""
    while True:
        try:
            more = os.read(parent, 4096)
        except OSError:  # EIO: the other end is closed
            break
        drawn += more
    out, _ = process.communicate(timeout=30)
    os.close(parent)
    assert b"reading the capture" in drawn
    assert json.loads(out)["packets"] == 30_000
    piped = [*words, "--config", str(place.config), "--json"]
    done = subprocess.run(
        piped, capture_output=True, text=True, env={**os.environ, "TERM": "xterm"}, timeout=60
    )
    assert (done.stderr, json.loads(done.stdout)["packets"]) == ("", 30_000)


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--zone", "Europe/Atlantis"], "'Europe/Atlantis': no such zone"),
        (["--zone", "../../etc/passwd"], "no such zone"),
        (["--host", "192.0.2.300"], "192.0.2.300"),
    ],
)
def test_wrong_options_are_named(place: Place, words: list[str], complaint: str) -> None:
    done = CliRunner().invoke(trace, [str(place.capture()), "--config", str(place.config), *words])
    assert done.exit_code == 2
    assert complaint in done.output


def test_what_cannot_be_read_is_named(place: Place) -> None:
    (place.folder / "empty").mkdir()
    for file, complaint in (
        (place.folder / "empty", "a directory without journal files"),
        ("/proc/self/mem", "cannot be read: Input/output error"),
    ):
        done = CliRunner().invoke(trace, [str(file), "--config", str(place.config)])
        assert isinstance(done.exception, Mistake)
        assert str(done.exception).startswith(f"{file}: {complaint}")
