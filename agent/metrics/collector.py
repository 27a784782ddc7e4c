"""From the latest state in memory to metric families. Asks no printer and no database."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    HistogramMetricFamily,
    InfoMetricFamily,
)
from prometheus_client.metrics_core import Metric as MetricFamily
from prometheus_client.registry import Collector

from agent.metrics.catalogue import Metric, catalogue
from agent.mib.enums import ALERT_SEVERITY, DEVICE_STATUS, PRINTER_STATUS
from agent.model.fleet import PrinterView
from agent.model.health import DURATION_BOUNDS, Durations, Snapshot, Vitals
from agent.model.reading import Amount, Mark, Reading

LONGEST_LABEL = 200
"""Characters of a label's value: what a printer says does not make the page grow without end."""

_OPEN = frozenset(("coverOpen", "interlockOpen"))
_CLOSED = frozenset(("coverClosed", "interlockClosed"))
_OUTCOMES = ("read", "unresolved", "silent", "refused", "denied", "garbled", "unsupported", "agentFault")


def clean(text: object) -> str:
    """``text`` as the value of a label: no control characters, no broken Unicode, bounded."""
    text = str(text)
    if text.isascii() and text.isprintable() and len(text) <= LONGEST_LABEL:
        return text  # nearly all of them; the page of a large fleet has hundreds of thousands
    kept = "".join(c for c in text[: 4 * LONGEST_LABEL] if c.isprintable() or c == " ")
    return kept.encode("utf-8", "replace").decode("utf-8")[:LONGEST_LABEL]


class _Page:
    """The families under way. Each series is taken once, so that no answer of a printer can make a page invalid."""

    def __init__(self) -> None:
        self.metrics = {metric.name: metric for metric in catalogue()}
        self.families = {name: _family(metric) for name, metric in self.metrics.items()}
        self.seen: set[tuple[str, tuple[str, ...]]] = set()

    def put(self, name: str, labels: Iterable[object], value: float | bool | None) -> None:
        """One series of ``lowmark_<name>``; None is left out."""
        if value is None:
            return
        name = f"lowmark_{name}"
        values = [clean(label) for label in labels]
        series = name, tuple(values)
        if series in self.seen:
            return
        self.seen.add(series)
        family = self.families[name]
        if isinstance(family, InfoMetricFamily):
            family.add_metric(values, {})
        elif isinstance(family, GaugeMetricFamily | CounterMetricFamily):
            family.add_metric(values, float(value))

    def moment(self, name: str, labels: Iterable[object], at: datetime | None) -> None:
        """A moment as seconds since 1970."""
        self.put(name, labels, None if at is None else at.timestamp())

    def durations(self, name: str, durations: Durations) -> None:
        """A histogram without labels."""
        family = self.families[f"lowmark_{name}"]
        if isinstance(family, HistogramMetricFamily):
            below, buckets = 0, []
            for bound, count in zip((*map(str, DURATION_BOUNDS), "+Inf"), durations.counts, strict=True):
                below += count
                buckets.append((bound, float(below)))
            family.add_metric([], buckets, durations.total)


def _family(metric: Metric) -> MetricFamily:
    match metric.kind:
        case "info":
            return InfoMetricFamily(metric.name.removesuffix("_info"), metric.help, labels=metric.labels)
        case "counter":
            return CounterMetricFamily(metric.name.removesuffix("_total"), metric.help, labels=metric.labels)
        case "histogram":
            return HistogramMetricFamily(metric.name, metric.help, labels=metric.labels, unit=metric.unit)
    return GaugeMetricFamily(metric.name, metric.help, labels=metric.labels, unit=metric.unit)


class StateCollector(Collector):
    """Collects from the snapshot that ``state`` hands out at each scrape, in the thread of the scrape."""

    def __init__(self, state: Callable[[], Snapshot]) -> None:
        self._state = state

    def describe(self) -> Iterator[MetricFamily]:
        """The empty families, so that a registry knows the names without a scrape."""
        return (_family(metric) for metric in catalogue())

    def collect(self) -> Iterator[MetricFamily]:
        """Every family that has a series."""
        snapshot = self._state()
        page = _Page()
        for view in snapshot.views.values():
            _printer(page, view)
        _agent(page, snapshot.views, snapshot.vitals)
        return (family for family in page.families.values() if family.samples)


# --- one printer -----------------------------------------------------------------------------------------------------


def _printer(page: _Page, view: PrinterView) -> None:
    printer, place = view.printer, view.printer.place
    if printer.retired is not None:
        return
    own = (printer.name or printer.address, printer.id, place.site)
    where = (place.building, place.floor, place.room)
    identity = (printer.address, printer.device_index, printer.model, printer.serial, printer.mac)
    page.put("printer_info", (*own, *identity, *where), 1)
    page.put("printer_reachable", own, view.reachable)
    page.moment("printer_contact_since_timestamp_seconds", own, view.since)
    if view.reading is not None:
        _status(page, own, view.reading)
        _counters(page, own, view.reading)
        _supplies(page, own, view.reading)
        _paper(page, own, view.reading)


