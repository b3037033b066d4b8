"""Durations in buckets, as Prometheus wants them: each bucket counts those before it, too."""

from __future__ import annotations

from portress.run.timing import Timing


def test_a_bucket_has_what_took_no_longer_than_its_bound() -> None:
    timing = Timing(0.1, 0.5, 1)
    for seconds in (0.1, 0.10001, 0.5, 0.9, 2.0):
        timing.observe(seconds)
    assert timing.buckets() == [("0.1", 1.0), ("0.5", 3.0), ("1.0", 4.0), ("+Inf", 5.0)]
    assert timing.count == 5 and abs(timing.total - 3.60001) < 1e-9


def test_before_anything_was_measured_every_bucket_is_there_and_empty() -> None:
    assert Timing(0.1).buckets() == [("0.1", 0.0), ("+Inf", 0.0)]
