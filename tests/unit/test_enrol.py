"""Enrolling and unenrolling from the command line, with and without a daemon."""

from __future__ import annotations

import asyncio
import json
import stat
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from attrs import evolve

from portress.commands import main
from portress.config import load as configuration
from portress.errors import Mistake
from portress.keyholders import file as keyholders
from portress.keyholders import keycard
from portress.keyholders.enrolling import Screen
from portress.keyholders.secret import to_base32
from portress.knock import Source
from portress.ledger.ledger import Ledger
from portress.run.control_server import Server

Run = Callable[..., tuple[int, str, str]]

CONFIG = """\
doors:
  ssh:
    services: [tcp/22]
    authenticator: {base: 21000}
  vpn:
    services: [udp/51820]
    rotating: {pool: 20000-51999, protocols: [tcp, udp]}
  web:
    services: [tcp/8443]
    rotating: {pool: 30000-39999, protocols: [tcp]}
    authenticator: {base: 22000}
  attic:
    services: [tcp/2222]
    fixed: {knocks: [tcp/4617, udp/2953, tcp/6381]}
"""


@pytest.fixture
def place(tmp_path: Path) -> Path:
    (tmp_path / "portress.yaml").write_text(CONFIG)
    (tmp_path / "portress.yaml").chmod(0o600)
    return tmp_path