def _status(page: _Page, own: tuple[object, ...], reading: Reading) -> None:
    page.moment("printer_read_timestamp_seconds", own, reading.at)
    uptime = reading.system.uptime
    page.put("printer_uptime_seconds", own, None if uptime is None else uptime / 100)
    for name, known, shown in (
        ("printer_state", PRINTER_STATUS, reading.printer_status),
        ("printer_device_state", DEVICE_STATUS, reading.device_status),
    ):
        for state in known.values() if shown is not None else ():
            page.put(name, (*own, state), state == shown)
    page.put("printer_errors", own, len(reading.errors))
    for error in sorted(reading.errors):
        page.put("printer_error", (*own, error), 1)
    for severity in ALERT_SEVERITY.values():
        page.put("printer_alerts", (*own, severity), sum(alert.severity == severity for alert in reading.alerts))


def _counters(page: _Page, own: tuple[object, ...], reading: Reading) -> None:
    for counter in reading.counters:
        if counter.unit in ("impressions", "sheets"):
            page.put(f"printer_{counter.unit}_total", (*own, counter.name), counter.value)
        else:
            page.put("printer_units_total", (*own, counter.name, counter.unit), counter.value)


def _supplies(page: _Page, own: tuple[object, ...], reading: Reading) -> None:
    for supply in reading.supplies:
        labels = (*own, supply.key, supply.kind, supply.colorant or "", supply.supply_class)
        page.put("supply_remaining_ratio", labels, supply.fraction)
        page.put("supply_remaining", (*labels, supply.unit), _number(supply.level))
        page.put("supply_capacity", (*labels, supply.unit), _number(supply.capacity))
        page.put("supply_level_known", labels, not isinstance(supply.level, Mark))


def _paper(page: _Page, own: tuple[object, ...], reading: Reading) -> None:
    for tray in reading.trays:
        labels = (*own, tray.index, tray.name or tray.description)
        page.put("tray_remaining_ratio", labels, _share(tray.level, tray.capacity, tray.unit))
        page.put("tray_remaining", (*labels, tray.unit), _number(tray.level))
        page.put("tray_capacity", (*labels, tray.unit), _number(tray.capacity))
    for out in reading.bins:
        share = _share(out.remaining, out.capacity, out.unit)
        page.put("bin_space_ratio", (*own, out.index, out.name or out.description), share)
    for cover in reading.covers:
        known = cover.status in _OPEN or cover.status in _CLOSED
        page.put("cover_open", (*own, cover.index, cover.description), cover.status in _OPEN if known else None)


def _number(amount: Amount) -> int | None:
    return None if isinstance(amount, Mark) else amount


def _share(level: Amount, capacity: Amount, unit: str) -> float | None:
    if isinstance(level, Mark):
        return None
    if isinstance(capacity, Mark):
        return level / 100 if unit == "percent" and level <= 100 else None
    return min(1.0, level / capacity) if capacity > 0 else None


# --- the agent -------------------------------------------------------------------------------------------------------


def _agent(page: _Page, views: Mapping[int, PrinterView], vitals: Vitals) -> None:
    page.put("build_info", (vitals.version, vitals.python, vitals.engine), 1)
    page.moment("started_timestamp_seconds", (), vitals.started)
    watched = [view for view in views.values() if view.printer.retired is None]
    reachable = sum(view.reachable for view in watched)
    page.put("printers", ("reachable",), reachable)
    page.put("printers", ("silent",), len(watched) - reachable)
    page.put("stops", (), vitals.stops)
    page.durations("sweep_duration_seconds", vitals.sweeps)
    page.moment("sweep_finished_timestamp_seconds", (), vitals.swept)
    for outcome in dict.fromkeys((*_OUTCOMES, *vitals.readings)):
        page.put("readings_total", (outcome,), vitals.readings.get(outcome, 0))
    page.put("snmp_requests_total", (), vitals.requests)
    page.put("snmp_retries_total", (), vitals.retries)
    page.put("snmp_timeouts_total", (), vitals.timeouts)
    page.put("buffer_readings", (), vitals.buffered)
    page.put("buffer_limit_readings", (), vitals.buffer_limit)
    page.put("buffer_dropped_readings_total", (), vitals.dropped)
    page.put("store_errors_total", (), vitals.store_errors)
    page.put("store_failing", (), vitals.store_failing)
    page.put("outbox_messages", ("waiting",), vitals.waiting)
    page.put("outbox_messages", ("dead",), vitals.dead)
    for (severity, state), count in sorted(vitals.alarms.items()):
        page.put("alarms", (severity, state), count)
    page.put("settings_loads_total", ("accepted",), vitals.settings_accepted)
    page.put("settings_loads_total", ("refused",), vitals.settings_refused)
    page.moment("settings_loaded_timestamp_seconds", (), vitals.settings_loaded)
