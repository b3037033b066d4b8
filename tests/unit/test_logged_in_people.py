"""Who is named after a reload: which doors a login needs, before and after, and how the daemon is asked."""

from __future__ import annotations

from typing import Any

import pytest

from portress.errors import Mistake
from portress.knock import Source
from portress.logins import Login
from portress.run import asked
from portress.run.root_part import _end, _newly

HERE = Source.parse("203.0.113.20").packed
THERE = Source.parse("198.51.100.7")
KNOWN = Login(THERE, "ana", "pts/0", frozenset([(HERE, 22)]))
UNKNOWN = Login(THERE, "ana", "", frozenset())


@pytest.mark.parametrize(
    ("login", "before", "now", "newly"),
    [
        (KNOWN, set(), {"ssh"}, {"ssh"}),
        (KNOWN, {"ssh"}, {"ssh", "admin"}, set()),  # its port was guarded before
        (KNOWN, {"ssh"}, set(), set()),
        (UNKNOWN, {"web"}, {"web", "ssh"}, {"ssh"}),  # it may be by any of them
        (UNKNOWN, {"web"}, {"web"}, set()),
    ],
)
def test_a_login_is_concerned_where_it_was_free_before(
    login: Login, before: set[str], now: set[str], newly: set[str]
) -> None:
    assert _newly(login, before, now) == newly


def test_the_daemon_is_asked_about_the_sessions_own_connection() -> None:
    assert _end(KNOWN) == ("203.0.113.20", 22)
    assert _end(UNKNOWN) == ("198.51.100.7", 0)
    request = {
        "do": "needed",
        "ends": [["198.51.100.7", "203.0.113.20", 22], ["2001:db8::7", "2001:db8::1", 0]],
    }
    assert asked.ends(request) == [
        (THERE, HERE, 22),
        (Source.parse("2001:db8::7"), Source.parse("2001:db8::1").packed, 0),
    ]


@pytest.mark.parametrize(
    ("ends", "said"),
    [
        ("22", "list"),
        ([["198.51.100.7", "203.0.113.20", 22]] * 1001, "up to 1000"),
        ([["198.51.100.7", "203.0.113.20"]], "a source, an address and a port"),
        ([["198.51.100.7", "203.0.113.20", 65536]], "a source, an address and a port"),
        ([["198.51.100.7", "203.0.113.20", True]], "a source, an address and a port"),
        ([["nowhere", "203.0.113.20", 22]], "nowhere"),
    ],
)
def test_what_is_no_list_of_connections_is_refused(ends: Any, said: str) -> None:
    with pytest.raises(Mistake, match=said):
        asked.ends({"do": "needed", "ends": ends})
