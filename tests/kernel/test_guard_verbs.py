"""The guard's verbs: nobody locks himself out, nobody else's rules are touched, a trial ends by itself."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from kernel.peer import Peer
from lab import Namespace, World, daemon, owned, portress, service, sshd, tcp_state, until, world
from lab.portress import Daemon
from lab.space import halt
from portress.guard.table import Table
from portress.run import root_files

CONFIG = """\
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381], gap: 5s}
"""
OTHERS = """
table inet filter { chain input { type filter hook input priority 0; policy accept; tcp dport 9 drop; }; }
table ip nat { chain pre { type nat hook prerouting priority dstnat; tcp dport 8 redirect to :9; }; }
"""
# Connection tracking sees what comes in, and no answer: those are dropped before it.
HALF = """
table inet half {
    chain in { type filter hook input priority 0; ct state new accept; }
    chain out { type filter hook output priority -300; tcp sport 22 drop; }
}
"""
PROGRAM = str(Path(sys.prefix, "bin", "portress"))


def tables(ns: Namespace) -> str:
    return ns.run(["nft", "list", "tables"]).stdout


def quiet(d: Daemon) -> bool:
    """Whether no guard is loaded."""
    return "portress" not in tables(d.ns)


def test_the_guard_touches_no_other_table_and_unguard_takes_it_away_again() -> None:
    with world() as w, daemon(w.host, CONFIG, guard=False, start=False) as d:
        w.host.nft(OTHERS)
        before = w.host.run(["nft", "list", "ruleset"]).stdout
        told = d.verb("guard").stdout
        assert "Closed to everyone not admitted: ssh (tcp/22)." in told
        assert "no address was admitted for you" in told
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        assert before in w.host.run(["nft", "list", "ruleset"]).stdout
        assert "Guard removed" in d.verb("unguard").stdout
        assert w.host.run(["nft", "list", "ruleset"]).stdout == before
        assert d.verb("unguard").stdout == "There was no guard.\n"


def test_the_rules_printed_are_those_that_are_loaded() -> None:
    config = CONFIG.replace("stay: 1h", "stay: 1h\n    linger: false")
    config = "always: [192.0.2.0/24, '2001:db8::/32']\npublic: [tcp/80, udp/443]\nclosed: reject\n" + config
    for source_prefix in ("{ipv4: 32, ipv6: 128}", "{ipv4: 24, ipv6: 56}"):
        for watch in ("packet", "journal", "counter"):
            top = f"watch: {watch}\ninside: [lan0, lan1]\nsource_prefix: {source_prefix}\n"
            with world() as w, daemon(w.host, top + config, guard=False, start=False) as d:
                text = d.verb("rules").stdout
                w.host.run(["nft", "-c", "-f", "-"], text=text)
                w.host.nft(text)
                by_text = w.host.run(["nft", "list", "table", "inet", "portress"]).stdout
                w.host.run(["nft", "delete", "table", "inet", "portress"])
                d.verb("guard")
                loaded = w.host.run(["nft", "list", "table", "inet", "portress"]).stdout
                assert loaded.replace("\tflags persist\n\n", "", 1) == by_text
                assert json.loads(d.verb("rules", "--json").stdout)["rules"] == text


def test_sessions_under_way_before_the_guard_go_on_though_nothing_tracked_them() -> None:
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG, guard=False, start=False) as d:
        sessions = [server.session(w.stranger, host) for host in (w.host4, w.host6)]
        for session in sessions:
            assert session.stdin and session.stdout
            session.stdin.write("before\n")
            assert session.stdout.readline() == "before\n"
        told = d.verb("guard").stdout
        assert f"Connected to guarded ports: {w.stranger4}, {w.stranger6}." in told
        for session in sessions:
            assert session.stdin and session.stdout
            session.stdin.write("after\n")
            assert session.stdout.readline() == "after\n"
            session.kill()
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"


@pytest.mark.parametrize("host", [World.host4, World.host6])
def test_a_session_of_which_tracking_saw_one_end_only_goes_on(host: str) -> None:
    """As when something else begins to track between a packet and its answer: such a flow counts as new."""
    with (
        world() as w,
        service(w.host, "tcp/22"),
        daemon(w.host, CONFIG, guard=False, start=False) as d,
        contextlib.closing(Peer(w.stranger, socket.SOCK_STREAM, 22, host=host)) as peer,
    ):
        assert peer.answers()
        w.host.nft(HALF)
        assert not peer.answers()
        family = "ipv6" if ":" in host else "ipv4"
        assert "UNREPLIED" in w.host.run(["conntrack", "-L", "-f", family]).stdout
        d.verb("guard")
        assert "UNREPLIED" not in w.host.run(["conntrack", "-L", "-f", family]).stdout
        w.host.run(["nft", "delete", "table", "inet", "half"])
        peer.socket.settimeout(10.0)
        assert peer.socket.recv(100) == b"still here", "what is sent again does not get through"
        assert peer.answers()
        assert tcp_state(w.stranger, host, 22) == "filtered"


def test_over_ssh_the_address_it_is_run_from_is_admitted_first() -> None:
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG, guard=False, start=False) as d:
        words = f"{PROGRAM} guard {' '.join(d.options)}"
        done = server.ssh(w.stranger, w.host4, words)
        assert done.returncode == 0, done.stderr
        assert (
            f"You are connected from {w.stranger4}, so {w.stranger4} is admitted: ssh for 1h." in done.stdout
        )
        assert tcp_state(w.stranger, w.host4, 22) == "open"
        assert tcp_state(w.another, w.host4, 22) == "filtered"


def test_behind_a_shell_that_forgets_its_environment_the_address_is_still_found() -> None:
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG, guard=False, start=False) as d:
        words = f"env -i /bin/sh -c '{PROGRAM} guard {' '.join(d.options)}; :'"
        done = server.ssh(w.stranger, w.host6, words)
        assert f"so {w.stranger6} is admitted" in done.stdout, done.stderr


def test_in_a_terminal_taken_up_again_from_elsewhere_the_session_under_way_counts() -> None:
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG, guard=False, start=False) as d:
        told = d.folder / "told"
        later = f"while [ ! -e {d.folder}/go ]; do sleep 0.1; done; {PROGRAM} guard {' '.join(d.options)}"
        words = f"setsid sh -c '{later} >{told}.new 2>&1; mv {told}.new {told}' >/dev/null 2>&1 </dev/null &"
        assert server.ssh(w.stranger, w.host4, words).returncode == 0
        session = server.session(w.another, w.host4)
        assert session.stdin and session.stdout
        session.stdin.write("here\n")
        assert session.stdout.readline() == "here\n"
        (d.folder / "go").touch()
        until(told.exists)
        assert f"You are connected from {w.another4}, so {w.another4} is admitted" in told.read_text()
        assert tcp_state(w.another, w.host4, 22) == "open"
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        session.kill()


def test_a_daemon_started_over_ssh_without_a_guard_admits_its_starter_too() -> None:
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG, guard=False, start=False) as d:
        session = server.session(w.stranger, w.host4, f"{PROGRAM} run {' '.join(d.options)} 2>&1")
        assert session.stdout
        while "ready" not in (line := session.stdout.readline()):
            assert line, "the daemon ended"
        assert [one["source"] for one in d.status()["admissions"]] == [w.stranger4]
        subprocess.run(["kill", str(d.status()["pid"])], check=True)
        session.wait(10)


def test_a_trial_ends_by_itself_though_the_terminal_is_gone() -> None:
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG, guard=False, start=False) as d:
        done = server.ssh(w.stranger, w.host4, f"{PROGRAM} guard --trial 2s {' '.join(d.options)}")
        assert "On trial: it is removed in 2s." in done.stdout, done.stderr
        assert f"`portress why {w.stranger4}` shows whether the knocks were right" in done.stdout
        assert tcp_state(w.another, w.host4, 22) == "filtered"
        until(lambda: quiet(d))
        assert tcp_state(w.another, w.host4, 22) == "open"


def test_a_trial_that_is_kept_stays() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, CONFIG, guard=False, start=False) as d:
        d.verb("guard", "--trial", "8s")
        assert d.verb("guard", "--keep").stdout.startswith("The guard stays. Closed to")
        time.sleep(8.5)
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        again = d.verb("guard", "--keep", check=False)
        assert again.returncode == 1 and "no trial is running; the guard is loaded" in again.stderr


def test_a_trial_over_an_older_guard_puts_that_one_back_with_its_admissions() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, CONFIG, guard=False, start=False) as d:
        d.verb("guard")
        d.verb("admit", w.stranger4, "ssh")
        before = w.host.run(["nft", "-s", "list", "table", "inet", "portress"]).stdout.split("elements")[0]
        d.configure(CONFIG.replace("tcp/22", "tcp/2222").replace("4617", "4618"))
        d.verb("guard", "--trial", "8s")
        assert tcp_state(w.another, w.host4, 22) == "open"
        until(lambda: tcp_state(w.another, w.host4, 22, timeout=0.3) == "filtered")
        assert tcp_state(w.stranger, w.host4, 22) == "open"
        after = w.host.run(["nft", "-s", "list", "table", "inet", "portress"]).stdout.split("elements")[0]
        assert after == before


def test_a_trial_that_is_over_cannot_be_kept_any_more() -> None:
    """The process that ends it if the daemon does not waits a while longer."""
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, CONFIG) as d:
        d.verb("guard", "--trial", "2s")
        d.wait_for("trial ended without --keep")
        late = d.verb("guard", "--keep", check=False)
        assert (late.returncode, late.stdout) == (1, "")
        assert "the trial is over, the guard was not kept; to close" in late.stderr
        assert tcp_state(w.stranger, w.host4, 22) == "open"


def test_a_trial_with_a_daemon_ends_too_and_the_daemon_stands_down() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, CONFIG) as d:
        d.verb("guard", "--trial", "8s")
        assert d.status()["guard"]["trial"] > 0
        assert "only the host's own firewall applies" in d.wait_for("trial ended without --keep")
        time.sleep(0.5)
        assert quiet(d) and tcp_state(w.stranger, w.host4, 22) == "open"
        d.restart()
        d.wait_for("guard removed by hand")
        assert quiet(d)
        d.verb("guard")
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        d.verb("guard", "--trial", "8s")
        assert d.verb("guard", "--keep").stdout.startswith("The guard stays. Closed to")
        time.sleep(8.5)
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"


def test_a_trial_of_another_configuration_with_a_daemon_goes_back_to_the_one_before() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, CONFIG) as d:
        d.configure(CONFIG.replace("tcp/22", "tcp/2222"))
        d.verb("guard", "--trial", "8s")
        assert tcp_state(w.stranger, w.host4, 22) == "open"
        assert tcp_state(w.stranger, w.host4, 2222) == "filtered"
        d.wait_for("back to the previous configuration")
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        assert tcp_state(w.stranger, w.host4, 2222) == "closed"


def test_a_trial_ends_though_the_daemon_that_was_asked_for_it_is_gone() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, CONFIG) as d:
        d.verb("guard", "--trial", "2s")
        d.kill()
        until(lambda: quiet(d))
        assert tcp_state(w.stranger, w.host4, 22) == "open"
        d.start()
        assert "guard removed by hand" in d.log and quiet(d)
        d.verb("guard", "--trial", "10s")
        d.restart()
        assert not quiet(d)
        d.wait_for("guard removed by command")
        assert quiet(d)
        d.verb("guard", "--trial", "10s")
        begun = time.monotonic()
        d.restart()
        assert d.verb("guard", "--keep").stdout.startswith("The guard stays. Closed to")
        time.sleep(max(0.0, begun + 13 - time.monotonic()))
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"


def test_what_was_only_on_trial_is_nothing_that_a_second_trial_goes_back_to() -> None:
    other = CONFIG.replace("tcp/22", "tcp/2222")
    with world() as w, daemon(w.host, CONFIG) as d:
        d.verb("unguard")
        d.verb("guard", "--trial", "60s")
        d.configure(other)
        assert "it is removed in 2s. Check now" in d.verb("guard", "--trial", "2s").stdout
        until(lambda: quiet(d))
        d.verb("guard")
        d.configure(CONFIG)
        assert "and the guard from before restored" in d.verb("guard", "--trial", "60s").stdout
        d.configure(CONFIG.replace("tcp/22", "tcp/23"))
        d.verb("guard", "--trial", "2s")
        d.wait_for("back to the previous configuration")
        assert d.status()["doors"][0]["services"] == ["tcp/2222"]


def test_the_daemon_is_not_asked_for_another_configuration_than_its_own() -> None:
    with world() as w, daemon(w.host, CONFIG) as d:
        another = d.folder / "another.yaml"
        another.write_text(CONFIG.replace("tcp/22", "tcp/2222"))
        words = ["guard", "--config", str(another), "--socket", str(d.socket)]
        done = portress(w.host, *words)
        assert done.returncode == 1 and not done.stdout
        assert done.stderr == (
            f"portress: {another}: the daemon here has its configuration from {d.config}: change that one\n"
        )


def test_whoever_is_cut_off_by_a_door_that_lets_nobody_linger_is_named() -> None:
    strict = CONFIG.replace("stay: 1h", "stay: 1h\n    linger: false")
    with world() as w, sshd(w.host) as server, daemon(w.host, strict, guard=False, start=False) as d:
        session = server.session(w.another, w.host4)
        assert session.stdin and session.stdout
        session.stdin.write("here\n")
        assert session.stdout.readline() == "here\n"
        done = server.ssh(w.stranger, w.host4, f"{PROGRAM} guard {' '.join(d.options)}")
        assert f"so {w.stranger4} is admitted: ssh for 1h, then cut." in done.stdout
        assert "Their sessions continue" not in done.stdout
        assert (
            f"cut off, for their door has linger: false and they are not admitted: {w.another4};"
            in done.stderr
        )
        d.verb("admit", w.another4, "ssh")
        assert "cut off" not in d.verb("guard").stderr
        session.kill()


def test_an_interface_that_is_not_there_is_told() -> None:
    config = "inside: [eth1, lan7]\n" + CONFIG
    with world() as w, daemon(w.host, config, guard=False, start=False) as d:
        assert (
            "inside: there is no interface lan7 now; one that comes under that name" in d.verb("guard").stderr
        )


def test_a_trial_begun_before_the_daemon_ends_with_the_daemon_running() -> None:
    with world() as w, daemon(w.host, CONFIG, guard=False, start=False) as d:
        d.verb("guard", "--trial", "4s")
        d.start()
        until(lambda: quiet(d))
        time.sleep(0.3)
        assert quiet(d)


def test_a_daemon_that_hangs_does_not_keep_the_doors_shut() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, CONFIG) as d:
        halt(d.pid)
        if owned(w.host):
            told = d.verb("unguard", check=False).stderr
            assert "does not answer within 8 s: kill it (SIGKILL), then repeat: portress unguard" in told
            d.kill()
            assert "Guard removed" in d.verb("unguard").stdout
            d.start()
        else:
            assert "Guard removed" in d.verb("unguard").stdout
            os.kill(d.pid, signal.SIGCONT)
        d.wait_for("only the host's own firewall applies")
        time.sleep(0.3)
        assert quiet(d)
        assert tcp_state(w.stranger, w.host4, 22) == "open"


def test_a_trial_ends_though_a_daemon_started_meanwhile_hangs() -> None:
    with world() as w, daemon(w.host, CONFIG, guard=False, start=False) as d:
        d.verb("guard", "--trial", "4s")
        d.start()
        halt(d.pid)
        until(lambda: quiet(d), 50)
        with contextlib.suppress(ProcessLookupError):  # one that owns the table has been killed
            os.kill(d.pid, signal.SIGCONT)
        time.sleep(0.3)
        assert quiet(d)


def test_a_trial_that_cannot_be_ended_is_not_begun() -> None:
    with world() as w, daemon(w.host, CONFIG, guard=False, start=False) as d:
        done = d.verb("guard", "--trial", "2s", "--socket", "/proc/none/control.sock", check=False)
        assert done.returncode == 1
        assert (
            done.stderr
            == "portress: /proc/none-guard: the trial cannot be recorded there: No such file or directory\n"
        )
        assert quiet(d)


def test_a_second_trial_puts_back_what_was_there_before_the_first() -> None:
    with world() as w, daemon(w.host, CONFIG, guard=False, start=False) as d:
        d.verb("guard", "--trial", "60s")
        assert "it is removed in 8s. Check now" in d.verb("guard", "--trial", "8s").stdout
        assert not quiet(d)
        until(lambda: quiet(d))


def test_the_process_that_ends_a_trial_holds_no_handle_of_the_guard() -> None:
    """A table may be owned by a netlink socket: while it is open, nobody else can change the table."""
    with world() as w, daemon(w.host, CONFIG, guard=False, start=False) as d:
        d.verb("guard", "--trial", "60s")
        pid = json.loads((root_files.directory(d.socket) / "trial").read_text())["pid"]
        open_files = [os.readlink(file) for file in Path(f"/proc/{pid}/fd").iterdir()]
        assert set(open_files) == {"/dev/null"}
        d.verb("guard", "--keep")


def test_the_guard_asked_for_outright_ends_a_trial() -> None:
    with world() as w, daemon(w.host, CONFIG, guard=False, start=False) as d:
        d.verb("guard", "--trial", "2s")
        d.verb("guard")
        assert "no trial is running" in d.verb("guard", "--keep", check=False).stderr
        d.verb("guard", "--trial", "60s")
        d.start()
        d.verb("guard")
        assert "no trial is running" in d.verb("guard", "--keep", check=False).stderr
        d.verb("guard", "--trial", "60s")
        d.verb("guard")
        assert d.status()["guard"]["trial"] is None


def test_a_door_that_the_configuration_lost_is_admitted_to_when_told_how_long() -> None:
    with world() as w, daemon(w.host, CONFIG, start=False) as d:
        d.configure(CONFIG.replace("ssh:", "shop:"))
        done = d.verb("admit", w.stranger4, "ssh", check=False)
        assert done.returncode == 1 and "has no door 'ssh' any more" in done.stderr
        assert "is admitted to ssh for 1h" in d.verb("admit", w.stranger4, "ssh", "--for", "1h").stdout


def test_admitting_and_dismissing_work_without_a_daemon() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, CONFIG, start=False) as d:
        assert "no daemon running" in d.verb("admit", w.stranger4, "ssh", "--for", "10m").stdout
        assert tcp_state(w.stranger, w.host4, 22) == "open"
        told = d.status()
        assert told["daemon"] is False and told["admissions"][0]["source"] == w.stranger4
        for verb in ("admit", "dismiss"):
            refused = d.verb(verb, w.stranger4, "shop", check=False)
            assert (refused.returncode, refused.stderr) == (
                1,
                "portress: there is no door 'shop'; the doors are ssh\n",
            )
        d.verb("dismiss", w.stranger4)
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"


def test_an_admission_is_never_shortened_and_always_set_anew() -> None:
    with world() as w, daemon(w.host, CONFIG) as d:
        d.verb("admit", w.stranger4, "ssh", "--for", "3h")
        assert "already longer than requested" in d.verb("admit", w.stranger4, "ssh", "--for", "10m").stdout
        assert d.status()["admissions"][0]["left"] > 3 * 3600 - 60
        d.verb("admit", w.stranger4, "ssh", "--for", "5h")
        listed = w.host.run(["nft", "list", "set", "inet", "portress", "ssh_4"]).stdout
        assert "timeout 5h expires 4h59m" in listed


def test_without_the_rights_of_root_every_verb_that_needs_them_says_so() -> None:
    """The user stays root, without its capabilities: another might not be able to read this repository."""
    with world() as w, daemon(w.host, CONFIG, guard=False, start=False) as d:
        for verb in (["guard"], ["unguard"], ["run"], ["admit", "192.0.2.7", "ssh"]):
            words = ["setpriv", "--bounding-set=-all", "--inh-caps=-all", "--", PROGRAM, *verb, *d.options]
            done = w.host.run(words, check=False)
            assert done.returncode == 1, verb
            assert "root" in done.stderr and done.stderr.count("\n") == 1, done.stderr


@pytest.mark.parametrize("decide", ["daemon", "kernel"])
def test_what_a_trial_puts_back_is_what_nft_lists_but_for_elements_with_a_timeout(decide: str) -> None:
    config = f"decide: {decide}\nalways: [192.0.2.0/24]\n{CONFIG}"
    timed = r"(flags [a-z,]*timeout\b(?:(?!\n\t\}).)*?)\n\t\telements = \{.*?\}(?=\n)"
    with world() as w, daemon(w.host, config) as d, w.host.enter():
        d.verb("admit", w.stranger4, "ssh")
        listed = w.host.run(["nft", "-s", "-y", "list", "table", "inet", "portress"]).stdout
        told = Table().text()
        assert told == re.sub(timed, r"\1", listed, flags=re.DOTALL)
        assert told is not None and "192.0.2.0/24" in told and w.stranger4 not in told
        assert ("open_ssh" if decide == "kernel" else "4617") in told


def test_long_work_says_so_on_a_terminal_and_nothing_in_a_pipe() -> None:
    with world() as w, daemon(w.host, CONFIG, guard=False, start=False) as d:
        program = [str(Path(sys.prefix, "bin", "portress")), "guard", *d.options, "--trial", "60s"]
        done = d.verb("guard", "--trial", "60s")
        assert done.stderr == "" and "…" not in done.stdout
        ours, theirs = os.openpty()
        told = w.host.popen(["env", "TERM=xterm", *program], stdout=subprocess.PIPE, stderr=theirs)
        os.close(theirs)
        said = b""
        with contextlib.suppress(OSError):  # EIO once nobody has the terminal open any more
            while part := os.read(ours, 4096):
                said += part
        told.wait(10)
        os.close(ours)
        shown = said.decode()
        assert told.returncode == 0 and "loading the guard, with every admission …" in shown
        assert shown.endswith("\r\x1b[2K")  # nothing is left of it
        d.verb("guard", "--keep")
