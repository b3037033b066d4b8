"""A real Chromium inside a namespace, driven by its DevTools protocol through a pair of pipes.

    with browser(w.stranger, hosts="198.51.100.1 door.example.org") as chromium:
        page = chromium.page("file:///…/index.html")
        page.wait("document.readyState === 'complete'")

Chromium's own program for tests draws, stores, connects and runs scripts as a whole one does, and takes half
as long; BROWSER=chromium in the environment asks for a whole one, as `scripts/test wide` does.

The pipes (`--remote-debugging-pipe`: file descriptors 3 and 4, messages ended by a zero byte) need no port in
the namespace, so nothing but the page's own packets is on its links. Protocol: chromedevtools.github.io.
"""

from __future__ import annotations

import base64
import contextlib
import itertools
import json
import os
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from lab import LabError, Namespace, scratch

_FLAGS: Final = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--in-process-gpu",  # and no process kept ready for the next page: both only cost time
    "--disable-features=SpareRendererForSitePerProcess",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
    "--remote-debugging-pipe",
)
_PROGRAM: Final = os.environ.get("BROWSER", "chromium-headless-shell")
_PATIENCE: Final = 20.0  # seconds for an answer of the browser, on a busy machine


class Page:
    """One tab. `events` are what the browser told of it since it was opened, of the domains asked for."""

    def __init__(self, browser: Browser, session: str, target: str, context: str | None) -> None:
        self._browser = browser
        self._session = session
        self.target = target
        self.context = context
        self.events: list[dict[str, Any]] = []
        self._scripts: list[str] = []

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Call a method of the protocol for this tab. Raises LabError with the browser's reason."""
        return self._browser.call(method, self._session, **params)

    def heard(self, method: str) -> list[dict[str, Any]]:
        """The parameters of each event of that name so far."""
        return [event["params"] for event in list(self.events) if event["method"] == method]

    def go(self, address: str) -> None:
        """Load an address anew, also where only its fragment differs from the one before."""
        self.call("Page.navigate", url="about:blank")
        self.wait("location.href === 'about:blank'")
        self.call("Page.navigate", url=address)
        self.wait("document.readyState === 'complete' && location.href !== 'about:blank'")
        self.wait(
            "typeof settled === 'undefined' || document.title !== 'Portress'"
        )  # until the page has begun

    def value(self, expression: str) -> Any:
        """What an expression of JavaScript gives, awaited; as Python values. LabError if it throws."""
        done = self.call("Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True)
        if "exceptionDetails" in done:
            raise LabError(f"{expression[:200]}: {done['exceptionDetails']}")
        return done["result"].get("value")

    def wait(self, condition: str, timeout: float = 30.0) -> None:
        """Until the condition, an expression of JavaScript, is true. LabError after `timeout` seconds."""
        until = time.monotonic() + timeout
        while True:
            with contextlib.suppress(LabError):  # the tab may be between two documents
                if self.value(f"Boolean({condition})"):
                    return
            if time.monotonic() > until:
                raise LabError(f"not within {timeout} s: {condition}\n{self.text()}")
            time.sleep(0.02)

    def text(self) -> str:
        """All that can be read on it now."""
        said: str = self.value("document.body ? document.body.innerText : ''")
        return said

    def press(self, selector: str) -> None:
        """Click in the middle of the element, as a finger does."""
        place = self.value(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)}); if (!e) return null;"
            "e.scrollIntoView({block: 'center', behavior: 'instant'});"
            "const r = e.getBoundingClientRect(); if (!r.width) return null;"
            "return [r.x + r.width / 2, r.y + r.height / 2]; })()"
        )
        if place is None:
            raise LabError(f"nothing to press: {selector}\n{self.text()}")
        for kind in ("mousePressed", "mouseReleased"):
            self.call(
                "Input.dispatchMouseEvent", type=kind, x=place[0], y=place[1], button="left", clickCount=1
            )

    def write(self, selector: str, text: str) -> None:
        """Put the cursor in the field and write the text there in place of what it holds."""
        self.value(f"(e => {{ e.focus(); e.select(); }})(document.querySelector({json.dumps(selector)}))")
        self.call("Input.insertText", text=text)

    def key(self, name: str, *, shift: bool = False) -> None:
        """Press and release a key: Tab, Enter, Space, Escape."""
        code = {"Tab": 9, "Enter": 13, "Space": 32, "Escape": 27}[name]
        said = {"Enter": "\r", "Space": " "}.get(name, "")
        word = " " if name == "Space" else name
        shared = {"key": word, "code": name, "windowsVirtualKeyCode": code, "modifiers": 8 if shift else 0}
        self.call("Input.dispatchKeyEvent", type="keyDown", text=said, **shared)
        self.call("Input.dispatchKeyEvent", type="keyUp", **shared)

    def looks(self, *, width: int = 390, height: int = 844, dark: bool = False) -> None:
        """Lay it out for a screen of that size (CSS pixels), phones at two device pixels each."""
        phone = width < 700
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=2 if phone else 1,
            mobile=phone,
        )
        features = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.call("Emulation.setEmulatedMedia", features=features)

    def picture(self, path: Path) -> None:
        """A picture of the whole page, however long, as PNG."""
        taken = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(taken["data"]))

    def before_each_document(self, script: str) -> None:
        """Run the script in each document before any of its own."""
        added = self.call("Page.addScriptToEvaluateOnNewDocument", source=script)
        self._scripts.append(added["identifier"])

    def emptied(self) -> None:
        """Leave what it shows, and what it would run, keep and tell of that: as when it was opened."""
        while self._scripts:
            self.call("Page.removeScriptToEvaluateOnNewDocument", identifier=self._scripts.pop())
        self.value("sessionStorage.clear()")
        self.call("Page.navigate", url="about:blank")
        self.wait("location.href === 'about:blank'")
        self.events.clear()

    def close(self) -> None:
        """Close it, and forget the device's storage if it was its own."""
        self._browser.forget(self._session)


