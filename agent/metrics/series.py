"""Which series a printer and the agent have: said once, for whatever writes them down.

A printer's series come in parts. Each part says what of the printer it rests on: as long as that is equal, so are its
series, and whoever has them written down already need not do it again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from agent.mib.enums import ALERT_SEVERITY, DEVICE_STATUS, PRINTER_STATUS
from agent.model.fleet import PrinterView
from agent.model.health import NOTIFICATION_OUTCOMES, Durations, Vitals
from agent.model.reading import Amount, Mark, Reading

Own = tuple[object, ...]
"""The values of the labels that every series of a printer begins with (see ``catalogue.PRINTER``)."""

_OPEN = frozenset(("coverOpen", "interlockOpen"))
_CLOSED = frozenset(("coverClosed", "interlockClosed"))
_OUTCOMES = ("read", "unresolved", "silent", "refused", "denied", "garbled", "unsupported", "agentFault")


class Sink(Protocol):
    """What takes the series."""

    def put(self, name: str, labels: tuple[object, ...], value: float | bool | None) -> None:
        """One series of ``lowmark_<name>``, ``labels`` as the catalogue lists them; None is left out."""
        ...


class AgentSink(Sink, Protocol):
    """A sink that takes histograms too."""

    def durations(self, name: str, durations: Durations) -> None:
        """A histogram without labels."""
        ...


def own(view: PrinterView) -> Own:
    """The labels of all series of this printer."""
    printer = view.printer
    return (printer.name or printer.address, printer.id, printer.place.site)


def _seconds(at: datetime | None) -> float | None:
    """A moment as seconds since 1970."""
    return None if at is None else at.timestamp()


# --- one printer -----------------------------------------------------------------------------------------------------


def _contact(sink: Sink, own: Own, view: PrinterView) -> None:
    printer, place = view.printer, view.printer.place
    where = (place.building, place.floor, place.room)
    identity = (printer.address, printer.device_index, printer.model, printer.serial, printer.mac)
    sink.put("printer_info", (*own, *identity, *where), 1)
    sink.put("printer_reachable", own, view.reachable)
    sink.put("printer_contact_since_timestamp_seconds", own, _seconds(view.since))


def _times(sink: Sink, own: Own, reading: Reading) -> None:
    sink.put("printer_read_timestamp_seconds", own, _seconds(reading.at))
    uptime = reading.system.uptime
    sink.put("printer_uptime_seconds", own, None if uptime is None else uptime / 100)


def _status(sink: Sink, own: Own, reading: Reading) -> None:
    for name, known, shown in (
        ("printer_state", PRINTER_STATUS, reading.printer_status),
        ("printer_device_state", DEVICE_STATUS, reading.device_status),
    ):
        for state in known.values() if shown is not None else ():
            sink.put(name, (*own, state), state == shown)
    sink.put("printer_errors", own, len(reading.errors))
    for error in sorted(reading.errors):
        sink.put("printer_error", (*own, error), 1)


def _alerts(sink: Sink, own: Own, reading: Reading) -> None:
    for severity in ALERT_SEVERITY.values():
        sink.put("printer_alerts", (*own, severity), sum(alert.severity == severity for alert in reading.alerts))


def _counters(sink: Sink, own: Own, reading: Reading) -> None:
    for counter in reading.counters:
        if counter.unit in ("impressions", "sheets"):
            sink.put(f"printer_{counter.unit}_total", (*own, counter.name), counter.value)
        else:
            sink.put("printer_units_total", (*own, counter.name, counter.unit), counter.value)


def _supplies(sink: Sink, own: Own, reading: Reading) -> None:
    for supply in reading.supplies:
        labels = (*own, supply.key, supply.kind, supply.colorant or "", supply.supply_class)
        sink.put("supply_remaining_ratio", labels, supply.fraction)
        sink.put("supply_level_known", labels, not isinstance(supply.level, Mark))
        labels = (*labels, supply.unit)
        sink.put("supply_remaining", labels, _number(supply.level))
        sink.put("supply_capacity", labels, _number(supply.capacity))


def _trays(sink: Sink, own: Own, reading: Reading) -> None:
    for tray in reading.trays:
        labels = (*own, tray.index, tray.name or tray.description)
        sink.put("tray_remaining_ratio", labels, _share(tray.level, tray.capacity, tray.unit))
        labels = (*labels, tray.unit)
        sink.put("tray_remaining", labels, _number(tray.level))
        sink.put("tray_capacity", labels, _number(tray.capacity))


def _bins(sink: Sink, own: Own, reading: Reading) -> None:
    for out in reading.bins:
        share = _share(out.remaining, out.capacity, out.unit)
        sink.put("bin_space_ratio", (*own, out.index, out.name or out.description), share)


def _covers(sink: Sink, own: Own, reading: Reading) -> None:
    for cover in reading.covers:
        known = cover.status in _OPEN or cover.status in _CLOSED
        sink.put("cover_open", (*own, cover.index, cover.description), cover.status in _OPEN if known else None)


def _number(amount: Amount) -> int | None:
    return None if isinstance(amount, Mark) else amount


def _share(level: Amount, capacity: Amount, unit: str) -> float | None:
    if isinstance(level, Mark):
        return None
    if isinstance(capacity, Mark):
        return level / 100 if unit == "percent" and level <= 100 else None
    return min(1.0, level / capacity) if capacity > 0 else None


@dataclass(frozen=True, slots=True)
class Part:
    """Some series of a printer. ``names``: the families they belong to, which are in no other part.

    ``rests_on``: what they are made of, besides ``PrinterView.printer``, on which all rest.
    """

    names: tuple[str, ...]
    rests_on: Callable[[PrinterView], object]
    put: Callable[[Sink, Own, PrinterView], None]


def _read(
    names: tuple[str, ...], rests_on: Callable[[Reading], object], put: Callable[[Sink, Own, Reading], None]
) -> Part:
    """A part that rests on the last reading alone."""

    def put_if_read(sink: Sink, own: Own, view: PrinterView) -> None:
        if view.reading is not None:
            put(sink, own, view.reading)

    def rests_on_reading(view: PrinterView) -> object:
        return None if view.reading is None else rests_on(view.reading)

    return Part(names, rests_on_reading, put_if_read)


PARTS = (
    Part(
        ("printer_info", "printer_reachable", "printer_contact_since_timestamp_seconds"),
        lambda view: (view.reachable, view.since),
        _contact,
    ),
    _read(
        ("printer_read_timestamp_seconds", "printer_uptime_seconds"), lambda one: (one.at, one.system.uptime), _times
    ),
    _read(
        ("printer_state", "printer_device_state", "printer_errors", "printer_error"),
        lambda one: (one.printer_status, one.device_status, one.errors),
        _status,
    ),
    _read(("printer_alerts",), lambda one: one.alerts, _alerts),
    _read(
        ("printer_impressions_total", "printer_sheets_total", "printer_units_total"),
        lambda one: one.counters,
        _counters,
    ),
    _read(
        ("supply_remaining_ratio", "supply_remaining", "supply_capacity", "supply_level_known"),
        lambda one: one.supplies,
        _supplies,
    ),
    _read(("tray_remaining_ratio", "tray_remaining", "tray_capacity"), lambda one: one.trays, _trays),
    _read(("bin_space_ratio",), lambda one: one.bins, _bins),
    _read(("cover_open",), lambda one: one.covers, _covers),
)


def printer(sink: Sink, view: PrinterView) -> None:
    """All series of one printer; a retired one has none."""
    if view.printer.retired is not None:
        return
    labels = own(view)
    for part in PARTS:
        part.put(sink, labels, view)


# --- the agent -------------------------------------------------------------------------------------------------------


def agent(sink: AgentSink, views: Mapping[int, PrinterView], vitals: Vitals) -> None:
    """All series of the agent itself."""
    sink.put("build_info", (vitals.version, vitals.python, vitals.engine), 1)
    sink.put("started_timestamp_seconds", (), _seconds(vitals.started))
    watched = [view for view in views.values() if view.printer.retired is None]
    reachable = sum(view.reachable for view in watched)
    sink.put("printers", ("reachable",), reachable)
    sink.put("printers", ("silent",), len(watched) - reachable)
    sink.put("stops", (), vitals.stops)
    sink.durations("sweep_duration_seconds", vitals.sweeps)
    sink.put("sweep_finished_timestamp_seconds", (), _seconds(vitals.swept))
    for outcome in dict.fromkeys((*_OUTCOMES, *vitals.readings)):
        sink.put("readings_total", (outcome,), vitals.readings.get(outcome, 0))
    for outcome in NOTIFICATION_OUTCOMES:
        sink.put("notifications_total", (outcome,), vitals.notifications.get(outcome, 0))
    sink.put("snmp_requests_total", (), vitals.requests)
    sink.put("snmp_retries_total", (), vitals.retries)
    sink.put("snmp_timeouts_total", (), vitals.timeouts)
    sink.put("buffer_readings", (), vitals.buffered)
    sink.put("buffer_limit_readings", (), vitals.buffer_limit)
    sink.put("buffer_dropped_readings_total", (), vitals.dropped)
    sink.put("store_errors_total", (), vitals.store_errors)
    sink.put("store_failing", (), vitals.store_failing)
    sink.put("outbox_messages", ("waiting",), vitals.waiting)
    sink.put("outbox_messages", ("dead",), vitals.dead)
    for (severity, state), count in sorted(vitals.alarms.items()):
        sink.put("alarms", (severity, state), count)
    sink.put("settings_loads_total", ("accepted",), vitals.settings_accepted)
    sink.put("settings_loads_total", ("refused",), vitals.settings_refused)
    for outcome, count in sorted(vitals.exports.items()):
        sink.put("telemetry_exports_total", (outcome,), count)
    sink.put("settings_loaded_timestamp_seconds", (), _seconds(vitals.settings_loaded))
