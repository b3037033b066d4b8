"""`admits: connection` in the configuration: what goes with it, and what is a mistake, each with its line."""

from __future__ import annotations

import pytest

from portress.config import load as configuration
from portress.errors import Mistake
from portress.guard import ruleset
from portress.keyholders.keyholder import Keyholder
from portress.knock import SECOND, TCP, UDP, Source
from portress.sequence import enrolled

RULE = "rotating: {admits: connection}"


def config(services: str = "[tcp/22]", more: str = "", rule: str = RULE, top: str = "") -> str:
    return f"{top}doors:\n  ssh:\n    services: {services}\n    {rule}\n{more}"


def test_the_last_knock_is_of_the_services_protocol_and_the_stay_is_time_to_connect() -> None:
    for services, last in (("[tcp/22, tcp/2222]", TCP), ("[udp/51820]", UDP)):
        door = configuration.parse(config(services), "f").doors["ssh"]
        assert door.rotating is not None
        assert (door.rotating.last, door.stay, door.by_connection) == (last, 30 * SECOND, True)
    door = configuration.parse(config(more="    stay: 2m\n"), "f").doors["ssh"]
    assert door.stay == 120 * SECOND
    door = configuration.parse(config(rule="rotating: {}"), "f").doors["ssh"]
    assert door.rotating is not None
    assert (door.rotating.last, door.stay, door.by_connection) == (None, 8 * 3600 * SECOND, False)


def test_paper_and_codes_of_such_a_door_admit_the_source_and_a_warning_says_so() -> None:
    read = configuration.parse(config(more="    authenticator: {base: 40000}\n"), "f")
    secret = bytes(range(20))
    derived, code = enrolled.expected(
        [Keyholder("ana", ("ssh",), secret), Keyholder("ben", ("ssh",), secret, "authenticator")], read, 7
    )
    assert (derived.one_connection, code.one_connection) == (True, False)
    assert any("admit the whole source all the same" in one for one in read.warnings)


@pytest.mark.parametrize(
    ("text", "line", "told"),
    [
        (config("[tcp/22, udp/53]"), 4, "a door that admits a connection has services of one protocol"),
        (config(top="watch: counter\n"), 5, "does not tell a knock's port: use `watch: packet`"),
        (config(top="watch: journal\n"), 5, "does not tell a knock's port: use `watch: packet`"),
        (config(more="    linger: false\n"), 5, "sessions outlive an admission of a connection"),
        (config("[udp/53]", rule="rotating: {protocols: [tcp], admits: connection}"), 4, "write [tcp, udp]"),
        (config(rule="fixed: {knocks: [tcp/4617, udp/2953], admits: connection}"), 4, "end with a tcp knock"),
        (
            config(rule="rotating: {admits: conection}"),
            4,
            "source or connection; 'connection' is the nearest",
        ),
        (config(rule="rotating: {pool: 20000-20002, admits: connection}"), 4, "a pool of 4 ports or more"),
    ],
)
def test_what_does_not_go_with_it_is_a_mistake_with_its_line(text: str, line: int, told: str) -> None:
    with pytest.raises(Mistake) as wrong:
        configuration.parse(text, "f")
    (said,) = wrong.value.lines
    assert said.startswith(f"f:{line}: ")
    assert told in said


def test_an_admitted_connection_is_an_element_of_a_set_of_its_own() -> None:
    one = Source(bytes((192, 0, 2, 7)), 32, 40111)
    assert (str(one), one.whole) == ("192.0.2.7 port 40111", Source.parse("192.0.2.7"))
    assert one.key == bytes((192, 0, 2, 7)) + (40111).to_bytes(2, "big") + b"\0\0"
    assert ruleset.admission_set("ssh", one) == "ssh.one_4"
    text = ruleset.render(ruleset.build(configuration.parse(config(), "f"), []))
    assert "limit rate 1/week burst 1 packets" in text and "tcp sequence" in text
    assert "tcp sequence" not in ruleset.render(
        ruleset.build(configuration.parse(config("[udp/53]"), "f"), [])
    )
