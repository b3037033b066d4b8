"""Prometheus metrics, in text format on `metrics.listen`. No label has unbounded values: never a source.

Counters are read where they are kept, when somebody scrapes: the hot path pays nothing for them.
"""

from __future__ import annotations

import platform
import subprocess
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qs, urlsplit

from prometheus_client import CollectorRegistry, Histogram, ProcessCollector
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.exposition import choose_encoder
from prometheus_client.metrics_core import Metric

from portress import __version__
from portress.knock import SECOND
from portress.run.http import Asked, Told
from portress.verdict import Expired
from portress.why.reasons import NAMES

if TYPE_CHECKING:
    from portress.run.daemon import Service

_OPENING: Final = (0.0001, 0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.5, 1, 5)
_WRITING: Final = (0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.5, 1, 5)
_STEPPING: Final = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 5)


class _Registry(CollectorRegistry):
    """One whose collectors say only when asked what series they have: `name[]` is looked at afterwards."""

    def restricted_registry(self, names: Iterable[str]) -> _Named:  # type: ignore[override]
        return _Named(self, frozenset(names))


class _Named:
    """The series of those names in a registry."""

    def __init__(self, registry: CollectorRegistry, names: frozenset[str]) -> None:
        self._registry = registry
        self._names = names

    def collect(self) -> Iterator[Metric]:
        for metric in self._registry.collect():
            metric.samples = [sample for sample in metric.samples if sample.name in self._names]
            if metric.samples:
                yield metric


