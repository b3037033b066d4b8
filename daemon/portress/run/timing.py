"""How long something takes, counted in buckets for the metrics. Pure; it costs next to nothing."""

from __future__ import annotations

from bisect import bisect_left


class Timing:
    """Counts durations by `bounds`, each bucket's upper bound in seconds, in ascending order."""

    def __init__(self, *bounds: float) -> None:
        self._bounds = bounds
        self._counts = [0] * (len(bounds) + 1)
        self.total = 0.0  # seconds

    def observe(self, seconds: float) -> None:
        """It took so long once."""
        self._counts[bisect_left(self._bounds, seconds)] += 1
        self.total += seconds

    @property
    def count(self) -> int:
        """How often it was."""
        return sum(self._counts)

    def buckets(self) -> list[tuple[str, float]]:
        """Each bound as Prometheus writes it, with how many took no longer than that."""
        so_far, buckets = 0, []
        for bound, count in zip((*map(str, map(float, self._bounds)), "+Inf"), self._counts, strict=True):
            so_far += count
            buckets.append((bound, float(so_far)))
        return buckets
