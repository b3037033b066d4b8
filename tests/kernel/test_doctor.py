"""The doctor in namespaces prepared to have each of its findings, and in healthy ones that have none."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from kernel.patient import ABSENT, CONFIG, FIREWALL, ROTATING, finding, kept, names, report
from lab import World, daemon, service, world
from lab.portress import REPOSITORY
from portress.doctor.probe import clock, kernel


@pytest.fixture
def w() -> Iterator[World]:
    with world() as made:
        yield made


def test_a_healthy_host_has_no_finding(w: World) -> None:
    w.host.nft(FIREWALL)
    with service(w.host, "tcp/22"), daemon(w.host, CONFIG) as made:
        done = made.verb("doctor")
        assert done.stdout.rstrip().endswith("Nothing is wrong.")
        assert report(made)["healthy"]


def test_a_healthy_host_of_containers_has_no_finding(w: World) -> None:
    """As Docker publishes a port: DNAT in the table `nat` of iptables, here guarded as it is dialled."""
    w.host.run(["iptables", "-t", "nat", "-N", "DOCKER"])
    local = ["-m", "addrtype", "--dst-type", "LOCAL", "-j", "DOCKER"]
    w.host.run(["iptables", "-t", "nat", "-A", "PREROUTING", *local])
    publish = ["-p", "tcp", "--dport", "8080", "-j", "DNAT", "--to-destination", "198.51.100.70:80"]
    w.host.run(["iptables", "-t", "nat", "-A", "DOCKER", "!", "-i", "docker0", *publish])
    with daemon(w.host, CONFIG.replace("tcp/22", "tcp/8080")) as made:
        assert report(made)["findings"] == []


def test_the_report_is_readable_in_80_columns(w: World) -> None:
    with kept(w.host) as made:
        done = made.verb("doctor", check=False)
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert "ERROR  the guard is not loaded" in done.stdout
    assert "  why  every door is open: only the host's own firewall applies" in done.stdout
    assert "  do   portress guard" in done.stdout
    assert done.stdout.rstrip().endswith("2 errors, 1 warning.")


# Guard and daemon


def test_a_guard_and_a_daemon_that_are_not_there_are_found(w: World) -> None:
    with service(w.host, "tcp/22"), kept(w.host) as made:
        assert names(made) == ABSENT


def test_a_configuration_that_was_changed_since_is_found(w: World) -> None:
    with service(w.host, "tcp/22"), daemon(w.host, CONFIG) as made:
        made.configure(CONFIG.replace("[tcp/22]", "[tcp/22, tcp/443]"))
        with service(w.host, "tcp/443"):
            assert names(made) == {"guard-differs", "daemon-differs"}
        made.configure(CONFIG.replace("    fixed", "    stay: 2h\n    fixed"))
        assert names(made) == {"guard-differs", "daemon-differs"}  # the guard itself admits for so long


def test_of_a_bad_file_it_says_what_the_daemon_runs_instead(w: World) -> None:
    with service(w.host, "tcp/22"), daemon(w.host, CONFIG) as made:
        made.configure("doors: {}\n")
        told = report(made)["findings"]
        assert [one["name"] for one in told] == ["configuration-refused"]
        assert "the daemon keeps the configuration it loaded before" in told[0]["why"]


def test_a_guard_that_somebody_changed_is_found(w: World) -> None:
    with service(w.host, "tcp/22"), daemon(w.host, CONFIG, start=False) as made:
        w.host.nft("insert rule inet portress door_ssh accept")
        found = [one for one in report(made)["findings"] if one["name"] != "daemon-missing"]
    assert [one["name"] for one in found] == ["guard-changed"]
    assert "door_ssh" in found[0]["what"]


def test_a_daemon_at_another_socket_is_found(w: World) -> None:
    with service(w.host, "tcp/22"), daemon(w.host, CONFIG) as made:
        done = made.verb("doctor", "--json", "--socket", "/run/none.sock", check=False)
        found = json.loads(done.stdout)["findings"]
    assert [one["name"] for one in found] == ["daemon-missing"]
    assert "none answers at /run/none.sock" in found[0]["what"]


def test_a_packet_log_group_that_another_program_has_is_found(w: World) -> None:
    listen = (
        "import sys, time; from portress.watch.packet import PacketWatcher as P\n"
        "with P(7507, time.monotonic_ns): print('on', flush=True); sys.stdin.read()"
    )
    with service(w.host, "tcp/22"), kept(w.host) as made:
        words = [sys.executable, "-c", listen]
        other = w.host.popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        assert other.stdout is not None
        assert other.stdout.readline() == "on\n"
        assert "group 7507" in finding(made, "group-taken")["what"]
        other.kill()
        other.wait(10)


# Kernel and watchers


def test_a_rule_that_the_kernel_does_not_take_is_told_with_its_reason(w: World) -> None:
    import nftables

    def tried(rule: str) -> str | None:
        nft = nftables.Nftables()
        nft.set_dry_run(True)
        return kernel._try_rule(nft, rule)

    assert w.host.call(tried, "ct state established accept") is None
    assert "No such file or directory" in str(w.host.call(tried, "jump nowhere"))
    assert w.host.run(["nft", "list", "tables"]).stdout == ""


def test_a_watcher_that_does_not_work_here_is_found(w: World) -> None:
    """The journal's: of a namespace that is not the first one, nothing reaches it unless that is allowed."""
    with service(w.host, "tcp/22"), kept(w.host, f"watch: journal\n{CONFIG}") as made:
        told = report(made)
        works = told["facts"]["watch: journal"] == "works here"
        found = [one for one in told["findings"] if one["name"] not in ABSENT]
    assert [one["name"] for one in found] == ([] if works else ["watcher"])
    assert works or "write watch: packet" in found[0]["do"]
    assert told["facts"]["watch: packet"] == told["facts"]["watch: counter"] == "works here"


