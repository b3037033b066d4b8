"""The page for phones in a real browser: what it says, keeps and computes. Nobody guards anything here."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import subprocess
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from typing import Any

import pytest

from lab import World
from lab.portress import REPOSITORY
from phone.browser import Browser, Page
from phone.page import FOLDER, GERMAN, PAGE, PASSPHRASE, TEN_MINUTES_AHEAD, Phone, keycard
from phone.server import serve
from phone.tools import node_modules
from portress.keyholders.keycard import fragment

VECTORS: dict[str, Any] = json.loads((REPOSITORY / "shared/sequence/vectors.json").read_text())
HTML = (FOLDER / "index.html").read_text(encoding="utf-8")
NO_STORAGE = "Storage.prototype.getItem = Storage.prototype.setItem = () => { throw new Error('private'); };"

pytest_plugins = ["phone.fixtures"]
pytestmark = pytest.mark.xdist_group("phone_page")  # one browser for all of them


# One file


def test_the_page_is_made_from_its_sources() -> None:
    loader = SourceFileLoader("knock_page_build", str(FOLDER / "build"))
    spec = spec_from_loader("knock_page_build", loader)
    assert spec is not None
    build = module_from_spec(spec)
    loader.exec_module(build)
    assert build.page() == HTML


def test_its_policy_allows_one_script_and_one_style_sheet_by_their_hashes() -> None:
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]*)"', HTML)
    rules = {words[0]: words[1:] for words in (rule.split() for rule in policy.split(";"))}
    assert rules["default-src"] == ["'none'"]
    for kind in ("script", "style"):
        (inline,) = re.findall(rf"<{kind}>(.*?)</{kind}>", HTML, re.DOTALL)
        assert HTML.count(f"<{kind}") == 1
        digest = base64.b64encode(hashlib.sha256(inline.encode()).digest()).decode()
        assert rules[f"{kind}-src"] == [f"'sha256-{digest}'"]
    assert "unsafe" not in policy


STORAGE_IS_ASKED_FOR = """(() => {
  window.early = [];
  let answered = false;
  const ask = LockManager.prototype.query;
  LockManager.prototype.query = async function () {
    const found = await ask.call(this);
    answered = true;
    return found;
  };
  const real = Object.getOwnPropertyDescriptor(window, "localStorage");
  const get = () => { window.early.push(!answered); return real.get.call(window); };
  Object.defineProperty(window, "localStorage", { get });
})();"""


def test_no_storage_is_asked_for_before_the_document_is_the_tabs(chromium: Browser) -> None:
    """Chromium gave a page from a file one that nobody kept, in one of thirty cases: what another tab of the
    device was told of what was written there was nothing, and it was gone with the page."""
    with Phone(chromium, before=STORAGE_IS_ASKED_FOR) as phone:
        early = phone.page.value("early")
        assert early and not any(early)
        phone.page.value("localStorage.setItem('portress-language', 'de')")
        beside = chromium.page(PAGE)
        beside.wait("localStorage.getItem('portress-language') === 'de' && language === 'de'")
        beside.close()


@pytest.mark.parametrize(
    "before",
    [
        "delete Navigator.prototype.locks;",
        "LockManager.prototype.query = () => Promise.reject(new Error('no'));",
        "LockManager.prototype.query = () => new Promise(() => {});",
    ],
)
def test_a_browser_that_says_nothing_of_locks_shows_the_page_all_the_same(
    chromium: Browser, before: str
) -> None:
    with Phone(chromium, before=before) as phone:
        assert phone.shown("#start")


def test_it_names_nothing_outside_itself_to_load() -> None:
    markup = re.sub(r"<(script|style)>.*?</\1>", "", HTML, flags=re.DOTALL)
    assert re.findall(r"""\s(?:src|href|action|srcset|style|on\w+)=["']([^"']{0,5})""", markup) == ["data:"]


def test_its_scripts_keep_to_the_types_in_their_comments() -> None:
    """With TypeScript's own checker, strictly."""
    words = [str(node_modules() / ".bin/tsc"), "-p", str(FOLDER / "source/tsconfig.json")]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60)
    assert (done.stdout, done.returncode) == ("", 0)