class Browser:
    """A running Chromium."""

    def __init__(self, process: subprocess.Popen[str], reads: int, writes: int) -> None:
        self.process = process
        self._reads = reads
        self._writes = writes
        self._numbers = itertools.count(1)
        self._answers: dict[int, dict[str, Any]] = {}
        self._pages: dict[str, Page] = {}
        self._changed = threading.Condition()
        self._ended = False
        self._left: list[Page] = []
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        rest = b""
        while data := os.read(self._reads, 1 << 16):
            *messages, rest = (rest + data).split(b"\0")
            with self._changed:
                for message in messages:
                    self._take(json.loads(message))
                self._changed.notify_all()
        with self._changed:
            self._ended = True
            self._changed.notify_all()

    def _take(self, message: dict[str, Any]) -> None:
        if "id" in message:
            self._answers[message["id"]] = message
        elif page := self._pages.get(message.get("sessionId", "")):
            page.events.append(message)

    def call(self, method: str, session: str | None = None, **params: Any) -> dict[str, Any]:
        """Call a method of the protocol. Raises LabError with the browser's reason."""
        number = next(self._numbers)
        message: dict[str, Any] = {"id": number, "method": method, "params": params}
        if session:
            message["sessionId"] = session
        whole = json.dumps(message).encode() + b"\0"
        while whole:
            whole = whole[os.write(self._writes, whole) :]
        with self._changed:
            if not self._changed.wait_for(lambda: number in self._answers or self._ended, _PATIENCE):
                raise LabError(f"Chromium does not answer to {method}")
            if number not in self._answers:
                raise LabError(f"Chromium ended at {method}")
            answer = self._answers.pop(number)
        if "error" in answer:
            raise LabError(f"{method}: {answer['error']}")
        result: dict[str, Any] = answer["result"]
        return result

    def page(self, address: str = "about:blank", *, clean: bool = False) -> Page:
        """A new tab; `clean` gives it a storage of its own, as a device that never saw the page."""
        context = self.call("Target.createBrowserContext")["browserContextId"] if clean else None
        where = {"browserContextId": context} if context else {}
        target = self.call("Target.createTarget", url="about:blank", **where)["targetId"]
        session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        made = Page(self, session, target, context)
        self._pages[session] = made
        for domain in ("Page", "Runtime", "Network", "Log"):
            made.call(f"{domain}.enable")
        if address != "about:blank":
            made.go(address)
        return made

    def tab(self) -> Page:
        """A tab of the browser's own storage: one that was left, or a new one."""
        return self._left.pop() if self._left else self.page()

    def leave(self, page: Page) -> None:
        """The tab is not needed any more. What it takes to open one is a good part of what a test takes."""
        if page.context:
            page.close()
            return
        try:
            page.emptied()
        except LabError:  # it is gone, or shows what has no storage
            with contextlib.suppress(KeyError, LabError):
                page.close()
        else:
            self._left.append(page)

    def beside(self, page: Page, timeout: float = 15.0) -> Page:
        """The tab that the page has just opened. LabError if there is none after `timeout` seconds."""
        until = time.monotonic() + timeout
        while time.monotonic() < until:
            for one in self.call("Target.getTargets")["targetInfos"]:
                if one.get("openerId") == page.target and one["type"] == "page":
                    session = self.call("Target.attachToTarget", targetId=one["targetId"], flatten=True)
                    found = Page(self, session["sessionId"], one["targetId"], None)
                    self._pages[session["sessionId"]] = found
                    return found
            time.sleep(0.05)
        raise LabError("no tab was opened")

    def forget(self, session: str) -> None:
        """Close the tab of that session, and its storage if it has one of its own."""
        page = self._pages.pop(session)
        self.call("Target.closeTarget", targetId=page.target)
        if page.context:
            self.call("Target.disposeBrowserContext", browserContextId=page.context)


@contextlib.contextmanager
def browser(ns: Namespace, *, hosts: str = "", language: str = "en-US") -> Iterator[Browser]:
    """Chromium in the namespace, with a profile of its own, answering when this returns.

    `hosts` is the text of its /etc/hosts. Certificates are not asked for their issuer. LabError if it fails.
    """
    with scratch() as folder:
        (folder / "hosts").write_text(f"127.0.0.1 localhost\n::1 localhost\n{hosts}\n")
        flags = [*_FLAGS, f"--user-data-dir={folder / 'profile'}", f"--lang={language}"]
        flags.append("--ignore-certificate-errors")
        to_browser, from_browser = os.pipe(), os.pipe()
        # `ip netns exec` gives the process mounts of its own: the machine's /etc/hosts stays as it is.
        start = 'mount --bind "$1" /etc/hosts && exec 3<&"$2" 4>&"$3" && shift 3 && exec "$@"'
        ends = (str(to_browser[0]), str(from_browser[1]))
        environment = {**os.environ, "HOME": str(folder), "LANGUAGE": language, "LANG": "C.UTF-8"}
        process = ns.popen(
            ["bash", "-c", start, "bash", str(folder / "hosts"), *ends, _PROGRAM, *flags, "about:blank"],
            pass_fds=(to_browser[0], from_browser[1]),
            env=environment,
        )
        os.close(to_browser[0])
        os.close(from_browser[1])
        try:
            made = Browser(process, from_browser[0], to_browser[1])
            made.call("Browser.getVersion")
            yield made
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait(10)
            os.close(to_browser[1])