@pytest.fixture
def run(place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """`portress VERB …` in this process: exit status, standard output, standard error."""

    def portress(verb: str, *words: str) -> tuple[int, str, str]:
        common = [
            "--config",
            str(place / "portress.yaml"),
            "--socket",
            str(place / "s"),
            "--state",
            str(place),
        ]
        monkeypatch.setattr(sys, "argv", ["portress", verb, *words, *common])
        code = main()
        out, err = capsys.readouterr()
        return code, out, err

    return portress


@pytest.fixture
def heard(place: Path) -> Iterator[list[dict[str, Any]]]:
    """A control socket, and the requests that reached it."""
    requests: list[dict[str, Any]] = []
    loop = asyncio.new_event_loop()

    async def handle(request: dict[str, Any], _uid: int) -> Any:
        requests.append(request)
        if request.get("name") == "refused":
            raise Mistake("the daemon says no")
        return {"dismissed": [{"source": "198.51.100.7", "door": "vpn"}]}

    server = Server(place / "s", handle)
    loop.run_until_complete(server.start())
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    yield requests
    asyncio.run_coroutine_threadsafe(server.stop(), loop).result(10)
    loop.call_soon_threadsafe(loop.stop)
    thread.join(10)
    loop.close()


def enrolled(place: Path) -> dict[str, keyholders.Keyholder]:
    config = configuration.load(place / "portress.yaml")
    return {one.name: one for one in keyholders.load(place / "keyholders.yaml", config.doors)}


def test_a_guest_is_enrolled_with_hours_and_an_end(place: Path, run: Run) -> None:
    given = ["--hours", "mon-fri 06:00-20:00 Europe/Berlin", "--hours", "sat 10:00-12:00 UTC"]
    words = ["--door", "vpn", "--host", "vpn.example.org", "--until", "2099-01-31"]
    code, out, _ = run("enrol", "guest", *words, *given)
    guest = enrolled(place)["guest"]
    shown = ["mon-fri 06:00-20:00 Europe/Berlin", "sat 10:00-12:00 UTC"]
    assert (code, [str(one) for one in guest.hours]) == (0, shown)
    assert f"until 2099-01-31, {' and '.join(shown)}." in out
    assert all(one in run("keyholders")[1].replace("\n", " ") for one in ("06:00-20:00", "10:00-12:00"))
    assert json.loads(run("keyholders", "--json")[1])["keyholders"][0]["hours"] == shown
    assert json.loads(run("enrol", "other", *words, *given, "--json")[1])["hours"] == shown
    code, _, err = run("enrol", "guest", "--door", "web", "--host", "vpn.example.org", *given)
    assert code == 1 and "with style, end and hours: leave out --style, --until and --hours" in err
    code, _, err = run("enrol", "guest", "--door", "web", "--host", "vpn.example.org")
    assert code == 0 and [str(one) for one in enrolled(place)["guest"].hours] == shown


@pytest.mark.parametrize("hours", ["06:00-20:00", "mon-fri 6-20 UTC", "mon 06:00-20:00 Mars/Olympus", "x"])
def test_hours_that_are_none_are_wrong_usage_and_nobody_is_enrolled(
    hours: str, place: Path, run: Run
) -> None:
    code, _, err = run("enrol", "guest", "--door", "vpn", "--host", "vpn.example.org", "--hours", hours)
    assert code == 2 and f"'{hours}'" in err
    assert not (place / "keyholders.yaml").exists()


def test_enrolling_adds_the_keyholder_and_shows_the_keycard(place: Path, run: Run) -> None:
    code, out, err = run(
        "enrol", "ana", "--door", "vpn", "--host", "vpn.example.org", "--until", "2099-01-31"
    )
    ana = enrolled(place)["ana"]
    card = keycard.make(ana, configuration.load(place / "portress.yaml").doors["vpn"], "vpn.example.org")
    assert code == 0
    assert (ana.doors, ana.style, len(ana.secret)) == (("vpn",), "derived", 20)
    assert out.startswith("ana is enrolled for vpn (style derived), until 2099-01-31.\n")
    assert keycard.picture(keycard.text(card), colour=False) in out
    assert "No daemon running" in err


def test_the_keycard_carries_the_sites_name(place: Path, run: Run) -> None:
    file = place / "portress.yaml"
    file.write_text(file.read_text() + "site: edge\n")
    out = run("enrol", "ana", "--door", "vpn", "--host", "vpn.example.org", "--json")[1]
    assert [card["site"] for card in json.loads(out)["keycards"]] == ["edge"]


def test_enrolling_again_adds_a_door_with_a_keycard_for_that_door_alone(place: Path, run: Run) -> None:
    assert run("enrol", "ana", "--door", "vpn", "--host", "a.example", "--until", "2099-01-31")[0] == 0
    before = enrolled(place)["ana"]
    code, out, _ = run("enrol", "ana", "--door", "web", "--host", "a.example", "--json")
    after = enrolled(place)["ana"]
    assert code == 0
    assert after == evolve(before, doors=("vpn", "web"))
    assert [card["door"] for card in json.loads(out)["keycards"]] == ["web"]
    assert json.loads(out)["keycards"][0]["secret"] == to_base32(before.secret)
    for words, told in (
        (("--door", "web"), "enrolled already for door web"),
        (("--door", "web", "--until", "2098-01-01"), "with style, end and hours"),
        (("--door", "ssh"), "style derived"),
    ):
        code, _, err = run("enrol", "ana", *words, "--host", "a.example")
        assert code == 1 and told in err
    code, _, err = run("enrol", "Ana", "--door", "vpn", "--host", "a.example")
    assert code == 1 and "ana is enrolled already" in err
    assert enrolled(place) == {"ana": after}


def test_check_names_a_door_that_nobody_can_open(place: Path, run: Run) -> None:
    code, _, err = run("check")
    assert code == 0 and "portress: warning: door vpn: nobody can open it" in err
    said = json.loads(run("check", "--json")[1])
    assert any("door vpn" in line for line in said["warnings"]) and said["notes"] == []
    run("enrol", "ben", "--door", "vpn", "--host", "a.example")
    assert "door vpn" not in run("check")[2]


def test_of_a_draft_check_says_that_enrolling_comes_next(
    place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    draft = (place / "portress.yaml").rename(place / "draft.yaml")
    common = ["--config", str(draft), "--state", str(place)]

    def portress(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["portress", *words, *common])
        return main(), *capsys.readouterr()

    code, _, err = portress("check")
    assert code == 0 and "portress: next: door vpn: nobody can open it" in err
    assert "warning: door vpn" not in err
    said = json.loads(portress("check", "--json")[1])
    assert not any("nobody" in line for line in said["warnings"])
    assert any("door vpn" in line for line in said["notes"])
    portress("enrol", "ana", "--door", "web", "--host", "a.example")
    code, _, err = portress("check")
    assert code == 0 and "portress: warning: door vpn: nobody can open it" in err


def test_two_keyholders_have_secrets_of_their_own(place: Path, run: Run) -> None:
    for name in ("ana", "ben"):
        assert run("enrol", name, "--door", "vpn", "--host", "vpn.example.org")[0] == 0
    found = enrolled(place)
    assert found["ana"].secret != found["ben"].secret


def test_the_style_is_what_the_door_offers(place: Path, run: Run) -> None:
    run("enrol", "ana", "--door", "ssh", "--host", "gate.example.org")
    run("enrol", "ben", "--door", "web", "--host", "gate.example.org")
    run("enrol", "cleo", "--door", "web", "--door", "ssh", "--host", "gate.example.org")
    found = enrolled(place)
    assert [found[name].style for name in ("ana", "ben", "cleo")] == [
        "authenticator",
        "derived",
        "authenticator",
    ]


def test_an_authenticator_gets_one_code_for_the_app_and_the_ports_of_each_door(place: Path, run: Run) -> None:
    _, out, _ = run("enrol", "ana", "--door", "ssh", "--door", "web", "--host", "gate.example.org")
    uri = keycard.otpauth(enrolled(place)["ana"], "gate.example.org")
    assert out.count(keycard.picture(uri, colour=False)) == 1
    assert out.count(uri) == 1
    assert "tcp/21000, tcp/21100" in out and "tcp/22000, tcp/22100" in out


def test_several_doors_have_a_keycard_and_a_file_each(place: Path, run: Run) -> None:
    code, out, _ = run(
        "enrol",
        "ana",
        "--door",
        "vpn",
        "--door",
        "web",
        "--host",
        "a.example",
        "--keycard",
        str(place / "ana.json"),
    )
    assert code == 0
    assert "Keycard for door vpn of a.example" in out and "Keycard for door web of a.example" in out
    cards = {name: json.loads((place / name).read_text()) for name in ("ana-vpn.json", "ana-web.json")}
    assert [card["door"] for card in cards.values()] == ["vpn", "web"]
    assert len({card["secret"] for card in cards.values()}) == 1


def test_a_keycard_file_is_private_and_never_overwrites(place: Path, run: Run) -> None:
    file = place / "ana.json"
    words = ("--door", "vpn", "--host", "a.example", "--keycard", str(file))
    assert run("enrol", "ana", *words)[0] == 0
    before = file.read_text()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    code, _, err = run("enrol", "ben", *words)
    assert (code, file.read_text()) == (1, before)
    assert f"{file}: is there already" in err
    assert list(enrolled(place)) == ["ana"]


def test_a_failed_enrolment_leaves_no_keycard(place: Path, run: Run) -> None:
    words = ("--door", "vpn", "--host", "a.example")
    assert run("enrol", "ana", *words)[0] == 0
    code, _, err = run("enrol", "ana", *words, "--keycard", str(place / "new.json"))
    assert code == 1 and "ana is enrolled already" in err
    assert not (place / "new.json").exists()


def test_json_holds_the_keycards_and_nothing_else_is_on_standard_output(place: Path, run: Run) -> None:
    _, out, err = run("enrol", "ana", "--door", "web", "--host", "a.example", "--json")
    told = json.loads(out)
    (card,) = told["keycards"]
    assert card["secret"] == to_base32(enrolled(place)["ana"].secret)
    assert (told["keyholder"], told["until"], told["otpauth"], told["phone"]) == ("ana", None, None, [])
    assert "ana is enrolled" in err


def test_a_phone_gets_the_pages_address_with_the_keycard_in_the_fragment(place: Path, run: Run) -> None:
    page = "https://www.example.org/knock.html"
    code, out, _ = run("enrol", "ana", "--door", "web", "--host", "a.example", "--phone", page)
    card = keycard.make(
        enrolled(place)["ana"], configuration.load(place / "portress.yaml").doors["web"], "a.example"
    )
    address = f"{page}#{keycard.fragment(card)}"
    assert code == 0
    assert keycard.picture(address, colour=False) in out
    assert f"\n{address}\n" in out


def test_a_phone_without_a_page_gets_the_keycard_and_the_fragment(place: Path, run: Run) -> None:
    code, out, _ = run("enrol", "ana", "--door", "web", "--host", "a.example", "--phone")
    card = keycard.make(
        enrolled(place)["ana"], configuration.load(place / "portress.yaml").doors["web"], "a.example"
    )
    assert code == 0
    assert keycard.picture(keycard.text(card), colour=False) in out
    assert f"\n#{keycard.fragment(card)}\n" in out


def test_a_phone_may_use_the_authenticator_style(run: Run) -> None:
    page = "https://www.example.org/"
    code, out, _ = run("enrol", "ana", "--door", "ssh", "--host", "a.example", "--phone", page)
    assert code == 0 and page in out


def test_a_door_that_a_phone_cannot_knock_on_enrols_nobody(place: Path, run: Run) -> None:
    code, _, err = run("enrol", "ana", "--door", "vpn", "--host", "a.example", "--phone")
    assert code == 1
    assert "doors.vpn.rotating.protocols: [tcp, udp]: browsers send no UDP datagrams: write [tcp]" in err
    assert enrolled(place) == {}


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--door", "vpm"), "door vpm: no such door: the nearest is 'vpn'"),
        (("--door", "attic"), "no style suits attic: a door needs `rotating:` or `authenticator:`"),
        (("--door", "vpn", "--door", "ssh"), "no style suits vpn and ssh"),
        (("--door", "vpn", "--style", "authenticator"), "door vpn: this door has no `authenticator:`"),
    ],
)
def test_a_door_that_does_not_suit_enrols_nobody(
    place: Path, run: Run, words: tuple[str, ...], told: str
) -> None:
    code, out, err = run("enrol", "ana", "--host", "a.example", *words)
    assert (code, out) == (1, "")
    assert told in err
    assert not (place / "keyholders.yaml").exists()


