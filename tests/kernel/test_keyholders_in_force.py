"""Keyholders come and go under a running daemon, by command and by hand; who is out stays out."""

from __future__ import annotations

import base64
import json
import socket
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from lab import World, crowd, daemon, sender, service, tcp_state, world
from lab.portress import Daemon
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
  wiki:
    services: [tcp/8443]
    rotating: {pool: 20000-49999, protocols: [tcp, udp], length: 4, gap: 10s, skew: 1}
"""
RULE = Rotating((20000, 49999), (TCP, UDP), 4, 10 * SECOND, 1)


def secret(name: str) -> bytes:
    return name.encode().ljust(20, b".")


def entry(name: str, doors: str = "vpn, wiki") -> str:
    return f"- {{name: {name}, doors: [{doors}], secret: {base64.b32encode(secret(name)).decode()}}}\n"


def let_in(w: World, d: Daemon, name: str) -> None:
    """Have the stranger knock with the keyholder's sequence for vpn."""
    since = len(d.lines)
    knocks = [str(one) for one in derive(secret(name), "vpn", RULE, int(time.time() // STEP)).knocks]
    with sender(w.stranger) as send:
        send.knocks(w.stranger4, w.host4, knocks, pause=0.01)
    d.wait_for("admitted to vpn", name, since=since)


def admitted(d: Daemon) -> list[str]:
    return [one["keyholder"] for one in d.status()["admissions"]]


def test_a_keyholder_taken_out_of_the_file_by_hand_is_out_after_a_reload() -> None:
    with world() as w, daemon(w.host, CONFIG, keyholders=entry("ana") + entry("ben")) as d:
        let_in(w, d, "ana")
        (d.folder / "keyholders.yaml").write_text(entry("ben"))
        d.reload()
        d.wait_for("ended: unenrolled")
        assert admitted(d) == [] and d.status()["keyholders"] == 1


def test_a_door_taken_from_a_keyholder_is_shut_to_them_after_a_reload() -> None:
    with world() as w, daemon(w.host, CONFIG, keyholders=entry("ana")) as d:
        let_in(w, d, "ana")
        (d.folder / "keyholders.yaml").write_text(entry("ana", "wiki"))
        d.reload()
        d.wait_for("ended: unenrolled")
        assert admitted(d) == []


@pytest.mark.parametrize("text", [None, "", "# nobody\n"])
def test_a_file_of_keyholders_that_is_gone_or_empty_at_a_reload_dismisses_nobody(text: str | None) -> None:
    with world() as w, daemon(w.host, CONFIG, keyholders=entry("ana")) as d:
        let_in(w, d, "ana")
        file = d.folder / "keyholders.yaml"
        if text is None:
            file.unlink()
        else:
            file.write_text(text)
        d.reload()
        assert "write an empty list into it: []" in d.wait_for("error", "keyholders.yaml")
        d.wait_for("not reloaded: the previous configuration stays in force")
        assert len(admitted(d)) == 1 and d.status()["keyholders"] == 1
        file.write_text("[]\n")
        file.chmod(0o600)
        d.reload()
        d.wait_for("ended: unenrolled")
        assert admitted(d) == [] and d.status()["keyholders"] == 0
        file.unlink()
        before = len(d.lines)
        d.reload()  # there is nobody to dismiss
        d.wait_for("reloaded", since=before)


def test_the_guard_shuts_a_door_that_nobody_can_open_and_says_so() -> None:
    with world() as w, service(w.host, "tcp/22"), daemon(w.host, CONFIG, guard=False, start=False) as d:
        done = d.verb("guard")
        assert "door vpn: nobody can open it" in done.stderr
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        assert "nobody can open it" in " ".join(d.verb("doctor", check=False).stdout.split())


def test_keyholders_unenrolled_while_the_guard_is_away_do_not_come_back_with_it() -> None:
    with world() as w, daemon(w.host, CONFIG, keyholders=entry("ana")) as d:
        let_in(w, d, "ana")
        d.verb("unguard")
        assert f"Dismissed: {w.stranger4} from vpn." in d.verb("unenrol", "ana").stdout
        d.verb("guard")
        assert admitted(d) == []
        assert w.stranger4 not in w.host.run(["nft", "list", "set", "inet", "portress", "vpn_4"]).stdout


def test_while_the_guard_is_away_admitting_is_refused_with_the_reason() -> None:
    with world() as w, daemon(w.host, CONFIG) as d:
        d.verb("unguard")
        done = d.verb("admit", w.stranger4, "vpn", check=False)
        assert done.returncode == 1 and "portress guard loads it" in done.stderr


def knock(w: World, source: str, secret: bytes, at: float) -> None:
    """Have the stranger knock as `source` with the sequence for vpn of the moment `at`."""
    with sender(w.stranger) as send:
        knocks = derive(secret, "vpn", RULE, int(at // STEP)).knocks
        send.knocks(source, w.host4, [str(one) for one in knocks], pause=0.01)


def settled() -> float:
    """The present moment, when its step has some seconds left."""
    left = STEP - time.time() % STEP
    if left < 8:
        time.sleep(left + 0.3)
    return time.time()


def test_a_secret_put_back_after_unenrolling_has_been_used_all_the_same() -> None:
    at, thieves = settled(), crowd(2)
    with world() as w, daemon(w.host, CONFIG, keyholders=entry("ana")) as d:
        knock(w, w.stranger4, secret("ana"), at)
        d.wait_for("admitted to vpn", w.stranger4)
        d.verb("unenrol", "ana")
        (d.folder / "keyholders.yaml").write_text(entry("ana"))
        d.reload()
        d.wait_for("reloaded")
        knock(w, thieves[0], secret("ana"), at)
        d.wait_for("refused at vpn", thieves[0], "used before")
        d.restart()
        knock(w, thieves[1], secret("ana"), at)
        d.wait_for("refused at vpn", thieves[1], "used before")


def test_a_keyholder_enrolled_anew_gets_in_at_once_and_the_old_keycard_does_not() -> None:
    at, thieves = settled(), crowd(2)
    with world() as w, daemon(w.host, CONFIG, keyholders=entry("ana")) as d:
        knock(w, w.stranger4, secret("ana"), at)
        d.wait_for("admitted to vpn", w.stranger4)
        d.verb("unenrol", "ana")
        told = d.verb("enrol", "ana", "--door", "vpn", "--host", "192.0.2.1", "--json").stdout
        new = base64.b32decode(json.loads(told)["keycards"][0]["secret"])
        knock(w, thieves[0], secret("ana"), at)
        knock(w, w.another4, new, at)
        d.wait_for("admitted to vpn", w.another4)
        assert [one["source"] for one in d.status()["admissions"]] == [w.another4]
        d.restart()
        knock(w, thieves[1], new, at)
        d.wait_for("refused at vpn", thieves[1], "used before")


def test_who_came_in_at_a_clock_that_was_ahead_is_told_how_to_get_in_again() -> None:
    at = settled()
    with world() as w, daemon(w.host, CONFIG, keyholders=entry("ana"), start=False) as d:
        d.ahead = 86400
        d.start()
        knock(w, w.stranger4, secret("ana"), at + d.ahead)
        d.wait_for("admitted to vpn", w.stranger4)
        d.terminate()
        d.ahead = 0
        d.start()
        knock(w, w.another4, secret("ana"), at)
        d.wait_for("refused at vpn", w.another4, "at a clock that was ahead: enrol ana anew")
        told = " ".join(d.verb("why", w.another4).stdout.split())
        assert "a clock was ahead" in told and "portress unenrol ana, then enrol them again" in told


def test_unenrolments_at_once_do_not_undo_each_other() -> None:
    names = [f"k{number}" for number in range(12)]
    with (
        world() as w,
        daemon(w.host, CONFIG, keyholders="".join(map(entry, names))) as d,
        ThreadPoolExecutor(12) as pool,
    ):
        answers = list(pool.map(lambda name: ask(d, {"do": "unenrol", "name": name}), names))
        assert all(answer["ok"] for answer in answers)
        assert d.status()["keyholders"] == 0


def test_enrolments_and_unenrolments_at_once_leave_the_daemon_with_the_file() -> None:
    old, new = [f"old{number}" for number in range(4)], [f"new{number}" for number in range(4)]
    with (
        world() as w,
        daemon(w.host, CONFIG, keyholders="".join(map(entry, old))) as d,
        ThreadPoolExecutor(8) as pool,
    ):
        jobs = [pool.submit(d.verb, "unenrol", name) for name in old]
        jobs += [
            pool.submit(d.verb, "enrol", name, "--door", "vpn", "--host", "192.0.2.1", "--json")
            for name in new
        ]
        for job in jobs:
            job.result(30)
        listed = json.loads(d.verb("keyholders", "--json").stdout)["keyholders"]
        assert sorted(one["name"] for one in listed) == new
        assert d.status()["keyholders"] == 4
        d.reload()
        d.wait_for("reloaded")
        assert d.status()["keyholders"] == 4


def test_enrolling_beside_a_credential_throws_nobody_in_it_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """systemd.exec(5), LoadCredential=: a copy, made when the service starts."""
    with world() as w, daemon(w.host, CONFIG, start=False) as d:
        given = d.folder / "credentials" / "keyholders.yaml"
        given.parent.mkdir()
        given.write_text(entry("ana"))
        with monkeypatch.context() as service:
            service.setenv("CREDENTIALS_DIRECTORY", str(given.parent))
            d.start()
        let_in(w, d, "ana")
        told = d.verb("enrol", "ben", "--door", "vpn", "--host", "192.0.2.1").stderr
        assert "add the new entry to the credential" in told
        assert admitted(d) == ["ana"] and d.status()["keyholders"] == 2
        assert "got 2 keyholders from a systemd credential" in d.verb("keyholders").stderr
        told = d.verb("unenrol", "ana").stderr
        assert "take ana out of it" in told
        assert admitted(d) == [] and d.status()["keyholders"] == 1
        assert "no keyholder is called 'ana'" in d.verb("unenrol", "ana", check=False).stderr


def test_what_is_asked_with_values_of_the_wrong_kind_is_refused() -> None:
    with world() as w, daemon(w.host, CONFIG) as d:
        for request in (
            {"do": "dismiss", "source": "192.0.2.7", "door": []},
            {"do": "dismiss", "source": {}, "door": "vpn"},
            {"do": "admit", "source": "192.0.2.7", "door": {}},
            {"do": "admit", "source": "192.0.2.7", "door": "vpn", "for": 1e300},
            {"do": "why", "source": None},
            {"do": "guard", "admit": 5},
            {"do": "guard", "admit": [{}]},
            {"do": "guard", "trial": "long"},
            {"do": "guard", "trial": float("nan")},
            {"do": "keyholders", "text": "- {name: ana}"},
            {"do": "keyholders", "text": 5},
            {"do": "unenrol", "name": []},
        ):
            answer = ask(d, request)
            assert isinstance(answer["ok"], bool), request
        assert "Traceback" not in d.log and d.status()["guard"]["present"]


def test_metrics_that_cannot_be_had_refuse_a_reload_whole() -> None:
    with world() as w, service(w.host, "tcp/9753"), daemon(w.host, CONFIG) as d:
        d.configure('metrics: {listen: "127.0.0.1:9753"}\n' + CONFIG.replace("wiki", "shop"))
        d.reload()
        d.wait_for("metrics.listen")
        assert [one["name"] for one in d.status()["doors"]] == ["vpn", "wiki"]


def ask(d: Daemon, request: object) -> dict[str, object]:
    """Ask the daemon at its socket; an empty object if it closes without an answer."""
    with socket.socket(socket.AF_UNIX) as dial:
        dial.settimeout(20)
        dial.connect(str(d.socket))
        dial.sendall(json.dumps(request).encode() + b"\n")
        with dial.makefile("rb") as stream:
            line = stream.readline()
    answer: dict[str, object] = json.loads(line or b"{}")
    return answer
