"""A phone's browser in front of a guarded host: the page knocks, and what was shut opens.

What a browser really sends is counted on the host's link: parallel attempts, repeated SYNs, both families.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import re
import signal
from collections.abc import Iterator
from typing import Any

import pytest

from lab import Sshd, World, capture, daemon, service, sshd, tcp_state, until, world
from lab.portress import Daemon
from lab.space import halt
from phone.browser import Browser, browser
from phone.page import FOLDER, PAGE, TEN_MINUTES_AHEAD, Phone
from phone.server import serve
from portress import control
from portress.errors import Mistake

pytestmark = pytest.mark.xdist_group("knock_page")  # one browser for all of them

CONFIG = """\
public: [tcp/443]
doors:
  ssh:
    services: [tcp/22]
    stay: 1h
    rotating: {pool: 20000-29999, protocols: [tcp], length: 4, gap: 10s}
  code:
    services: [tcp/2222]
    stay: 1h
    authenticator: {base: 31000}
  web:
    services: [tcp/8443]
    stay: 1h
    leaving: true
    rotating: {pool: 20000-29999, protocols: [tcp], length: 6, gap: 10s}
"""
# The host's own firewall may drop what Portress lets pass: here, at silent.example.org's address.
SILENT = """\
table inet firewall {
  chain input {
    type filter hook input priority 0;
    ip daddr 198.51.100.2 tcp dport 20000-39999 drop
    ip6 daddr 2001:db8:1::2 tcp dport 20000-39999 drop
  }
}"""
NAMES = """\
198.51.100.1 four.example.org
2001:db8:1::1 both.example.org
198.51.100.1 both.example.org
2001:db8:1::2 silent.example.org
198.51.100.2 silent.example.org
"""
SYN = "tcp[tcpflags] & (tcp-syn|tcp-ack) == tcp-syn or (ip6 and tcp)"
Dialled = dict[str, list[int]]  # by source address, in the order of arrival


@pytest.fixture(scope="module")
def w() -> Iterator[World]:
    with world() as made:
        made.host.own("eth0", "198.51.100.2", "2001:db8:1::2")
        made.host.nft(SILENT)
        yield made


@pytest.fixture(scope="module")
def server(w: World) -> Iterator[Sshd]:
    with sshd(w.host, (22, 2222)) as made, serve(w.host, FOLDER), serve(w.host, FOLDER, 8443):
        yield made


@pytest.fixture(scope="module")
def guarded(w: World, server: Sshd) -> Iterator[Daemon]:
    with daemon(w.host, CONFIG, keyholders="[]\n") as made:
        yield made


@pytest.fixture(scope="module")
def chromium(w: World) -> Iterator[Browser]:
    with browser(w.stranger, hosts=NAMES) as made:
        yield made


@pytest.fixture(autouse=True)
def shut(w: World, guarded: Daemon) -> Iterator[None]:
    """Each test finds the doors shut, and leaves them so."""
    yield
    for source in (w.stranger4, w.stranger6):
        with contextlib.suppress(Mistake):  # not admitted
            control.ask(guarded.socket, "dismiss", source=source, door=None)


def enrolled(
    guarded: Daemon, name: str, door: str, host: str, page: str = PAGE
) -> tuple[dict[str, Any], str]:
    """A new keyholder's keycard, and the address for the phone, as `portress enrol --phone` prints them."""
    told = guarded.verb("enrol", name, "--door", door, "--host", host, "--phone", page, "--json")
    made = json.loads(told.stdout)
    return made["keycards"][0], made["phone"][0]


def dialled(lines: list[str]) -> Dialled:
    """The ports of the knocks' range that SYNs went to."""
    found: Dialled = {}
    for line in lines:
        syn = re.search(r"IP6? (\S+)\.\d+ > \S+\.(\d+): Flags \[S\]", line)
        if syn and 20000 <= int(syn[2]) < 40000:
            found.setdefault(syn[1], []).append(int(syn[2]))
    return found


def in_order(ports: list[int]) -> list[int]:
    """Each port once, by its first SYN."""
    return list(dict.fromkeys(ports))


def one_by_one(ports: list[int]) -> bool:
    """Whether no SYN went to a port once the next one had been dialled."""
    return [port for port, _ in itertools.groupby(ports)] == in_order(ports)


def device(browser: Browser, address: str = PAGE, *, before: str = "") -> Phone:
    """A phone whose browser has counted no failed WebSockets yet."""
    return Phone(browser, address, before=before, apart=True)