@pytest.mark.parametrize(
    "words",
    [
        ("a/b", "--door", "vpn"),
        ("ana",),
        ("ana", "--door", "vpn", "--until", "2020-01-01"),
        ("ana", "--door", "vpn", "--until", "soon"),
        ("ana", "--door", "vpn", "--host", "a b"),
        ("ana", "--door", "web", "--phone", "http://www.example.org/"),
        ("ana", "--door", "vpn", "--style", "fixed"),
    ],
)
def test_wrong_usage_is_exit_status_2(place: Path, run: Run, words: tuple[str, ...]) -> None:
    assert run("enrol", *words)[0] == 2
    assert not (place / "keyholders.yaml").exists()


def test_without_a_name_of_its_own_the_host_must_be_told(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("socket.gethostname", lambda: "localhost")
    monkeypatch.setattr("socket.getfqdn", lambda _name: "localhost")
    code, _, err = run("enrol", "ana", "--door", "vpn")
    assert code == 1 and "--host vpn.example.org" in err


def test_the_hosts_own_full_name_is_the_default(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("socket.gethostname", lambda: "gate")
    monkeypatch.setattr("socket.getfqdn", lambda _name: "gate.example.org")
    assert "door vpn of gate.example.org" in run("enrol", "ana", "--door", "vpn")[1]


def test_a_narrow_terminal_gets_the_text_instead_of_a_broken_code() -> None:
    assert (
        Screen(True, 20).picture("x" * 40)
        == f"(a QR code needs 37 columns, this terminal has 20)\n{'x' * 40}"
    )
    assert Screen(True, 37).picture("x" * 40) == keycard.picture("x" * 40, colour=True)


# The running daemon


def test_a_running_daemon_is_given_the_new_keyholders(
    place: Path, run: Run, heard: list[dict[str, Any]]
) -> None:
    code, _, err = run("enrol", "ana", "--door", "vpn", "--host", "a.example")
    assert (code, err) == (0, "")
    assert heard == [{"do": "keyholders", "text": (place / "keyholders.yaml").read_text()}]


def test_a_reader_that_went_away_keeps_nothing_from_the_daemon(
    place: Path, run: Run, heard: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_words: object, **_more: object) -> None:
        raise BrokenPipeError

    with monkeypatch.context() as patched:
        patched.setattr("portress.commands.enrol.click.echo", broken)
        run("enrol", "ana", "--door", "vpn", "--host", "a.example")
    assert [one["do"] for one in heard] == ["keyholders"]


def test_unenrolling_ends_the_keyholder_and_says_who_was_dismissed(
    place: Path, run: Run, heard: list[dict[str, Any]]
) -> None:
    run("enrol", "ana", "--door", "vpn", "--host", "a.example")
    code, out, _ = run("unenrol", "ana")
    assert code == 0
    assert out == "ana is unenrolled. Dismissed: 198.51.100.7 from vpn.\n"
    assert heard[1:] == [{"do": "unenrol", "name": "ana"}]
    assert enrolled(place) == {}


def test_a_daemon_that_refuses_is_heard(place: Path, run: Run, heard: list[dict[str, Any]]) -> None:
    run("enrol", "refused", "--door", "vpn", "--host", "a.example")
    code, _, err = run("unenrol", "refused")
    assert code == 1
    assert "the daemon says no" in err and "was removed from keyholders.yaml, but the running daemon" in err


def test_unenrolling_without_a_daemon_says_what_it_does_not_do(place: Path, run: Run) -> None:
    run("enrol", "ana", "--door", "vpn", "--host", "a.example")
    code, out, _ = run("unenrol", "ana")
    assert code == 0 and "No daemon running" in out
    assert enrolled(place) == {}


# The list


def test_the_list_shows_doors_style_end_and_last_use_but_no_secret(place: Path, run: Run) -> None:
    run("enrol", "ana", "--door", "vpn", "--door", "web", "--host", "a.example", "--until", "2099-01-31")
    run("enrol", "ben", "--door", "ssh", "--host", "a.example")
    with Ledger(place / "ledger.db") as ledger:
        ledger.use(
            enrolled(place)["ana"].claim("web"),
            "web",
            56_666_666,
            Source.parse("198.51.100.7"),
            1_700_000_000.0,
        )
    code, out, _ = run("keyholders")
    whole = json.loads(run("keyholders", "--json")[1])
    told = whole["keyholders"]
    assert code == 0
    assert [line.split()[:4] for line in out.splitlines()[2:]] == [
        ["ana", "vpn,", "web", "derived"],
        ["ben", "ssh", "authenticator", "never"],
    ]
    assert whole["totals"] == {"keyholders": 2}
    assert told == [
        {
            "name": "ana",
            "doors": ["vpn", "web"],
            "style": "derived",
            "until": "2099-02-01T00:00:00.000Z",
            "over": False,
            "hours": [],
            "paper": {},
            "last_use": {"web": "2023-11-14T22:13:20.000Z"},
        },
        {
            "name": "ben",
            "doors": ["ssh"],
            "style": "authenticator",
            "until": None,
            "over": False,
            "hours": [],
            "paper": {},
            "last_use": {},
        },
    ]
    for keyholder in enrolled(place).values():
        assert to_base32(keyholder.secret) not in out + json.dumps(told)


def test_an_empty_list_says_how_to_enrol(run: Run) -> None:
    code, out, _ = run("keyholders")
    assert code == 1 and "portress enrol NAME --door DOOR" in out


# The history


def test_the_history_is_read_beside_a_daemon_that_writes(place: Path, run: Run) -> None:
    with Ledger(place / "ledger.db") as ledger:
        for number in range(3):
            ledger.admitted(
                Source.parse(f"198.51.100.{number}"), "vpn", 1_700_000_000.0 + number, 1_700_000_060.0
            )
        code, out, _ = run("history", "--json")
        assert code == 0
        told = json.loads(out)
        assert told["totals"] == {"admissions": 3}
        assert [row["source"] for row in told["admissions"]] == [
            "198.51.100.2",
            "198.51.100.1",
            "198.51.100.0",
        ]
        _, out, err = run("history", "--limit", "2")
        assert len(out.splitlines()) == 4
        assert "… and 1 more (--limit 0 shows all)" in err
        assert (
            run("history", "--csv", "--source", "198.51.100.0/31", "--since", "2023-11-14")[1].count("\n")
            == 3
        )
        assert "No matching admissions" in run("history", "--until", "2023-11-13")[1]
        assert "3 admissions in 3 rows" in run("history", "--chart", str(place / "chart.svg"))[1]


def test_a_history_without_a_ledger_is_not_done(run: Run) -> None:
    code, _, err = run("history")
    assert code == 1 and "no ledger yet" in err


@pytest.mark.parametrize("words", [("--since", "soon"), ("--json", "--csv"), ("--limit", "-1")])
def test_a_history_asked_wrongly_is_exit_status_2(place: Path, run: Run, words: tuple[str, ...]) -> None:
    Ledger(place / "ledger.db").close()
    assert run("history", *words)[0] == 2