def test_it_asks_no_server_for_anything(phone: Phone) -> None:
    phone.add(keycard())
    phone.page.press("#lock")
    phone.unlock()
    phone.wait_for("#doors")
    asked = {event["request"]["url"] for event in phone.page.heard("Network.requestWillBeSent")}
    assert asked - {PAGE, "about:blank"} <= {url for url in asked if url.startswith("data:image/svg")}


# Sequences and keycards


def test_the_page_meets_every_derived_vector(blank: Page) -> None:
    for row in VECTORS["derived"]:
        card = json.dumps({**row, "style": "derived"})
        step = f"stepAt({row['unix']})"
        made = blank.value(f"(async () => [{step}, await sequenceOf({card}, {step})])()")
        assert made[0] == row["step"], row["name"]
        assert [f"{knock['protocol']}/{knock['port']}" for knock in made[1]] == row["knocks"], row["name"]


def test_the_page_meets_every_leaving_vector(blank: Page) -> None:
    for row in VECTORS["leaving"]:
        card = json.dumps({**row, "style": "derived"})
        made = blank.value(f"leavingOf({card}, stepAt({row['unix']}))")
        assert [f"{knock['protocol']}/{knock['port']}" for knock in made] == row["knocks"], row["name"]


def test_the_page_meets_every_authenticator_vector(blank: Page) -> None:
    for row in VECTORS["authenticator"]:
        card = json.dumps({**row, "style": "authenticator"})
        step = f"stepAt({row['unix']})"
        made = blank.value(
            f"(async () => [{step}, await code(fromBase32({json.dumps(row['secret'])}), {step}),"
            f" await sequenceOf({card}, {step})])()"
        )
        assert made[:2] == [row["step"], row["code"]], row["name"]
        assert [f"{knock['protocol']}/{knock['port']}" for knock in made[2]] == row["knocks"], row["name"]


def test_the_page_reads_every_keycard_of_the_vectors_in_each_of_its_forms(blank: Page) -> None:
    for row in VECTORS["keycards"]:
        forms = (
            json.dumps(row["keycard"], indent=2),
            row["fragment"],
            f"https://x.example/#{row['fragment']}",
        )
        for form in forms:
            assert blank.value(f"readKeycard({json.dumps(form)})") == row["keycard"], row["name"]


def test_the_page_refuses_every_keycard_that_must_be_refused(blank: Page) -> None:
    for row in VECTORS["refused"]:
        for form in (json.dumps(row["keycard"]), row["fragment"]):
            reason = f"(() => {{ try {{ readKeycard({json.dumps(form)}); return ''; }}"
            reason += (
                "catch (error) { return error instanceof Refusal ? say(error.reason, error.about) : '' } })()"
            )
            assert "eycard" in blank.value(reason), row["name"]


def test_its_bad_ports_are_those_of_the_fetch_standard(blank: Page) -> None:
    """The list's source is named in the file."""
    listed = json.loads((REPOSITORY / "shared/fetch-bad-ports.json").read_text())["ports"]
    assert blank.value("[...BAD_PORTS]") == listed


def test_a_knock_is_waited_for_as_long_as_the_browser_may_hold_it_back(chromium: Browser) -> None:
    """Chromium delays WebSockets after failed ones, by up to 5 s from the 16th on."""
    with Phone(chromium) as phone:
        card = json.dumps(keycard(gap=30))
        assert phone.page.value(f"patienceFor({card}, false)") < 800
        phone.page.value("for (let i = 0; i < 16; i += 1) countDialled()")
        assert phone.page.value(f"patienceFor({card}, false)") == 5750
        assert phone.page.value(f"patienceFor({json.dumps(keycard(gap=2))}, true)") == 1200


@pytest.mark.parametrize("words", ["en", "de"])
def test_each_language_says_everything(blank: Page, words: str) -> None:
    assert blank.value(f"Object.keys(WORDS.{words})") == blank.value("Object.keys(WORDS.en)")
    fills = "Object.values(WORDS.%s).map(s => (s.match(/\\{\\w+\\}/g) ?? []).sort().join())"
    assert blank.value(fills % words) == blank.value(fills % "en")