class Metrics:
    """The metrics of one daemon."""

    def __init__(self, service: Service) -> None:
        self.registry = _Registry()
        self._service = service
        self._nft = _nft_version()
        self.registry.register(self)  # type: ignore[arg-type]  # a collector is what has `collect`
        ProcessCollector(registry=self.registry)
        self._opened = self._histogram(
            "portress_knock_to_open_seconds", "From the last knock heard to the door open.", _OPENING
        )
        written = self._histogram(
            "portress_ledger_write_seconds", "One write to the ledger, on the disk.", _WRITING
        )
        stepped = self._histogram(
            "portress_step_change_seconds", "Replacing the expected sequences at a new time step.", _STEPPING
        )
        service.listener.opened = lambda ns: self._opened.observe(ns / SECOND)
        service.books.observe = written.observe
        service.steps.observe = stepped.observe

    def _histogram(self, name: str, text: str, buckets: tuple[float, ...]) -> Histogram:
        return Histogram(name, text, buckets=buckets, registry=self.registry)

    def answer(self, asked: Asked) -> Told:
        """The metrics, or those of the names in the query, in the format that the scraper takes."""
        encode, content_type = choose_encoder(asked.headers.get("accept", ""))
        names = parse_qs(urlsplit(asked.target).query).get("name[]")
        registry: Any = self.registry if names is None else self.registry.restricted_registry(names)
        return Told(content_type, encode(registry))

    def describe(self) -> list[Metric]:
        """Nothing: otherwise registering would collect, before there is anything to tell."""
        return []

    def collect(self) -> Iterator[Metric]:
        """Every counter and gauge, as of now."""
        yield from self._knocks()
        yield from self._admissions()
        yield from self._health()

    def _knocks(self) -> Iterator[Metric]:
        service = self._service
        listener, by = service.listener, service.config.watch
        knocks = CounterMetricFamily(
            "portress_knocks", "Knocks heard, by what the tracker said.", labels=["watcher", "outcome"]
        )
        for kind, name in NAMES.items():  # also those of which there was none: a rate needs a beginning
            if kind is not Expired:  # no knock
                knocks.add_metric([by, name], listener.counts[kind])
        yield knocks
        replays = CounterMetricFamily("portress_replays", "Replays refused.", labels=["door"])
        for door in service.config.doors:
            replays.add_metric([door], listener.replays[door])
        yield replays
        lost = CounterMetricFamily(
            "portress_lost_packets", "Packets reported by the kernel and not heard.", labels=["watcher"]
        )
        lost.add_metric([by], listener.watcher.lost)
        yield lost
        yield _counter(
            "portress_overruns", "How often the watcher's buffer was full.", listener.watcher.overruns
        )
        odd = CounterMetricFamily(
            "portress_odd_packets", "Packets reported that are no knocks.", labels=["kind"]
        )
        for what, count in listener.watcher.odd.items():
            odd.add_metric([what], count)
        yield odd
        yield _counter(
            "portress_callers_full", "First knocks that found no room in the kernel.", listener.no_room
        )
        yield _counter(
            "portress_evicted", "Callers that had to make room for others.", service.tracker.evicted
        )
        yield _gauge("portress_callers", "Sources part-way through a sequence.", len(service.tracker))
        shunned = sum(1 for _ in service.tracker.shunned(service.clock()))
        yield _counter("portress_shuns", "How often a source was shunned.", listener.shuns)
        yield _gauge("portress_shunned", "Sources whose knocks are ignored.", shunned)

    def _admissions(self) -> Iterator[Metric]:
        keeper = self._service.doorkeeper
        made = CounterMetricFamily("portress_admissions", "Admissions made.", labels=["door", "how"])
        none = {(door, how): 0 for door in self._service.config.doors for how in ("knock", "command")}
        for (door, how), count in (none | keeper.admitted).items():
            made.add_metric([door, how], count)
        yield made
        away = CounterMetricFamily(
            "portress_admissions_full", "Admissions refused because the door was full.", labels=["door"]
        )
        for door in self._service.config.doors:
            away.add_metric([door], keeper.turned_away[door])
        yield away
        now = GaugeMetricFamily("portress_admitted", "Sources admitted now.", labels=["door"])
        counts = keeper.register.counts()
        for door in self._service.config.doors:
            now.add_metric([door], counts.get(door, 0))
        yield now

    def _health(self) -> Iterator[Metric]:
        service = self._service
        restored = CounterMetricFamily(
            "portress_guard_restorations", "How often the guard was put back.", labels=["cause"]
        )
        for cause in ("removed", "changed", "missing"):
            restored.add_metric([cause], service.sentinel.restorations[cause])
        yield restored
        yield _gauge("portress_guard_present", "1 if the guard is in force.", int(service.sentinel.in_force))
        unguarded = GaugeMetricFamily(
            "portress_door_unguarded", "1 if the door is in fact open to strangers.", labels=["door"]
        )
        for door in service.config.doors:
            unguarded.add_metric([door], int(door in service.exposure.open or not service.sentinel.guarding))
        yield unguarded
        yield _counter(
            "portress_ledger_failures", "Writes to the ledger that failed.", service.books.failures
        )
        reloads = CounterMetricFamily(
            "portress_config_reloads", "Reloads of the configuration.", labels=["result"]
        )
        for result, count in service.reloads.items():
            reloads.add_metric([result], count)
        yield reloads
        yield _gauge(
            "portress_as_configured",
            "1 if what the files say is in force, 0 if what was last good.",
            int(not service.last_good.falling_back),
        )
        error = service.timekeeper.error
        if error is not None:
            yield _gauge(
                "portress_clock_error_seconds", "How far off the clock may be, by the kernel.", error
            )
        info = GaugeMetricFamily(
            "portress_build_info", "What runs here.", labels=["version", "python", "nft"]
        )
        info.add_metric([__version__, platform.python_version(), self._nft], 1)
        yield info


def _counter(name: str, text: str, value: float) -> Metric:
    return CounterMetricFamily(name, text, value=value)


def _gauge(name: str, text: str, value: float) -> Metric:
    return GaugeMetricFamily(name, text, value=value)


def _nft_version() -> str:
    try:
        told = subprocess.run(
            ["nft", "--version"], capture_output=True, text=True, timeout=5, check=True
        ).stdout
    except (OSError, subprocess.SubprocessError):
        return "unknown"
    return told.split()[1].removeprefix("v") if len(told.split()) > 1 else "unknown"
