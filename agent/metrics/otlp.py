"""The same metrics, sent to an OpenTelemetry collector (OTLP 1.x over HTTP, protobuf).

Everything comes from the collector that the page for Prometheus is measured by, so that names, labels and values are
the same. Needs the extra ``otlp``; nothing of it is imported until an exporter is made.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from prometheus_client.metrics_core import Metric as MetricFamily
from prometheus_client.samples import Sample

from agent.metrics.collector import of_agent, of_printers
from agent.metrics.lines import Rest, rest_briefly
from agent.model.failure import Failure
from agent.model.health import Snapshot

if TYPE_CHECKING:
    from opentelemetry.sdk.metrics import export as otel

AT_ONCE = 50
"""Printers in one request, some thousands of points: what is under way takes little memory, however large the fleet."""
TIMEOUT_SECONDS = 10.0
_NANOSECONDS = 1_000_000_000
_UNITS = {"seconds": "s", "ratio": "1"}


class ExportFailed(Failure):
    """The collector did not take the metrics. ``str()`` says where, never a header."""


class Exporter:
    """Sends what ``state`` hands out to ``endpoint``, the whole URL. ``headers`` hold secrets: they are shown nowhere.

    ``host`` tells agents apart at the collector. Not to be used by two threads at once.
    """

    def __init__(
        self,
        state: Callable[[], Snapshot],
        endpoint: str,
        headers: Mapping[str, str],
        host: str,
        *,
        ca_file: Path | None = None,
        rest: Rest = rest_briefly,
    ) -> None:
        from opentelemetry.exporter.otlp.proto.http import Compression
        from opentelemetry.exporter.otlp.proto.http.metric_exporter import OTLPMetricExporter

        # Its own lines would come by the hundred while a collector is away; what failed is counted and said once.
        logging.getLogger("opentelemetry").setLevel(logging.CRITICAL)
        self._state = state
        self._host = host
        self._rest = rest
        self._to = OTLPMetricExporter(
            endpoint=endpoint,
            headers=dict(headers),
            timeout=TIMEOUT_SECONDS,
            compression=Compression.Gzip,
            certificate_file=None if ca_file is None else str(ca_file),
        )

    def send(self, now: datetime) -> int:
        """Send everything as of ``now``; gives the number of points. Raises ExportFailed at the first refusal."""
        from opentelemetry.sdk.metrics.export import MetricExportResult, MetricsData, ResourceMetrics, ScopeMetrics
        from opentelemetry.sdk.resources import Resource
        from opentelemetry.sdk.util.instrumentation import InstrumentationScope

        snapshot = self._state()
        names = {"service.name": "lowmark", "service.version": snapshot.vitals.version, "host.name": self._host}
        resource, scope = Resource(names), InstrumentationScope("lowmark", snapshot.vitals.version)
        sent = 0
        for families in self._batches(snapshot):
            metrics = [metric for family in families if (metric := self._metric(family, snapshot, now))]
            self._rest()
            data = MetricsData([ResourceMetrics(resource, [ScopeMetrics(scope, metrics, "")], "")])
            if self._to.export(data) is not MetricExportResult.SUCCESS:
                raise ExportFailed("the OpenTelemetry collector did not take the metrics; look whether it runs")
            sent += sum(len(metric.data.data_points) for metric in metrics)
        return sent

    def close(self) -> None:
        """Give up what is under way, and the connection. May be called from another thread."""
        self._to.shutdown()

    def _batches(self, snapshot: Snapshot) -> Iterator[Iterable[MetricFamily]]:
        yield of_agent(snapshot)
        views = iter(snapshot.views.values())
        while some := list(islice(views, AT_ONCE)):
            yield of_printers(some)

    def _metric(self, family: MetricFamily, snapshot: Snapshot, now: datetime) -> otel.Metric | None:
        """One family; None for an empty one. Names are those of the page's lines, ``_total`` and ``_info`` included."""
        from opentelemetry.sdk.metrics import export as otel

        samples = [one for one in family.samples if not one.name.endswith("_created")]
        if not samples:
            return None
        at, began = _nanoseconds(now), _nanoseconds(snapshot.vitals.started)
        unit = _UNITS.get(family.unit, "")
        if family.type == "histogram":
            # The agent's own: it has counted since it was started.
            return otel.Metric(family.name, family.documentation, unit, _histogram(samples, began, at))
        points = [otel.NumberDataPoint(dict(one.labels), 0, at, float(one.value)) for one in samples]
        data: otel.Sum | otel.Gauge = otel.Gauge(points)
        if family.type == "counter":
            data = otel.Sum(points, otel.AggregationTemporality.CUMULATIVE, is_monotonic=True)
        return otel.Metric(samples[0].name, family.documentation, unit, data)


def _nanoseconds(at: datetime | None) -> int:
    return 0 if at is None else int(at.timestamp()) * _NANOSECONDS + at.microsecond * 1_000


def _histogram(samples: Iterable[Sample], began: int, at: int) -> otel.Histogram:
    """The classes of Prometheus count everything below their bound; those of OTLP only what is in them."""
    from opentelemetry.sdk.metrics import export as otel

    bounds, below, total = [], [], 0.0
    for one in samples:
        if one.name.endswith("_bucket"):
            bounds.append(float(one.labels["le"]))
            below.append(int(one.value))
        elif one.name.endswith("_sum"):
            total = one.value
    counts = [count - before for count, before in zip(below, [0, *below], strict=False)]
    unknown: Any = None  # the least and the most: the protocol lets them be absent, the library's types do not
    point = otel.HistogramDataPoint({}, began, at, below[-1], total, counts, bounds[:-1], unknown, unknown)
    return otel.Histogram([point], otel.AggregationTemporality.CUMULATIVE)
