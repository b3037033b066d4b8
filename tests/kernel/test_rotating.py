"""Rotating sequences on a real kernel: they open once, for one keyholder, in their own time steps."""

from __future__ import annotations

import json
import random
import shutil
import subprocess
import sys
import time
from pathlib import Path

import dpkt
import pytest

from lab import crowd, daemon, sender, service, sshd, tcp_state, until, world
from lab.capture import capture
from lab.portress import REPOSITORY, Daemon
from portress.clock import STEP
from portress.config.model import Rotating
from portress.knock import SECOND, TCP, UDP
from portress.sequence.rotating import derive

CONFIG = """\
doors:
  vpn:
    services: [tcp/22]
    stay: 1h
    rotating: {pool: 20000-49999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
"""
CLIENT = [sys.executable, "-I", str(REPOSITORY / "scripts" / "portress-knock")]
RULE = Rotating((20000, 49999), (TCP, UDP), 4, 10 * SECOND, 1)
RFC6238 = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"  # the 20-byte secret of RFC 6238, appendix B, in base32
SECRETS = {"ana": b"A" * 20, "ben": b"B" * 20}


def base32(secret: bytes) -> str:
    import base64

    return base64.b32encode(secret).decode().rstrip("=")


def holders(names: list[str], doors: str = "vpn") -> str:
    return "".join(
        f"- {{name: {name}, doors: [{doors}], secret: {base32(SECRETS[name])}, style: derived}}\n"
        for name in names
    )


def sequence(name: str, at: float, away: int = 0, door: str = "vpn") -> list[str]:
    """The knocks of a keyholder's step, `away` steps from the one at the moment `at`."""
    step = int(at // STEP) + away
    return [str(one) for one in derive(SECRETS[name], door, RULE, step).knocks]


def admitted(d: Daemon) -> set[tuple[str, str | None]]:
    return {(one["source"], one["keyholder"]) for one in d.status()["admissions"]}


def settled(seconds: float = 8.0) -> None:
    """Wait until the present step has at least so many seconds left."""
    left = STEP - time.time() % STEP
    if left < seconds:
        time.sleep(left + 0.5)


def test_the_code_of_rfc_6238_at_59_seconds_turned_into_packets_opens_a_door() -> None:
    """RFC 6238, appendix B: at T = 59 s the 8-digit SHA-1 code is 94287082: pairs 94, 28, 70, 82."""
    config = CONFIG.replace(
        "rotating: {pool: 20000-49999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}",
        "authenticator: {base: 21000, gap: 10s, skew: 1}",
    )
    keyholders = f"- {{name: ana, doors: [vpn], secret: {RFC6238}, style: authenticator}}\n"
    with (
        world() as w,
        service(w.host, "tcp/22"),
        daemon(w.host, config, keyholders=keyholders, start=False) as d,
        sender(w.stranger) as send,
    ):
        d.ahead = 59 - time.time()
        d.start()
        assert d.status()["doors"][0]["dial"]["ports"] == [21000, 21100, 21200, 21300]
        send.knocks(w.stranger4, w.host4, ["tcp/21094", "tcp/21128", "tcp/21270", "tcp/21383"])
        send.knocks(w.another4, w.host4, ["tcp/21094", "tcp/21128", "tcp/21270", "tcp/21382"])
        d.wait_for("admitted", w.another4, "keyholder ana")
        assert tcp_state(w.another, w.host4, 22) == "open"
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"


def test_enrolled_a_keyholder_gets_in_with_the_client_and_a_recording_of_it_opens_nothing() -> None:
    """The whole way: enrol, knock, ssh through the relay; then that very run's packets sent again."""
    settled(15)
    with world() as w, sshd(w.host) as server, daemon(w.host, CONFIG) as d, sender(w.stranger) as send:
        card = d.folder / "ana.keycard"
        d.verb("enrol", "ana", "--door", "vpn", "--host", w.host4, "--keycard", str(card))
        assert card.stat().st_mode & 0o777 == 0o600
        secret = json.loads(card.read_text())["secret"]
        relay = " ".join([*CLIENT, str(card), "--relay", "%h", "%p"])
        with capture(w.stranger, "tcp or udp") as taken:
            words = server.command(w.host4, "echo", "in", wait=10)
            words[1:1] = ["-o", f"ProxyCommand={relay}"]
            done = w.stranger.run(words, check=False, timeout=40)
            assert done.stdout == "in\n", done.stderr
            d.wait_for("admitted", w.stranger4, "keyholder ana")
            knocks = recorded(taken.stop(), w.stranger4, w.host4)
        assert len(knocks) >= 4

        def again(source: str) -> None:
            for one in knocks:
                send.knock(source, w.host4, one)

        thieves = crowd(3)
        again(thieves[0])
        assert "replay" in d.wait_for("refused at vpn", thieves[0])
        d.restart()
        again(thieves[1])
        d.wait_for("refused at vpn", thieves[1])
        d.kill()
        d.start()
        again(thieves[2])
        d.wait_for("refused at vpn", thieves[2])
        before = len(d.lines)
        again(w.stranger4)
        time.sleep(0.5)
        assert d.lines[before:] == []
        assert d.status()["knocks"]["echoed"] == 1
        assert admitted(d) == {(w.stranger4, "ana")}
        for text in (d.log, d.verb("keyholders").stdout, d.verb("status", "--json").stdout):
            assert secret not in text


def recorded(path: Path, source: str, host: str) -> list[str]:
    """The first packets from `source` to closed ports of `host` in a capture, as knocks."""
    found: list[str] = []
    with path.open("rb") as file:
        reader = dpkt.pcap.Reader(file)
        for _, frame in reader:
            ip = (
                dpkt.sll.SLL(frame).data
                if reader.datalink() == dpkt.pcap.DLT_LINUX_SLL
                else dpkt.ethernet.Ethernet(frame).data
            )
            if not isinstance(ip, dpkt.ip.IP) or (ip.src, ip.dst) != (ip4(source), ip4(host)):
                continue
            if isinstance(ip.data, dpkt.udp.UDP):
                found.append(f"udp/{ip.data.dport}")
            elif isinstance(ip.data, dpkt.tcp.TCP) and ip.data.flags & 0x12 == 0x02 and ip.data.dport != 22:
                found.append(f"tcp/{ip.data.dport}")
    return found


def ip4(text: str) -> bytes:
    return bytes(int(part) for part in text.split("."))


def test_a_sequence_used_and_not_yet_in_the_ledger_is_not_usable_after_a_crash() -> None:
    """The ledger's disk is full: the use is owed to it, beside the socket, and a killed daemon remembers."""
    settled()
    with world() as w, daemon(w.host, CONFIG, keyholders=holders(["ana"])) as d, sender(w.stranger) as send:
        d.terminate()
        shutil.copytree(d.state, d.folder / "kept")
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(d.state)], check=True)
        try:
            shutil.copytree(d.folder / "kept", d.state, dirs_exist_ok=True)
            d.start()
            with (
                (d.state / "filler").open("wb", buffering=0) as file,
                pytest.raises(OSError, match="No space"),
            ):
                for _ in range(64):
                    file.write(b"x" * 4096)
            knocks = sequence("ana", time.time())
            send.knocks(w.stranger4, w.host4, knocks)
            d.wait_for("admitted", w.stranger4)
            d.wait_for("ledger write failed")
            d.kill()
            d.start()
            send.knocks(w.another4, w.host4, knocks)
            d.wait_for("refused at vpn", w.another4)
        finally:
            d.kill()
            subprocess.run(["umount", "-l", str(d.state)], check=True)