# Bringing a keycard in


def test_a_keycard_comes_in_by_pasting(phone: Phone) -> None:
    phone.paste(json.dumps(keycard()))
    assert phone.read("#keep-what") == "It opens ssh at 198.51.100.1, for ana."
    phone.choose()
    assert "This keycard opens SSH (tcp/22)" in phone.read("#cards")


def test_a_keycard_comes_in_as_a_file(phone: Phone, tmp_path: Path) -> None:
    (tmp_path / "ana.json").write_text(json.dumps(keycard()) + "\n")
    phone.add_file(tmp_path / "ana.json")
    phone.choose()
    assert "198.51.100.1" in phone.read("#cards")


def test_a_keycard_in_the_address_comes_in_and_goes_out_of_the_address(phone: Phone) -> None:
    phone.page.go(f"{PAGE}#{fragment(keycard())}")
    phone.wait_for("#keep")
    assert phone.page.value("location.href") == PAGE
    phone.choose()
    assert "The browser’s history may still hold the address" in phone.read("#news")


def test_several_keycards_are_kept_and_a_newer_one_takes_the_older_ones_place(phone: Phone) -> None:
    phone.add(keycard())
    phone.paste(json.dumps(keycard(door="vpn")))
    phone.page.wait("document.querySelectorAll('#cards > li').length === 2")
    phone.paste(json.dumps(keycard(services=["tcp/2222"])))
    phone.wait_for("#sure")
    phone.page.press("#sure-yes")
    phone.page.wait("document.querySelector('#cards').innerText.includes('tcp/2222')")
    assert phone.page.value("[...document.querySelectorAll('#cards h2')].map(e => e.innerText)") == [
        "vpn",
        "ssh",
    ]


def test_a_keycard_for_a_locked_device_is_kept_with_the_others(phone: Phone) -> None:
    phone.add(keycard())
    phone.page.go(f"{PAGE}#{fragment(keycard(door='vpn'))}")
    phone.wait_for("#keep")
    assert not phone.shown("#keep-again")
    phone.page.write("#keep-phrase", PASSPHRASE)
    phone.page.press("#store .main")
    phone.page.wait("document.querySelectorAll('#cards > li').length === 2")


def test_removing_the_last_keycard_leaves_nothing_behind(phone: Phone) -> None:
    phone.add(keycard())
    phone.page.press("#cards .remove")
    phone.wait_for("#sure")
    phone.page.press("#sure-yes")
    phone.wait_for("#start")
    assert phone.stored() == "{}"


# On the device


def test_what_the_device_keeps_is_readable_with_the_passphrase_and_only_with_it(phone: Phone) -> None:
    """Opened again by Node's OpenSSL: PBKDF2-HMAC-SHA-256 (RFC 8018) with the 600,000 rounds that OWASP's
    Password Storage Cheat Sheet recommends, and AES-256-GCM (NIST SP 800-38D)."""
    card = keycard()
    phone.add(card)
    held = phone.stored()
    assert not [part for part in (card["secret"], card["host"], card["keyholder"], "20000") if part in held]
    opened = """
      const crypto = require('crypto'); const [held, phrase] = JSON.parse(require('fs').readFileSync(0));
      const entry = JSON.parse(held['portress-keycards']); const bytes = (t) => Buffer.from(t, 'base64url');
      const key = crypto.pbkdf2Sync(phrase, bytes(entry.salt), 600000, 32, 'sha256');
      const box = bytes(entry.box); const open = crypto.createDecipheriv('aes-256-gcm', key, bytes(entry.iv));
      open.setAAD(Buffer.from('portress keycards 1')); open.setAuthTag(box.subarray(-16));
      process.stdout.write(Buffer.concat([open.update(box.subarray(0, -16)), open.final()]));
    """
    for phrase, there in ((PASSPHRASE, [card]), (PASSPHRASE + "s", None)):
        words = ["node", "-e", opened]
        given = json.dumps([json.loads(held), phrase])
        done = subprocess.run(words, input=given, capture_output=True, text=True, timeout=30)
        assert (json.loads(done.stdout) if done.returncode == 0 else None) == there