def settled(phone: Phone) -> None:
    """Wait until the step has so much time left that the page knocks in this one."""
    phone.page.wait("secondsLeft() > 5", 20)


def open_by_scanning(phone: Phone, address: str) -> None:
    """Come in with the address of an enrolment's QR code."""
    phone.page.go(address)
    phone.choose()


def test_from_a_file_the_page_opens_ssh(w: World, server: Sshd, guarded: Daemon, chromium: Browser) -> None:
    card, address = enrolled(guarded, "ana", "ssh", w.host4)
    assert tcp_state(w.stranger, w.host4, 22) == "filtered"
    with capture(w.host, SYN) as wire, device(chromium) as phone:
        open_by_scanning(phone, address)
        said = phone.knock()
        assert said.startswith("Knocked. A browser cannot tell whether this door opened.")
        assert server.ssh(w.stranger, w.host4, "id", "-un").stdout == "root\n"
        (ports,) = dialled(wire.lines()).values()
    assert len(ports) == len(set(ports)) == card["length"]


def test_from_an_https_server_the_page_opens_ssh(
    w: World, server: Sshd, guarded: Daemon, chromium: Browser
) -> None:
    page = f"https://{w.host4}/index.html"
    _, address = enrolled(guarded, "ben", "ssh", "four.example.org", page)
    assert tcp_state(w.stranger, w.host4, 22) == "filtered"
    with device(chromium, page) as phone:
        open_by_scanning(phone, address)
        assert phone.page.value("location.href") == page
        phone.knock()
        assert server.ssh(w.stranger, w.host4, "id", "-un").stdout == "root\n"


def test_an_authenticators_keycard_opens_its_door_and_the_page_sees_it(
    w: World, server: Sshd, guarded: Daemon, chromium: Browser
) -> None:
    _, address = enrolled(guarded, "cem", "code", w.host4)
    assert tcp_state(w.stranger, w.host4, 2222) == "filtered"
    with device(chromium) as phone:
        open_by_scanning(phone, address)
        said = phone.knock()
        assert said == "Knocked. The service was silent before and responds now: the door is open."
        assert server.ssh(w.stranger, w.host4, "id", "-un", port=2222).stdout == "root\n"


def test_the_page_sees_a_web_service_answer(w: World, guarded: Daemon, chromium: Browser) -> None:
    _, address = enrolled(guarded, "dora", "web", w.host4)
    with device(chromium) as phone:
        open_by_scanning(phone, address)
        assert phone.knock() == "Knocked, and the service answers: the door is open."


def test_the_page_leaves_a_door_that_has_leaving(w: World, guarded: Daemon, chromium: Browser) -> None:
    """In both languages; another door's card has no such button."""
    card, address = enrolled(guarded, "lea", "web", w.host4)
    assert card["leaving"] is True
    with device(chromium) as phone:
        open_by_scanning(phone, address)
        assert phone.read("#cards .leave") == "Leave"
        settled(phone)
        phone.knock()
        guarded.wait_for("admitted to web", "keyholder lea")
        settled(phone)
        said = phone.knock(button=".leave")
        assert said == "You have left: the door is closed to this network’s address."
        guarded.wait_for(f"{w.stranger4}'s admission to web ended: left")
        assert tcp_state(w.stranger, w.host4, 8443) == "filtered"
        phone.page.press("#language")
        assert phone.read("#cards .leave") == "Verlassen"
        assert phone.read("#cards .result").startswith("Du hast die Tür verlassen")


def test_a_door_that_a_busy_host_closes_late_is_seen_to_close(
    w: World, guarded: Daemon, chromium: Browser
) -> None:
    _, address = enrolled(guarded, "ole", "web", w.host4)
    with device(chromium) as phone:
        open_by_scanning(phone, address)
        settled(phone)
        phone.knock()
        guarded.wait_for("admitted to web", "keyholder ole")
        settled(phone)
        answers = len(phone.page.heard("Network.responseReceived"))
        halt(guarded.pid)
        try:
            phone.page.press("#cards .leave")
            # The service answers before the sequence, and once more after it.
            until(lambda: len(phone.page.heard("Network.responseReceived")) == answers + 2)
        finally:
            os.kill(guarded.pid, signal.SIGCONT)
        phone.page.wait("!knocking")
        assert phone.read("#cards .result").startswith("You have left: the door is closed")


def test_a_card_without_leaving_has_no_such_button(w: World, guarded: Daemon, chromium: Browser) -> None:
    card, address = enrolled(guarded, "max", "ssh", w.host4)
    assert "leaving" not in card
    with device(chromium) as phone:
        open_by_scanning(phone, address)
        assert phone.shown("#cards .knock")
        assert not phone.shown("#cards .leave")