# Clock and files


def test_the_clock_is_told_as_another_program_reads_it(tmp_path: Path) -> None:
    subprocess.run([REPOSITORY / "systemd/clock-error", tmp_path / "clock"], check=True)
    other, ours = json.loads((tmp_path / "clock").read_text()), clock.read()
    assert ours is not None
    assert ours.synchronised == other["synchronised"]
    assert ours.error == pytest.approx(other["error"], abs=1)


def test_a_clock_that_nothing_steers_is_found_where_sequences_rotate(w: World) -> None:
    steered = clock.read()
    assert steered is not None
    with service(w.host, "udp/51820"), kept(w.host, ROTATING) as made:
        assert ("clock-unsynchronised" in names(made)) is not steered.synchronised


@pytest.mark.parametrize(
    ("file", "mode", "expected"),
    [
        ("portress.yaml", 0o644, {"configuration-readable"}),
        ("portress.yaml", 0o602, {"configuration-writable"}),
        ("keyholders.yaml", 0o640, {"keyholders-group"}),
        ("state", 0o777, {"state-writable", "ledger-replaceable"}),
        ("state/ledger.db", 0o644, {"ledger-readable"}),
        (".", 0o777, {f"{role}-replaceable" for role in ("configuration", "keyholders", "state", "ledger")}),
    ],
)
def test_a_file_that_lets_others_in_is_found(w: World, file: str, mode: int, expected: set[str]) -> None:
    with service(w.host, "tcp/22"), kept(w.host, keyholders="[]\n") as made:
        (made.state / "ledger.db").touch(mode=0o600)
        (made.folder / file).chmod(mode)
        assert names(made) - ABSENT == expected


def test_a_socket_that_lets_others_in_is_found(w: World) -> None:
    with service(w.host, "tcp/22"), daemon(w.host, CONFIG) as made:
        made.socket.chmod(0o666)
        assert "admit any source" in finding(made, "socket-writable")["why"]


def test_keyholders_with_mistakes_are_found(w: World) -> None:
    with service(w.host, "tcp/22"), kept(w.host, keyholders="- {name: ana}\n") as made:
        assert names(made) - ABSENT == {"keyholders-refused"}


def test_without_a_usable_configuration_the_host_is_told_and_each_mistake_is_a_finding(w: World) -> None:
    with daemon(w.host, CONFIG, guard=False, start=False) as made:
        made.configure("dors: {}\nwatch: ear\n")
        told = report(made)
        assert told["facts"]["watch: packet"] == "works here"
        assert {one["name"] for one in told["findings"]} == {"configuration-refused"}
        whats = [one["what"] for one in told["findings"]]
        assert any(":1: dors" in what for what in whats)
        assert any(":2: watch" in what for what in whats)
        made.config.unlink()
        assert "there is no such file" in made.verb("doctor", check=False).stdout


def test_without_root_it_is_one_line(w: World) -> None:
    with kept(w.host) as made:
        program = "from portress.commands import main; raise SystemExit(main())"
        words = ["setpriv", "--bounding-set=-net_admin", "--", sys.executable, "-c", program, "doctor"]
        done = w.host.run([*words, *made.options], check=False)
    assert done.returncode == 1
    assert done.stderr.startswith("portress: doctor looks at nftables")
    assert len(done.stderr.splitlines()) == 1