def test_each_time_it_is_written_the_iv_is_new(phone: Phone) -> None:
    phone.add(keycard())
    first = json.loads(json.loads(phone.stored())["portress-keycards"])
    phone.paste(json.dumps(keycard()))
    phone.page.wait(f"!Object.values(localStorage).join().includes({json.dumps(first['iv'])})")
    second = json.loads(json.loads(phone.stored())["portress-keycards"])
    assert second["salt"] == first["salt"]


def test_a_locked_page_shows_and_holds_no_door(phone: Phone) -> None:
    phone.add(keycard())
    phone.page.press("#lock")
    phone.wait_for("#locked")
    assert "198.51.100.1" not in phone.page.value("document.documentElement.outerHTML")
    assert phone.page.value("state.cards.length") == 0


def test_a_browser_that_keeps_nothing_is_told_of_and_can_knock_meanwhile(chromium: Browser) -> None:
    with Phone(chromium, before=NO_STORAGE) as phone:
        phone.add(keycard())
        assert "does not store anything for this page" in phone.read("#news")
        assert phone.shown("#cards .knock")
        phone.paste(json.dumps(keycard(door="wiki")))
        phone.page.wait("state.cards.length === 2")
        for left in (1, 0):
            phone.page.press("#cards .remove")
            phone.wait_for("#sure")
            phone.page.press("#sure-yes")
            phone.page.wait(f"state.cards.length === {left}")
        assert phone.shown("#start")


def test_what_another_tab_has_kept_meanwhile_is_kept_on(phone: Phone) -> None:
    phone.add(keycard())
    other = json.dumps(keycard(door="wiki"))
    phone.page.value(f"keepKeycards(state.opener, [...state.cards, {other}])")  # as that tab would
    phone.paste(json.dumps(keycard(door="vpn")))
    phone.page.wait("state.cards.map(card => card.door).join() === 'ssh,wiki,vpn'")
    phone.page.press("#cards .remove")
    phone.wait_for("#sure")
    phone.page.press("#sure-yes")
    phone.page.wait("state.cards.map(card => card.door).join() === 'wiki,vpn'")
    phone.page.go(PAGE)
    phone.unlock()
    phone.page.wait("state.cards.map(card => card.door).join() === 'wiki,vpn'")


def test_what_another_tab_keeps_under_another_passphrase_is_not_written_over(phone: Phone) -> None:
    phone.add(keycard())
    other = json.dumps(keycard(door="wiki"))
    phone.page.value(f"newOpener('quite another phrase again').then(one => keepKeycards(one, [{other}]))")
    phone.paste(json.dumps(keycard(door="vpn")))
    phone.wait_for("#keep")
    phone.page.write("#keep-phrase", "quite another phrase again")
    phone.page.press("#store .main")
    phone.wait_for("#doors")
    phone.page.wait("state.cards.map(card => card.door).join() === 'wiki,vpn'")


# What goes wrong, in plain words


@pytest.mark.parametrize(
    ("before", "said"),
    [
        ("", "That is not the passphrase. Try again; capital letters count."),
        (GERMAN, "Das ist nicht die Passphrase. Versuche es noch einmal; Groß- und Kleinschreibung zählt."),
    ],
)
def test_a_wrong_passphrase_is_told(chromium: Browser, before: str, said: str) -> None:
    with Phone(chromium, before=before) as phone:
        phone.add(keycard())
        phone.page.press("#lock")
        phone.unlock("something else")
        assert phone.read("#unlock-wrong") == said
        assert phone.page.value("document.activeElement.id") == "unlock-phrase"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (json.dumps(keycard())[:-40], "This is not a keycard, or it is damaged: part of it may be missing."),
        (fragment(keycard())[:-9], "This is not a keycard, or it is damaged: part of it may be missing."),
        (
            json.dumps(keycard(secret="R3MR1")),
            "This keycard is damaged: its secret is missing or invalid.",
        ),
        (json.dumps(keycard(portress=2)), "This keycard has a version that this page does not know."),
        (json.dumps(keycard(host="a/b")), "This keycard is damaged: its host is missing or invalid."),
        ("", "There is nothing to add yet"),
    ],
)
def test_a_damaged_keycard_is_told(phone: Phone, text: str, said: str) -> None:
    phone.paste(text)
    assert phone.read("#take-wrong").startswith(said)


