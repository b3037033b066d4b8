"""Sources as another guard counts them: never by more of an address than it looks at."""

from __future__ import annotations

import pytest

from portress.guard.carrying import as_wide
from portress.knock import Source, Widths


@pytest.mark.parametrize(
    ("source", "widths", "wanted"),
    [
        ("192.0.2.7", Widths(32, 128), "192.0.2.7"),
        ("192.0.2.7", Widths(24, 128), "192.0.2.0/24"),
        ("192.0.2.0/24", Widths(24, 128), "192.0.2.0/24"),
        ("192.0.2.0/24", Widths(32, 128), "192.0.2.0/24"),  # what more of it there is, nobody knows
        ("2001:db8::1", Widths(24, 64), "2001:db8::/64"),
        ("2001:db8::/64", Widths(24, 48), "2001:db8::/48"),
        ("2001:db8::1", Widths(24, 128), "2001:db8::1"),
    ],
)
def test_a_source_is_as_wide_as_the_guard_counts_it(source: str, widths: Widths, wanted: str) -> None:
    assert as_wide(Source.parse(source), widths) == Source.parse(wanted)


def test_a_single_connection_stays_what_it_is() -> None:
    one = Source(Source.parse("192.0.2.7").packed, 32, 40000)
    assert as_wide(one, Widths(24, 64)) is one
