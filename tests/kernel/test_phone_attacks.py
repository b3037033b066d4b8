"""The page for phones against other pages, other tabs, false letters and weak passphrases."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from lab import World
from phone.browser import Browser, Page
from phone.page import FOLDER, GERMAN, PAGE, PASSPHRASE, Phone, keycard
from phone.server import serve
from portress.keyholders.keycard import fragment

pytest_plugins = ["phone.fixtures"]
pytestmark = pytest.mark.xdist_group("phone_attacks")  # one browser for all of them

OTHER_SECRET = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"  # RFC 6238, appendix B, in base32
OVERRIDE = "\u202e"  # right-to-left override, UAX #9


def cards(phone: Phone) -> list[dict[str, Any]]:
    held: list[dict[str, Any]] = phone.page.value("state.cards")
    return held


def come_with(phone: Phone, card: dict[str, Any]) -> None:
    """As another origin that holds the window does: only the fragment changes, the document stays."""
    phone.page.value(f"location.hash = '#{fragment(card)}'; 0")
    phone.wait_for("#sure")


# Replacing


@pytest.mark.parametrize(("before", "no"), [("", "Keep"), (GERMAN, "Behalten")])
def test_a_keycard_that_is_there_is_replaced_only_after_a_yes(
    chromium: Browser, before: str, no: str
) -> None:
    with Phone(chromium, before=before) as phone:
        phone.add(keycard())
        false = keycard(secret=OTHER_SECRET, keyholder="mallory", services=["tcp/2222"])
        come_with(phone, false)
        changes = phone.read("#sure-parts")
        assert "ana → mallory" in changes and "tcp/22 → tcp/2222" in changes
        assert "secret: a different one" in changes or "Geheimnis: ein anderes" in changes
        assert OTHER_SECRET not in changes and keycard()["secret"] not in changes
        assert "198.51.100.1" in phone.read("#sure-what")
        assert cards(phone) == [keycard()]
        assert no in phone.read("#sure")
        phone.page.key("Escape")
        phone.page.wait("!document.querySelector('#sure').open")
        assert cards(phone) == [keycard()]
        come_with(phone, false)
        phone.page.press("#sure-yes")
        phone.page.wait(f"state.cards[0].secret === {json.dumps(OTHER_SECRET)}")
        phone.page.go(PAGE)
        phone.unlock()
        phone.page.wait("state.cards.length === 1")
        assert cards(phone) == [false]


@pytest.mark.parametrize(
    "change",
    [
        {"secret": OTHER_SECRET},
        {"keyholder": "ben"},
        {"site": "edge"},
        {"pool": [20000, 20999]},
        {"length": 3},
        {"gap": 9},
        {"services": []},
        {"host": "198.51.100.1", "style": "authenticator", "base": 21000},
    ],
)
def test_whatever_changes_there_is_a_question(phone: Phone, change: dict[str, Any]) -> None:
    phone.add(keycard())
    come_with(phone, keycard(**change))
    assert cards(phone) == [keycard()]


def test_a_locked_device_asks_as_well(phone: Phone) -> None:
    phone.add(keycard())
    phone.page.go(f"{PAGE}#{fragment(keycard(secret=OTHER_SECRET))}")
    phone.wait_for("#keep")
    phone.page.write("#keep-phrase", PASSPHRASE)
    phone.page.press("#store .main")
    phone.wait_for("#sure")
    phone.page.key("Escape")
    phone.wait_for("#doors")
    assert cards(phone) == [keycard()]
    assert "was not replaced" in phone.read("#news")


def test_the_same_keycard_again_is_no_question(phone: Phone) -> None:
    phone.add(keycard())
    phone.page.value(f"location.hash = '#{fragment(keycard())}'; 0")
    phone.page.wait("document.querySelector('#news').innerText.includes('is stored')")
    assert not phone.shown("#sure")


def test_no_other_keycard_is_put_behind_an_open_question(phone: Phone) -> None:
    phone.add(keycard())
    come_with(phone, keycard(keyholder="ben"))
    phone.page.value(f"location.hash = '#{fragment(keycard(secret=OTHER_SECRET, keyholder='mallory'))}'; 0")
    phone.page.wait("location.hash === ''")
    assert "ana → ben" in phone.read("#sure-parts")
    phone.page.press("#sure-yes")
    phone.page.wait("state.cards[0].keyholder === 'ben'")
    assert cards(phone) == [keycard(keyholder="ben")]


def test_a_host_in_other_letters_is_the_same_host(phone: Phone) -> None:
    phone.add(keycard(host="bücher.example"))
    come_with(phone, keycard(host="xn--bcher-kva.EXAMPLE", secret=OTHER_SECRET))
    assert "xn--bcher-kva.example" in phone.read("#sure-what")


# Other tabs


@pytest.fixture
def tabs(phone_world: World, chromium: Browser) -> Iterator[tuple[Phone, Page]]:
    """An unlocked page, and a second tab of the same device at it: localStorage is one for both."""
    with serve(phone_world.host, FOLDER):
        address = f"https://{phone_world.host4}/index.html"
        with Phone(chromium, address) as phone:
            phone.add(keycard())
            phone.page.value(f"open({json.dumps(address)}); 0")
            found = chromium.beside(phone.page)
            found.wait("document.querySelector('#locked')?.getClientRects().length")
            yield phone, found
            found.close()


def test_forgotten_in_one_tab_stays_forgotten_in_the_other(tabs: tuple[Phone, Page]) -> None:
    phone, other = tabs
    other.press("#forget")
    other.wait("document.querySelector('#sure').open")
    other.press("#sure-yes")
    other.wait("document.querySelector('#start').getClientRects().length")
    assert "All keycards on this device are removed." in other.text()
    phone.wait_for("#start")
    assert "removed in another tab" in phone.read("#news")
    assert (cards(phone), phone.stored()) == ([], "{}")


@pytest.mark.parametrize("act", ["add", "remove"])
def test_nothing_an_unlocked_tab_does_brings_back_what_was_forgotten(phone: Phone, act: str) -> None:
    """Also where the browser did not tell it (a storage event comes to other documents only)."""
    phone.add(keycard())
    phone.paste(json.dumps(keycard(door="wiki")))
    phone.page.wait("state.cards.length === 2")
    phone.page.value("localStorage.removeItem('portress-keycards')")
    if act == "add":
        phone.paste(json.dumps(keycard(door="vpn")))
    else:
        phone.page.press("#cards .remove")
        phone.wait_for("#sure")
        phone.page.press("#sure-yes")
    phone.wait_for("#start")
    assert "removed in another tab" in phone.read("#news")
    assert (cards(phone), phone.stored()) == ([], "{}")


def test_forgotten_while_it_is_written_it_stays_forgotten(phone: Phone) -> None:
    phone.add(keycard())
    said = phone.page.value(
        "(() => { const writing = keepKeycards(state.opener, state.cards);"
        "localStorage.removeItem('portress-keycards'); return writing.then(() => '', e => e.reason); })()"
    )
    assert (said, phone.stored()) == ("forgotten", "{}")


# Damaged entries


@pytest.mark.parametrize("entry", ["", "{", "null", '{"version": 9}'])
def test_a_damaged_entry_is_removed_and_the_page_says_so(phone: Phone, entry: str) -> None:
    phone.add(keycard())
    phone.page.value(f"localStorage.setItem('portress-keycards', {json.dumps(entry)})")
    phone.page.press("#lock")
    phone.unlock()
    assert "is damaged and cannot be opened. Choose “Forget all keycards”" in phone.read("#unlock-wrong")
    phone.page.press("#forget")
    phone.wait_for("#sure")
    phone.page.press("#sure-yes")
    phone.wait_for("#start")
    assert phone.read("#news") == "All keycards on this device are removed."
    assert phone.stored() == "{}"


@pytest.mark.parametrize("left", [0, 1])
def test_a_keycard_of_a_damaged_entry_is_removed_and_the_page_says_so(phone: Phone, left: int) -> None:
    phone.add(keycard())
    if left:
        phone.paste(json.dumps(keycard(door="wiki")))
        phone.page.wait("state.cards.length === 2")
    phone.page.value("localStorage.setItem('portress-keycards', '{')")
    phone.page.press("#cards .remove")
    phone.wait_for("#sure")
    phone.page.press("#sure-yes")
    phone.page.wait("document.querySelector('#news').innerText.includes('removed')")
    assert "was damaged and has been replaced" in phone.read("#news")
    phone.page.go(PAGE)
    if left:
        phone.unlock()
        phone.page.wait("state.cards.map(card => card.door).join() === 'wiki'")
    else:
        phone.wait_for("#start")


def test_a_removed_keycard_is_said_to_be_removed(phone: Phone) -> None:
    phone.add(keycard())
    phone.page.press("#cards .remove")
    phone.wait_for("#sure")
    phone.page.press("#sure-yes")
    phone.wait_for("#start")
    assert phone.read("#news") == "The keycard is removed."


# Letters


def test_letters_that_change_what_is_read_are_escaped_and_hosts_are_ascii(phone: Phone) -> None:
    card = keycard(
        door=f"ssh{OVERRIDE}\x1b\u2066אב",
        keyholder=f"a{OVERRIDE}na\u0007",
        host="bücher.example",
        services=[f"tcp/22{OVERRIDE}"],
    )
    phone.paste(json.dumps(card))
    said = [phone.read("#keep-what")]
    phone.choose()
    said += [phone.read("#cards"), phone.read("#news")]
    come_with(phone, {**card, "keyholder": f"b{OVERRIDE}"})
    said += [phone.read("#sure")]
    labels = phone.page.value("[...document.querySelectorAll('[aria-label]')].map(e => e.ariaLabel).join()")
    for text in [*said, labels]:
        assert not re.search("[\u0000-\u0009\u000b-\u001f\u0590-\u05ff\u202a-\u202e\u2066-\u2069]", text)
        assert "bücher" not in text
    assert all("xn--bcher-kva.example" in text for text in said)
    assert "ssh\\u202e\\u001b\\u2066\\u05d0\\u05d1" in said[0]
    assert "tcp/22\\u202e" in said[1]


def test_a_refused_keycard_is_named_with_its_letters_escaped(phone: Phone) -> None:
    phone.paste(json.dumps(keycard(door=f"vpn{OVERRIDE}", host="bücher.example", protocols=["udp"])))
    assert "knock on vpn\\u202e at xn--bcher-kva.example" in phone.read("#take-wrong")


# Frames


def test_in_a_frame_the_page_does_nothing(phone_world: World, chromium: Browser, tmp_path: Path) -> None:
    (tmp_path / "index.html").write_text((FOLDER / "index.html").read_text())
    (tmp_path / "frame.html").write_text(
        f"<iframe src='index.html#{fragment(keycard())}' width=400 height=800></iframe>"
    )
    with serve(phone_world.host, tmp_path):
        page = chromium.page(f"https://{phone_world.host4}/frame.html", clean=True)
        inside = "document.querySelector('iframe').contentDocument"
        page.wait(f"{inside}.querySelector('#trouble')?.innerText")
        said = page.value(f"{inside}.body.innerText")
        shown = page.value(f"[...{inside}.querySelectorAll('.screen')].filter(e => !e.hidden).length")
        kept = page.value("JSON.stringify({...localStorage})")
        pressed = page.value(f"{inside}.querySelector('#language').click(), {inside}.body.innerText")
        page.close()
    assert "does not work inside another page" in said
    assert (shown, kept, pressed) == (0, "{}", said)


# Passphrases

WEAK = """\
12345678
password
Passw0rd!2024
qwertyuiop1234
aaaaaaaaaaaaaaaa
correct horse battery staple
Tr0ub4dor&3
iloveyouiloveyou
hallohallohallo
abcdefghijklmnop
31.12.1999
sunshine football dragon
one two three
hedge hedge hedge hedge hedge
maria1987
P@ssw0rdP@ssw0rd""".splitlines()
STRONG = [
    "hedge lantern tuba comma",
    "Tisch Wolke Gabel Nebel Stuhl",
    "xK7#pQ2zRt9!mW",
    "7f3a9c1e5b8d2064aa31",
]


def test_a_passphrase_must_withstand_ten_years_of_guessing_offline(blank: Page) -> None:
    """A hundred graphics cards at 15,000 guesses a second each try half of 2^49.7 in ten years."""
    assert blank.value("Math.round(LEAST_BITS * 10) / 10") == 49.7
    for phrase in WEAK:
        assert blank.value(f"strengthOf({json.dumps(phrase)})") < 49.7, phrase
    for phrase in STRONG:
        assert blank.value(f"strengthOf({json.dumps(phrase)})") >= 49.7, phrase


def test_words_count_no_more_than_on_a_dice_list(blank: Page) -> None:
    """Four dice words have 4 * log2(7776) = 51.7 bits; what separates them adds next to nothing."""
    assert 51 < blank.value("strengthOf('hedge lantern tuba comma')") < 55
    assert blank.value("strengthOf('hedge lantern tuba')") < 42


def test_the_strength_is_shown_while_it_is_chosen(phone: Phone) -> None:
    phone.paste(json.dumps(keycard()))
    phone.wait_for("#keep")
    phone.page.write("#keep-phrase", "sunshine7")
    assert phone.read("#strength-says").startswith(
        "Too weak: somebody with this device and a hundred graphics"
    )
    phone.page.write("#keep-phrase", PASSPHRASE)
    assert re.match("Strong enough: .* about \\d+ years to guess", phone.read("#strength-says"))
    assert phone.page.value("document.querySelector('#strength-meter').value") > 49