def test_a_damaged_keycard_in_the_address_is_told(phone: Phone) -> None:
    phone.page.go(f"{PAGE}#{fragment(keycard())[:50]}")
    assert "it is damaged" in phone.read("#take-wrong")
    assert phone.page.value("location.href") == PAGE


def test_a_door_that_listens_for_udp_is_refused_with_the_reason(phone: Phone) -> None:
    phone.paste(json.dumps(keycard(protocols=["tcp", "udp"])))
    said = phone.read("#take-wrong")
    assert "the door also listens for UDP, and browsers send only TCP" in said
    assert "protocols: [tcp]" in said


@pytest.mark.parametrize(
    "card", [keycard(pool=[6000, 6999]), {**keycard(), "style": "authenticator", "base": 10000}]
)
def test_a_door_at_ports_that_browsers_refuse_is_refused_with_the_reason(phone: Phone, card: Any) -> None:
    phone.paste(json.dumps(card))
    assert "browsers refuse to connect to some of its ports" in phone.read("#take-wrong")


def test_a_clock_ten_minutes_off_is_told_and_the_servers_can_be_used(
    phone_world: World, chromium: Browser
) -> None:
    with (
        serve(phone_world.host, FOLDER),
        Phone(chromium, f"https://{phone_world.host4}/index.html", before=TEN_MINUTES_AHEAD) as phone,
    ):
        right = phone.page.value("now() - 600")
        phone.add(keycard())
        assert phone.read("#clock-says").startswith(
            "It is 10 minutes ahead of the server this page came from"
        )
        phone.page.press("#use-server")
        phone.page.wait("correction !== 0")
        assert abs(phone.page.value("now()") - right) < 60


def test_a_right_clock_is_told(phone_world: World, chromium: Browser) -> None:
    with (
        serve(phone_world.host, FOLDER) as server,
        Phone(chromium, f"https://{phone_world.host4}/index.html") as phone,
    ):
        phone.add(keycard())
        assert phone.read("#clock-says") == "It agrees with the server this page came from."
        assert server.asked == ["GET /index.html HTTP/1.1", "HEAD /index.html HTTP/1.1"]


def test_a_page_from_a_file_tells_how_to_check_the_clock(phone: Phone) -> None:
    phone.add(keycard())
    assert "This page came from a file and cannot check it: compare it with a clock you trust" in phone.read(
        "#clock"
    )


def test_no_network_is_told_at_once_and_when_knocking(phone_world: World, phone: Phone) -> None:
    phone.add(keycard())
    phone_world.stranger.ip("link set eth0 down")
    try:
        phone.wait_for("#trouble")
        assert phone.read("#trouble").startswith("This device has no network connection.")
        assert phone.knock().startswith("This device has no network connection.")
    finally:
        phone_world.stranger.ip("link set eth0 up", f"route replace default via {phone_world.host4}")
    phone.page.wait("navigator.onLine && !document.querySelector('#trouble').innerText")


def test_unequal_and_weak_passphrases_are_told(phone: Phone) -> None:
    phone.paste(json.dumps(keycard()))
    phone.wait_for("#keep")
    phone.page.write("#keep-phrase", "12345678")
    phone.page.press("#store .main")
    assert phone.read("#keep-wrong").startswith(
        "This passphrase is too easy to guess. It has to withstand 10"
    )
    assert phone.stored() == "{}"
    phone.page.write("#keep-phrase", PASSPHRASE)
    phone.page.press("#store .main")
    phone.page.wait("document.querySelector('#keep-wrong').innerText === 'The two passphrases differ.'")
