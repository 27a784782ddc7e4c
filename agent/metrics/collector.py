"""From the latest state in memory to metric families. Asks no printer and no database."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    HistogramMetricFamily,
    InfoMetricFamily,
)
from prometheus_client.metrics_core import Metric as MetricFamily
from prometheus_client.registry import Collector

from agent.metrics import series
from agent.metrics.catalogue import AGENT, PRINTERS, Metric, catalogue
from agent.model.fleet import PrinterView
from agent.model.health import DURATION_BOUNDS, Durations, Snapshot

LONGEST_LABEL = 200
"""Characters of a label's value: what a printer says does not make the page grow without end."""


def clean(text: object) -> str:
    """``text`` as the value of a label: no control characters, no broken Unicode, bounded."""
    text = str(text)
    if text.isascii() and text.isprintable() and len(text) <= LONGEST_LABEL:
        return text  # nearly all of them; the page of a large fleet has hundreds of thousands
    kept = "".join(c for c in text[: 4 * LONGEST_LABEL] if c.isprintable() or c == " ")
    return kept.encode("utf-8", "replace").decode("utf-8")[:LONGEST_LABEL]


class _Page:
    """The families under way. Each series is taken once, so that no answer of a printer can make a page invalid."""

    def __init__(self, metrics: Sequence[Metric]) -> None:
        self.families = {metric.name: empty(metric) for metric in metrics}
        self.seen: set[tuple[str, tuple[str, ...]]] = set()

    def put(self, name: str, labels: tuple[object, ...], value: float | bool | None) -> None:
        """See ``series.Sink``."""
        if value is None:
            return
        name = f"lowmark_{name}"
        values = [clean(label) for label in labels]
        one = name, tuple(values)
        if one in self.seen:
            return
        self.seen.add(one)
        family = self.families[name]
        if isinstance(family, InfoMetricFamily):
            family.add_metric(values, {})
        elif isinstance(family, GaugeMetricFamily | CounterMetricFamily):
            family.add_metric(values, float(value))

    def durations(self, name: str, durations: Durations) -> None:
        """See ``series.AgentSink``."""
        family = self.families[f"lowmark_{name}"]
        if isinstance(family, HistogramMetricFamily):
            below, buckets = 0, []
            for bound, count in zip((*map(str, DURATION_BOUNDS), "+Inf"), durations.counts, strict=True):
                below += count
                buckets.append((bound, float(below)))
            family.add_metric([], buckets, durations.total)

    def filled(self) -> Iterator[MetricFamily]:
        """The families that have a series."""
        return (family for family in self.families.values() if family.samples)


def empty(metric: Metric) -> MetricFamily:
    """The family of this metric, without a series."""
    match metric.kind:
        case "info":
            return InfoMetricFamily(metric.name.removesuffix("_info"), metric.help, labels=metric.labels)
        case "counter":
            return CounterMetricFamily(metric.name.removesuffix("_total"), metric.help, labels=metric.labels)
        case "histogram":
            return HistogramMetricFamily(metric.name, metric.help, labels=metric.labels, unit=metric.unit)
    return GaugeMetricFamily(metric.name, metric.help, labels=metric.labels, unit=metric.unit)


def of_agent(snapshot: Snapshot) -> Iterator[MetricFamily]:
    """The families of the agent itself that have a series."""
    page = _Page(AGENT)
    series.agent(page, snapshot.views, snapshot.vitals)
    return page.filled()


def of_printers(views: Iterable[PrinterView]) -> Iterator[MetricFamily]:
    """The families of these printers that have a series."""
    page = _Page(PRINTERS)
    for view in views:
        series.printer(page, view)
    return page.filled()


class StateCollector(Collector):
    """Collects from the snapshot that ``state`` hands out at each scrape, in the thread of the scrape.

    For registries of the library, and the measure of ``agent.metrics.lines``, which writes the same and is quicker.
    """

    def __init__(self, state: Callable[[], Snapshot]) -> None:
        self._state = state

    def describe(self) -> Iterator[MetricFamily]:
        """The empty families, so that a registry knows the names without a scrape."""
        return (empty(metric) for metric in catalogue())

    def collect(self) -> Iterator[MetricFamily]:
        """Every family that has a series."""
        snapshot = self._state()
        page = _Page(catalogue())
        for view in snapshot.views.values():
            series.printer(page, view)
        series.agent(page, snapshot.views, snapshot.vitals)
        return page.filled()
