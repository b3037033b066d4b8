"""The page for phones is for everybody: languages, keyboard, screen readers, small screens, both themes."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

import pytest

from phone.browser import Browser
from phone.page import GERMAN, PAGE, PASSPHRASE, Phone, keycard
from phone.tools import node_modules

pytest_plugins = ["phone.fixtures"]
pytestmark = pytest.mark.xdist_group("phone_for_everybody")  # one browser for all of them


def test_it_speaks_the_browsers_language_and_the_chosen_one(chromium: Browser) -> None:
    with Phone(chromium, before=GERMAN) as phone:
        assert phone.read("#start h1") == "Anklopfen und eingelassen werden"
        phone.page.press("#language")
        assert phone.read("#start h1") == "Knock and be let in"
        assert phone.page.value("document.documentElement.lang") == "en"
        phone.page.go(PAGE)
        assert phone.read("#start h1") == "Knock and be let in"


def test_a_keyboard_is_enough(phone: Phone) -> None:
    def go_to(selector: str) -> None:
        for _ in range(30):
            if phone.page.value(f"document.activeElement.matches({json.dumps(selector)})"):
                return
            phone.page.key("Tab")
        raise AssertionError(f"Tab never comes to {selector}")

    go_to("#start .main")
    phone.page.key("Enter")
    go_to("#paste")
    phone.page.call("Input.insertText", text=json.dumps(keycard()))
    go_to("#take .main")
    phone.page.key("Space")
    phone.wait_for("#keep")
    for selector in ("#keep-phrase", "#keep-again"):
        go_to(selector)
        phone.page.call("Input.insertText", text=PASSPHRASE)
    phone.page.key("Enter")
    phone.wait_for("#doors")
    go_to("#cards .remove")
    phone.page.key("Enter")
    phone.wait_for("#sure")
    phone.page.key("Escape")
    phone.page.wait("!document.querySelector('#sure').open")
    go_to("#cards .knock")
    phone.page.key("Enter")
    assert phone.page.value("knocking")


def test_the_ports_are_never_shown(phone: Phone) -> None:
    phone.add(keycard())
    made = (
        "Promise.all([0, 1].map(later => sequenceOf(state.cards[0], stepAt(now()) + later)))"
        ".then(all => all.flat().map(knock => knock.port))"
    )
    ports = [*phone.page.value(made), 20000, 51999]
    phone.knock()
    seen = phone.page.value("document.documentElement.outerHTML.replace(/<script>.*<\\/script>/s, '')")
    # Digits of a longer number, as of the countdown's, are no port.
    assert not [port for port in ports if re.search(rf"(?<![\d.]){port}(?!\d)", seen)]


SCREENS = ("start", "add", "complaint", "keep", "doors", "knocked", "asked", "locked")


def _screens(phone: Phone) -> Iterator[str]:
    """Goes through all screens, in the order of SCREENS."""
    yield "start"
    phone.page.press("#start .main")
    yield "add"
    phone.paste("{}")
    phone.wait_for("#take-wrong")
    yield "complaint"
    phone.paste(json.dumps(keycard()))
    phone.wait_for("#keep")
    yield "keep"
    phone.choose()
    phone.page.press("summary")
    yield "doors"
    phone.page.value(
        "(li => { report(li, 'bad', 'knocked_silent'); help(li); "
        "tell(document.querySelector('#clock-says'), 'clock_ahead', () => ({off: saySpan(600)}));"
        "document.querySelector('#clock').classList.add('wrong');"
        "document.querySelector('#use-server').hidden = false; })(document.querySelector('#cards > li'))"
    )
    yield "knocked"
    phone.page.press("#cards .remove")
    phone.wait_for("#sure")
    yield "asked"
    phone.page.key("Escape")
    phone.page.press("#lock")
    phone.unlock("wrong")
    phone.wait_for("#unlock-wrong")
    yield "locked"


@pytest.mark.parametrize(("before", "name"), [("", "en"), pytest.param(GERMAN, "de", marks=pytest.mark.wide)])
def test_axe_finds_nothing_on_any_screen_in_either_theme(chromium: Browser, before: str, name: str) -> None:
    """axe-core of the npm registry, all its rules for WCAG 2.0 to 2.2, A and AA, and its best practices."""
    axe = (node_modules() / "axe-core/axe.min.js").read_text(encoding="utf-8")
    found: list[str] = []
    seen: list[str] = []
    with Phone(chromium, before=before) as phone:
        phone.page.value(axe + "; 0")
        for screen in _screens(phone):
            seen.append(screen)
            for dark in (False, True):
                phone.page.looks(width=390, dark=dark)
                told = phone.page.value(
                    "axe.run({rules: {'target-size': {enabled: true}}})"
                    ".then(r => [r.passes.map(p => p.id), r.violations.concat(r.incomplete).map("
                    "v => v.id + ': ' + v.nodes.map(n => n.target + ' ' + n.failureSummary).join('; '))])"
                )
                assert {"color-contrast", "button-name", "target-size"} <= set(told[0])
                found += [f"{screen}, {name}, {'dark' if dark else 'light'}: {line}" for line in told[1]]
    assert tuple(seen) == SCREENS
    assert found == []


@pytest.mark.parametrize("before", ["", GERMAN])
def test_every_screen_fits_320_pixels_and_a_finger(chromium: Browser, before: str) -> None:
    """WCAG 2.2: 1.4.10 asks for 320 CSS pixels, 2.5.8 for targets of 24; these are 44 and more."""
    small = (
        "[...document.querySelectorAll('button, input, textarea, summary, .tick')]"
        ".filter(e => e.id !== 'file' && e.type !== 'checkbox' && e.getClientRects().length)"
        ".filter(e => e.getBoundingClientRect().height < 44)"
        ".map(e => e.outerHTML)"
    )
    with Phone(chromium, before=before) as phone:
        phone.page.looks(width=320, height=640)
        for screen in _screens(phone):
            wide = phone.page.value("document.documentElement.scrollWidth")
            assert (screen, wide, phone.page.value(small)) == (screen, 320, [])


def test_motion_is_spared_those_who_ask_for_it(phone: Phone) -> None:
    phone.add(keycard())
    duration = "getComputedStyle(document.querySelector('#doors .leaf')).transitionDuration"
    assert phone.page.value(duration) == "0.7s"
    reduced = [{"name": "prefers-reduced-motion", "value": "reduce"}]
    phone.page.call("Emulation.setEmulatedMedia", features=reduced)
    assert phone.page.value(duration) == "0s"