def test_a_withdrawn_keycard_opens_nothing_and_the_page_sees_it(
    w: World, guarded: Daemon, chromium: Browser
) -> None:
    _, address = enrolled(guarded, "eva", "web", w.host4)
    guarded.verb("unenrol", "eva")
    with device(chromium) as phone:
        open_by_scanning(phone, address)
        assert phone.knock() == "Knocked, but the service does not answer."
        assert "Check the clock" in phone.read("#cards .help")


def test_a_phone_ten_minutes_off_gets_in_by_the_servers_clock(
    w: World, server: Sshd, guarded: Daemon, chromium: Browser
) -> None:
    page = f"https://{w.host4}/index.html"
    _, address = enrolled(guarded, "finn", "ssh", w.host4, page)
    with device(chromium, page, before=TEN_MINUTES_AHEAD) as phone:
        open_by_scanning(phone, address)
        phone.wait_for("#use-server")
        phone.knock()
        assert tcp_state(w.stranger, w.host4, 22) == "filtered"
        phone.page.press("#use-server")
        phone.knock()
        assert server.ssh(w.stranger, w.host4, "id", "-un").stdout == "root\n"


# What a browser sends


def test_both_families_of_a_name_are_dialled_and_the_favourite_gets_in(
    w: World, server: Sshd, guarded: Daemon, chromium: Browser
) -> None:
    """RFC 8305: a browser that IPv6 fails turns to IPv4; each is a source, and a sequence works once."""
    card, address = enrolled(guarded, "hila", "ssh", "both.example.org")
    with capture(w.host, SYN) as wire, device(chromium) as phone:
        open_by_scanning(phone, address)
        phone.knock()
        assert server.ssh(w.stranger, w.host6, "id", "-un").stdout == "root\n"
        seen = dialled(wire.lines())
    assert set(seen) == {w.stranger4, w.stranger6}
    assert in_order(seen[w.stranger4]) == in_order(seen[w.stranger6])
    assert len(in_order(seen[w.stranger6])) == card["length"]


def test_attempts_that_nothing_answers_end_before_the_next_knock_in_both_families(
    w: World, server: Sshd, guarded: Daemon, chromium: Browser
) -> None:
    card, address = enrolled(guarded, "ines", "ssh", "silent.example.org")
    with capture(w.host, SYN) as wire, device(chromium) as phone:
        open_by_scanning(phone, address)
        phone.knock()
        assert server.ssh(w.stranger, w.host6, "id", "-un").stdout == "root\n"
        seen = dialled(wire.lines())
    assert all(one_by_one(ports) for ports in seen.values())
    assert in_order(seen[w.stranger4]) == in_order(seen[w.stranger6])
    assert len(in_order(seen[w.stranger6])) == card["length"]


def test_a_browsers_repeated_and_parallel_attempts_do_not_break_a_sequence(
    w: World, server: Sshd, guarded: Daemon
) -> None:
    """As if knocked with plain requests, which a browser makes over two sockets and keeps repeating.

    In a browser of its own: only its end ends the repetitions.
    """
    card, address = enrolled(guarded, "jon", "ssh", "198.51.100.2")
    with capture(w.host, SYN) as wire, browser(w.stranger) as another, device(another) as phone:
        open_by_scanning(phone, address)
        phone.page.value(
            "(async () => { const [card] = state.cards; const knocks = await sequenceOf(card, stepAt(now()));"
            "for (const { port } of knocks) await ask(card.host, port, 1150); })()"
        )
        assert server.ssh(w.stranger, w.host4, "id", "-un").stdout == "root\n"
        (ports,) = dialled(wire.lines()).values()
    assert len(in_order(ports)) == card["length"]
    assert min(ports.count(port) for port in set(ports)) >= 3
    assert not one_by_one(ports)


def test_an_open_port_among_the_knocks_does_no_harm(
    w: World, server: Sshd, guarded: Daemon, chromium: Browser
) -> None:
    _, address = enrolled(guarded, "kim", "ssh", w.host4)
    with device(chromium) as phone:
        open_by_scanning(phone, address)
        ports = phone.page.value(
            "sequenceOf(state.cards[0], stepAt(now()) ).then(k => k.map(one => one.port))"
        )
        with service(w.host, f"tcp/{ports[1]}"):
            phone.knock()
        assert server.ssh(w.stranger, w.host4, "id", "-un").stdout == "root\n"