def test_a_step_may_change_in_the_middle_of_a_sequence() -> None:
    config = CONFIG.replace("skew: 1", "skew: 0")
    with (
        world() as w,
        daemon(w.host, config, keyholders=holders(["ana"]), start=False) as d,
        sender(w.stranger) as send,
    ):
        d.ahead = STEP - time.time() % STEP - 4  # a new step begins 4 s from now
        d.start()
        began = time.time() + d.ahead
        knocks = sequence("ana", began)
        send.knocks(w.stranger4, w.host4, knocks[:2])
        deadline = time.monotonic() + 10
        while d.status()["step"]["now"] == int(began // STEP):
            assert time.monotonic() < deadline
            time.sleep(0.1)
        send.knocks(w.stranger4, w.host4, knocks[2:])
        d.wait_for("admitted", w.stranger4)
        send.knocks(w.another4, w.host4, sequence("ana", began))
        send.knocks(w.another4, w.host4, sequence("ana", began, 1))
        d.wait_for("admitted", w.another4)
        assert d.status()["knocks"]["completed"] == 2


@pytest.mark.parametrize(("off", "lets_in"), [(-60, False), (-30, True), (30, True), (60, False)])
def test_a_client_one_step_off_is_let_in_and_two_steps_off_is_refused(off: int, lets_in: bool) -> None:
    settled()
    with world() as w, daemon(w.host, CONFIG, keyholders=holders(["ana"])) as d:
        card = d.folder / "card"
        card.write_text(
            json.dumps(
                {
                    "portress": 1,
                    "host": w.host4,
                    "door": "vpn",
                    "keyholder": "ana",
                    "style": "derived",
                    "secret": base32(SECRETS["ana"]),
                    "pool": [20000, 49999],
                    "protocols": ["tcp", "udp"],
                    "length": 4,
                    "gap": 10,
                    "services": ["tcp/22"],
                }
            )
        )
        card.chmod(0o600)
        w.stranger.run([*CLIENT, str(card), f"--offset={off}"], check=False)
        time.sleep(0.6)
        assert bool(admitted(d)) is lets_in


def test_an_older_step_than_the_last_one_used_is_refused() -> None:
    """RFC 6238, 5.2: the verifier must not accept a second attempt; nor, here, an older step."""
    settled()
    with world() as w, daemon(w.host, CONFIG, keyholders=holders(["ana"])) as d, sender(w.stranger) as send:
        now = time.time()
        send.knocks(w.stranger4, w.host4, sequence("ana", now))
        d.wait_for("admitted", w.stranger4)
        send.knocks(w.another4, w.host4, sequence("ana", now, -1))
        assert "older than the last one used" in d.wait_for("refused", w.another4)
        send.knocks(w.another4, w.host4, sequence("ana", now, 1))
        d.wait_for("admitted", w.another4)


def test_the_same_step_over_the_other_family_is_refused_without_an_alarm() -> None:
    """As a browser sends it, which dials both; over the same family it is a thief's."""
    settled()
    with world() as w, daemon(w.host, CONFIG, keyholders=holders(["ana"])) as d, sender(w.stranger) as send:
        knocks = sequence("ana", time.time())
        send.knocks(w.stranger6, w.host6, knocks)
        d.wait_for("admitted", w.stranger6)
        send.knocks(w.stranger4, w.host4, knocks)
        thief = crowd(1, 6)[0]
        send.knocks(thief, w.host6, knocks)
        assert "replay" in d.wait_for("refused at vpn", thief)
        assert not [line for line in d.lines if "refused" in line and w.stranger4 in line]
        assert admitted(d) == {(w.stranger6, "ana")}
        assert d.status()["knocks"]["replayed"] == 2
        why = d.verb("why", w.stranger4).stdout
        assert "each works once" in " ".join(why.split())


def test_two_keyholders_behind_one_address_share_the_admission_and_each_is_told() -> None:
    settled()
    with (
        world() as w,
        daemon(w.host, CONFIG, keyholders=holders(["ana", "ben"])) as d,
        sender(w.stranger) as send,
    ):
        now = time.time()
        send.knocks(w.stranger4, w.host4, sequence("ana", now))
        d.wait_for("admitted", w.stranger4, "keyholder ana")
        send.knocks(w.stranger4, w.host4, sequence("ben", now))
        d.wait_for("admitted again", w.stranger4, "keyholder ben")

        def keyholders() -> set[str]:
            told = json.loads(d.verb("history", "--json", check=False).stdout)["admissions"]
            return {one["keyholder"] for one in told}

        until(lambda: keyholders() == {"ana", "ben"})


def test_a_keyholder_unenrolled_half_way_is_refused_and_admissions_of_one_who_is_in_end() -> None:
    settled(12)
    with (
        world() as w,
        service(w.host, "tcp/22"),
        daemon(w.host, CONFIG, keyholders=holders(["ana", "ben"])) as d,
        sender(w.stranger) as send,
    ):
        now = time.time()
        send.knocks(w.another4, w.host4, sequence("ben", now))
        d.wait_for("admitted", w.another4)
        knocks = sequence("ana", now)
        send.knocks(w.stranger4, w.host4, knocks[:2])
        time.sleep(0.2)
        d.verb("unenrol", "ana")
        send.knocks(w.stranger4, w.host4, knocks[2:])
        d.verb("unenrol", "ben")
        d.wait_for(w.another4, "ended: unenrolled")
        assert admitted(d) == set()
        assert tcp_state(w.another, w.host4, 22) == "filtered"
        assert json.loads(d.verb("keyholders", "--json", check=False).stdout)["keyholders"] == []


def test_an_admission_lasts_no_longer_than_the_keyholder() -> None:
    settled()
    until = time.strftime("%Y-%m-%dT%H:%M:%S+00:00", time.gmtime(time.time() + 120))
    text = holders(["ana"]).replace("style", f"until: '{until}', style")
    with world() as w, daemon(w.host, CONFIG, keyholders=text) as d, sender(w.stranger) as send:
        send.knocks(w.stranger4, w.host4, sequence("ana", time.time()))
        d.wait_for("admitted", w.stranger4)
        assert d.status()["admissions"][0]["left"] <= 120


def test_a_thousand_keyholders_of_three_doors_each_get_in() -> None:
    """200 of them sampled, each from an address of their own, over all doors and steps accepted."""
    seeded = random.Random(2026)
    doors = ["vpn", "git", "ops"]
    config = "doors:\n" + "".join(
        CONFIG.removeprefix("doors:\n").replace("vpn:", f"{name}:").replace("tcp/22", f"tcp/{port}")
        for name, port in zip(doors, (22, 8022, 9022), strict=True)
    )
    for number in range(1000):
        SECRETS[f"k{number}"] = seeded.randbytes(20)
    names = [f"k{number}" for number in range(1000)]
    text = holders(names, "vpn, git, ops")
    settled(20)
    with world() as w, daemon(w.host, config, keyholders=text) as d, sender(w.stranger) as send:
        now = time.time()
        sources = crowd(200)
        for name, source in zip(seeded.sample(names, 200), sources, strict=True):
            step, door = int(now // STEP) + seeded.randint(-1, 1), seeded.choice(doors)
            knocks = derive(SECRETS[name], door, RULE, step).knocks
            send.knocks(source, w.host4, [str(one) for one in knocks])
        deadline = time.monotonic() + 20
        while {source for source, _ in admitted(d)} != set(sources):
            assert time.monotonic() < deadline, set(sources) - {source for source, _ in admitted(d)}
            time.sleep(0.2)
        assert d.status()["keyholders"] == 1000
