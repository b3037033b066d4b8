"""Prometheus metrics, in text format on `metrics.listen`. No label has unbounded values: never a source.

Counters are read where they are kept, when somebody scrapes: the hot path pays nothing for them.
"""

from __future__ import annotations

import platform
import subprocess
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any
from urllib.parse import parse_qs, urlsplit

from attrs import define, field
from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, HistogramMetricFamily
from prometheus_client.exposition import choose_encoder
from prometheus_client.metrics_core import Metric

from portress import __version__, hours
from portress.admissions import How
from portress.run.doorkeeper import Doorkeeper
from portress.run.exposure import Exposure
from portress.run.fellows import Fellows
from portress.run.http import Asked, Page
from portress.run.in_force import InForce
from portress.run.last_good import LastGood
from portress.run.ledger_writer import LedgerWriter
from portress.run.listener import Listener
from portress.run.sentinel import Sentinel
from portress.run.steps import Steps
from portress.run.wall_clock import Timekeeper
from portress.sequence.in_force import few
from portress.verdict import Expired
from portress.verdict_words import NAMES


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


@define(eq=False)
class Metrics:
    """The metrics of one daemon, read from where they are kept. `clock` gives ns."""

    clock: Callable[[], int]
    in_force: InForce
    doorkeeper: Doorkeeper
    sentinel: Sentinel
    listener: Listener
    steps: Steps
    ledger_writer: LedgerWriter
    last_good: LastGood
    timekeeper: Timekeeper
    exposure: Exposure
    reloads: Mapping[str, int]
    fellows: Fellows
    registry: _Registry = field(factory=_Registry, init=False)
    _nft: str = field(factory=lambda: _nft_version(), init=False)

    def __attrs_post_init__(self) -> None:
        self.registry.register(self)  # type: ignore[arg-type]  # a collector is what has `collect`
        ProcessCollector(registry=self.registry)

    def answer(self, asked: Asked) -> Page:
        """The metrics, or those of the names in the query, in the format that the scraper takes."""
        encode, content_type = choose_encoder(asked.headers.get("accept", ""))
        names = parse_qs(urlsplit(asked.target).query).get("name[]")
        registry: Any = self.registry if names is None else self.registry.restricted_registry(names)
        return Page(content_type, encode(registry))

    def describe(self) -> list[Metric]:
        """Nothing: otherwise registering would collect, before there is anything to tell."""
        return []

    def collect(self) -> Iterator[Metric]:
        """Every counter and gauge, as of now."""
        yield from self._timings()
        yield from self._knocks()
        yield from self._callers()
        yield from self._admissions()
        yield from self._connections()
        yield from self._paper()
        yield from self._health()
        yield from self._fleet()

    def _fleet(self) -> Iterator[Metric]:
        state = self.fellows.state()
        if state is None:
            return
        for name, text, value in (
            ("portress_fleet_store_away", "1 while the store does not answer.", int(state["away"])),
            ("portress_fleet_gateways", "Gateways that are alive.", len(state["gateways"])),
            (
                "portress_fleet_lag_seconds",
                "From a change made here until the store reported it back.",
                state["lag"],
            ),
            ("portress_fleet_queue", "Changes that the store does not have yet.", state["queue"]),
            ("portress_fleet_clock_ahead_seconds", "This clock ahead of the store's.", state["clock_ahead"]),
        ):
            yield GaugeMetricFamily(name, text, value=value)
        for name, text, value in (
            ("portress_fleet_claims", "Sequences claimed at the store.", state["claims"]),
            ("portress_fleet_conflicts", "Sequences used at another gateway before.", state["conflicts"]),
            ("portress_fleet_store_errors", "Requests that the store did not answer.", state["errors"]),
            ("portress_fleet_refused", "Values in the store that were forged or old.", state["refused"]),
        ):
            yield CounterMetricFamily(name, text, value=value)

    def _timings(self) -> Iterator[Metric]:
        for name, text, timing in (
            (
                "portress_knock_to_open_seconds",
                "From the last knock to the open door.",
                self.listener.opening,
            ),
            (
                "portress_ledger_write_seconds",
                "One write to the ledger, on the disk.",
                self.ledger_writer.writing,
            ),
            (
                "portress_step_change_seconds",
                "Replacing the expected sequences at a new time step.",
                self.steps.changing,
            ),
        ):
            yield HistogramMetricFamily(name, text, buckets=timing.buckets(), sum_value=timing.total)

    def _knocks(self) -> Iterator[Metric]:
        listener, by = self.listener, self.in_force.config.watch
        knocks = CounterMetricFamily(
            "portress_knocks", "Knocks seen, by outcome.", labels=["watcher", "outcome"]
        )
        for kind, name in NAMES.items():  # also those of which there was none: a rate needs a beginning
            if kind is not Expired:  # no knock
                knocks.add_metric([by, name], listener.counts[kind])
        yield knocks
        replays = CounterMetricFamily("portress_replays", "Replays refused.", labels=["door"])
        for door in self.in_force.config.doors:
            replays.add_metric([door], listener.replays[door])
        yield replays
        lost = CounterMetricFamily(
            "portress_lost_packets",
            "Packets reported by the kernel and lost.",
            labels=["watcher"],
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

    def _callers(self) -> Iterator[Metric]:
        listener = self.listener
        yield _counter(
            "portress_callers_full",
            "First knocks dropped: caller table full.",
            listener.no_room,
        )
        yield _counter(
            "portress_evicted", "Callers evicted to make room for others.", self.in_force.tracker.evicted
        )
        yield _gauge("portress_callers", "Sources part-way through a sequence.", len(self.in_force.tracker))
        shunned = sum(1 for _ in self.in_force.tracker.shunned(self.clock()))
        yield _counter("portress_shuns", "How often a source was shunned.", listener.shuns)
        yield _gauge("portress_shunned", "Sources whose knocks are ignored.", shunned)

    def _admissions(self) -> Iterator[Metric]:
        keeper = self.doorkeeper
        made = CounterMetricFamily("portress_admissions", "Admissions made.", labels=["door", "how"])
        none = {(door, how): 0 for door in self.in_force.config.doors for how in (How.KNOCK, How.COMMAND)}
        for (door, how), count in (none | keeper.admitted).items():
            made.add_metric([door, how], count)
        yield made
        away = CounterMetricFamily(
            "portress_admissions_full", "Admissions refused because the door was full.", labels=["door"]
        )
        for door in self.in_force.config.doors:
            away.add_metric([door], keeper.turned_away[door])
        yield away
        left = CounterMetricFamily(
            "portress_left", "Admissions ended by their own leaving sequence.", labels=["door"]
        )
        for door, one in self.in_force.config.doors.items():
            if one.leaving or one.leaving_fixed:
                left.add_metric([door], self.listener.leaving.left[door])
        yield left
        now = GaugeMetricFamily("portress_admitted", "Sources admitted now.", labels=["door"])
        counts = keeper.register.counts()
        for door in self.in_force.config.doors:
            now.add_metric([door], counts.get(door, 0))
        yield now

    def _connections(self) -> Iterator[Metric]:
        doors = [name for name, door in self.in_force.config.doors.items() if door.by_connection]
        made = CounterMetricFamily(
            "portress_connections", "Of the admissions, those of one connection.", labels=["door"]
        )
        wrong = GaugeMetricFamily(
            "portress_wrong_ports",
            "Ports from which addresses with an admitted connection dialled in vain in the last minute.",
            labels=["door"],
        )
        for name in doors:
            made.add_metric([name], self.doorkeeper.connections[name])
            wrong.add_metric([name], len(self.listener.tried(name)))
        if doors:
            yield from (made, wrong)

    def _in_hours(self) -> Metric:
        unix = self.doorkeeper.unix_at(self.clock())
        found = GaugeMetricFamily(
            "portress_door_schedule_open", "1 if the door is open at this hour.", labels=["door"]
        )
        for name, one in self.in_force.config.doors.items():
            found.add_metric([name], int(hours.is_open(one.hours, unix)))
        return found

    def _paper(self) -> Iterator[Metric]:
        sequences = self.in_force.sequences
        doors = [name for name, door in self.in_force.config.doors.items() if door.paper is not None]
        left = GaugeMetricFamily("portress_paper_left", "Sequences on paper not used yet.", labels=["door"])
        needy = GaugeMetricFamily(
            "portress_paper_few",
            "Keyholders with little paper left, or void paper.",
            labels=["door"],
        )
        sheets = sequences.paper_left(self.in_force.tracker.used)
        void = Counter(door for _, door in sequences.void_paper)
        for name in doors:
            mine = [sheet for (_, door), sheet in sheets.items() if door == name]
            left.add_metric([name], sum(some for some, _ in mine))
            needy.add_metric([name], void[name] + sum(few(*sheet) for sheet in mine))
        if doors:
            yield from (left, needy)

    def _health(self) -> Iterator[Metric]:
        restored = CounterMetricFamily(
            "portress_guard_restorations", "How often the guard was put back.", labels=["cause"]
        )
        for cause in ("removed", "changed", "missing"):
            restored.add_metric([cause], self.sentinel.restorations[cause])
        yield restored
        yield _gauge("portress_guard_present", "1 if the guard is loaded.", int(self.sentinel.in_place))
        unguarded = GaugeMetricFamily(
            "portress_door_unguarded", "1 if the door is in fact open to strangers.", labels=["door"]
        )
        for door in self.in_force.config.doors:
            unguarded.add_metric([door], int(door in self.exposure.open or not self.sentinel.guarding))
        yield unguarded
        yield self._in_hours()
        yield _counter(
            "portress_ledger_failures", "Writes to the ledger that failed.", self.ledger_writer.failures
        )
        reloads = CounterMetricFamily(
            "portress_config_reloads", "Reloads of the configuration.", labels=["result"]
        )
        for result, count in self.reloads.items():
            reloads.add_metric([result], count)
        yield reloads
        yield _gauge(
            "portress_as_configured",
            "1 if the current files are in force, 0 if the last good configuration is.",
            int(not self.last_good.falling_back),
        )
        error = self.timekeeper.error
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
