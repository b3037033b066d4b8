"""The knocking page as somebody uses it: what is pressed and written, what can be read."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

from lab.portress import REPOSITORY
from phone.browser import Browser

FOLDER: Final = REPOSITORY / "shared" / "knock-page"
PAGE: Final = f"file://{FOLDER / 'index.html'}"
PASSPHRASE: Final = "hedge lantern tuba comma"
Card = dict[str, Any]

# Run before the page's own script: a browser whose user reads German,
GERMAN: Final = "Object.defineProperty(navigator, 'languages', {value: ['de-AT', 'en']});"
# and a phone's clock that is ten minutes ahead.
TEN_MINUTES_AHEAD: Final = "{ const right = Date.now; Date.now = () => right() + 600000; }"


def keycard(**changes: Any) -> Card:
    """A keycard for a phone."""
    card: Card = {
        "portress": 1,
        "host": "198.51.100.1",
        "door": "ssh",
        "keyholder": "ana",
        "style": "derived",
        "secret": "R3MRCURUFUWXNKEX4KU5ZJVZUC3ATR3A",
        "pool": [20000, 51999],
        "protocols": ["tcp"],
        "length": 4,
        "gap": 10,
        "services": ["tcp/22"],
    }
    return {**card, **changes}


class Phone:
    """A device that opens the page at `address`, with an empty storage; from its file one at a time.

    `apart`: in a profile of its own, which takes half a second of a processor. Chromium counts for each the
    WebSockets that have failed, to hold back more of them, and keeps for each its connections to servers.
    """

    def __init__(
        self, browser: Browser, address: str = PAGE, *, before: str = "", apart: bool = False
    ) -> None:
        clean = apart or address != PAGE
        self._browser = browser
        self.page = browser.page(clean=True) if clean else browser.tab()
        self.page.looks()
        if before:
            self.page.before_each_document(before)
        self.page.go(address)
        for _ in range(0 if clean else 5):
            if not self.page.value("localStorage.length"):
                break
            # By the page itself: what the browser is asked to clear, it clears when it comes to it.
            self.page.value("localStorage.clear()")
            self.page.go(address)

    def __enter__(self) -> Phone:
        return self

    def __exit__(self, *_: object) -> None:
        self._browser.leave(self.page)

    def shown(self, selector: str) -> bool:
        """Whether something there can be seen."""
        there: bool = self.page.value(
            f"Boolean(document.querySelector({json.dumps(selector)})?.getClientRects().length)"
        )
        return there

    def wait_for(self, selector: str, timeout: float = 15) -> None:
        """Until something there can be seen."""
        there = f"document.querySelector({json.dumps(selector)})?.getClientRects().length"
        self.page.wait(there, timeout)

    def read(self, selector: str) -> str:
        """The text there, once there is some."""
        self.page.wait(f"document.querySelector({json.dumps(selector)})?.innerText")
        said: str = self.page.value(f"document.querySelector({json.dumps(selector)}).innerText")
        return said

    def paste(self, text: str) -> None:
        """Go to where keycards are added, paste the text, go on."""
        if not self.shown("#add"):
            self.page.press("#start .main" if self.shown("#start") else "#doors [data-go=add]")
            self.wait_for("#add")
        self.page.write("#paste", text)
        self.page.press("#take .main")

    def choose(self, passphrase: str = PASSPHRASE) -> None:
        """Keep the pending keycard under a new passphrase."""
        self.wait_for("#keep")
        self.page.write("#keep-phrase", passphrase)
        self.page.write("#keep-again", passphrase)
        self.page.press("#store .main")
        self.wait_for("#doors")

    def add(self, card: Card, passphrase: str = PASSPHRASE) -> None:
        """Add a first keycard by pasting."""
        self.paste(json.dumps(card))
        self.choose(passphrase)

    def add_file(self, path: Path) -> None:
        """Add a keycard by its file, as if it had been chosen."""
        self.page.press("#start .main")
        self.wait_for("#add")
        document = self.page.call("DOM.getDocument")["root"]["nodeId"]
        field = self.page.call("DOM.querySelector", nodeId=document, selector="#file")["nodeId"]
        self.page.call("DOM.setFileInputFiles", nodeId=field, files=[str(path)])

    def unlock(self, passphrase: str = PASSPHRASE) -> None:
        """Enter a passphrase where it is asked for."""
        self.wait_for("#locked")
        self.page.write("#unlock-phrase", passphrase)
        self.page.press("#unlock .main")

    def knock(self, door: int = 0, timeout: float = 40, button: str = ".knock") -> str:
        """Press the button of a door, by its place on the page, and wait for what is said in the end."""
        card = f"#cards > li:nth-child({door + 1})"
        self.page.press(f"{card} {button}")
        under_way = f"document.querySelector('{card} .result:empty, {card} .result.unsure')"
        self.page.wait(f"!{under_way} && !knocking", timeout)
        return self.read(f"{card} .result")

    def stored(self) -> str:
        """All that localStorage holds, as one text."""
        held: str = self.page.value("JSON.stringify({...localStorage})")
        return held
