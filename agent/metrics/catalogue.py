"""Every metric: name, type, labels, help. Nothing else is made, and docs come from it."""

from __future__ import annotations

from dataclasses import dataclass

PRINTER = ("printer", "printer_id", "site")
"""``printer`` is the name, which two printers may share; ``printer_id`` is the store's number, which none share."""
SUPPLY = (*PRINTER, "supply", "kind", "colorant", "class")
TRAY = (*PRINTER, "tray", "tray_name")
BIN = (*PRINTER, "bin", "bin_name")


@dataclass(frozen=True, slots=True)
class Metric:
    """One metric family; ``name`` has its suffix (``_total``, ``_info``). ``kind``: gauge, counter, histogram, info."""

    name: str
    kind: str
    labels: tuple[str, ...]
    help: str

    @property
    def unit(self) -> str:
        """The base unit at the end of the name, where there is one."""
        last = self.name.rpartition("_")[2]
        return last if last in ("seconds", "ratio") else ""


def _gauge(name: str, labels: tuple[str, ...], text: str) -> Metric:
    return Metric(f"lowmark_{name}", "gauge", labels, text)


def _counter(name: str, labels: tuple[str, ...], text: str) -> Metric:
    return Metric(f"lowmark_{name}_total", "counter", labels, text)


PRINTERS = (
    Metric(
        "lowmark_printer_info",
        "info",
        (*PRINTER, "address", "device", "model", "serial", "mac", "building", "floor", "room"),
        "What a printer is and where it stands; always 1.",
    ),
    _gauge("printer_reachable", PRINTER, "1 when the printer answered the last time it was asked, else 0."),
    _gauge("printer_contact_since_timestamp_seconds", PRINTER, "Since when it answers, or is silent."),
    _gauge("printer_read_timestamp_seconds", PRINTER, "When the printer was last read."),
    _gauge("printer_uptime_seconds", PRINTER, "How long the printer's SNMP agent runs (sysUpTime)."),
    _gauge("printer_state", (*PRINTER, "state"), "1 for the hrPrinterStatus it shows (RFC 2790), 0 for the others."),
    _gauge(
        "printer_device_state", (*PRINTER, "state"), "1 for the hrDeviceStatus it shows (RFC 2790), 0 for the others."
    ),
    _gauge("printer_errors", PRINTER, "Number of error bits set (hrPrinterDetectedErrorState)."),
    _gauge("printer_error", (*PRINTER, "error"), "1 for each error bit that is set; absent for those that are not."),
    _gauge("printer_alerts", (*PRINTER, "severity"), "Alerts in the printer's alert table (RFC 3805)."),
    _counter("printer_impressions", (*PRINTER, "counter"), "Impressions made; starts anew when it wraps or is reset."),
    _counter("printer_sheets", (*PRINTER, "counter"), "Sheets printed; starts anew when it wraps or is reset."),
    _counter("printer_units", (*PRINTER, "counter", "unit"), "Counters in another unit than impressions and sheets."),
    _gauge(
        "supply_remaining_ratio",
        SUPPLY,
        "Share of a supply that is left, or of a receptacle's space; absent where the printer does not say.",
    ),
    _gauge(
        "supply_remaining",
        (*SUPPLY, "unit"),
        "What is left of a supply, or of space in a receptacle; absent if unknown.",
    ),
    _gauge(
        "supply_capacity", (*SUPPLY, "unit"), "How much a full supply or an empty receptacle holds; absent if unknown."
    ),
    _gauge("supply_level_known", SUPPLY, "1 when the printer tells the level as a number, else 0."),
    _gauge("tray_remaining_ratio", TRAY, "How full an input tray is; absent where the printer does not say."),
    _gauge("tray_remaining", (*TRAY, "unit"), "What is left in an input tray; absent if unknown."),
    _gauge("tray_capacity", (*TRAY, "unit"), "How much an input tray holds; absent if unknown."),
    _gauge("bin_space_ratio", BIN, "Share of an output bin that is free; absent where the printer does not say."),
    _gauge(
        "cover_open", (*PRINTER, "cover", "cover_name"), "1 when a cover or interlock is open, 0 when it is closed."
    ),
)

AGENT = (
    Metric("lowmark_build_info", "info", ("version", "python", "engine"), "What runs here; always 1."),
    _gauge("started_timestamp_seconds", (), "When the agent was started."),
    _gauge("printers", ("contact",), "Printers by how the last asking went: reachable or silent."),
    _gauge("stops", (), "Addresses that the settings tell to ask."),
    Metric("lowmark_sweep_duration_seconds", "histogram", (), "How long a sweep over the fleet took."),
    _gauge("sweep_finished_timestamp_seconds", (), "When the last sweep ended."),
    _counter("readings", ("outcome",), "Attempts to read a printer: read, or why not."),
    _counter(
        "notifications",
        ("outcome",),
        "SNMP notifications: heard (the printer is read at once), or why not; lost: the system dropped them.",
    ),
    _counter("snmp_requests", (), "SNMP requests sent, retries among them."),
    _counter("snmp_retries", (), "SNMP requests sent again for want of an answer."),
    _counter("snmp_timeouts", (), "SNMP requests that got no answer in time."),
    _gauge("buffer_readings", (), "Readings that wait in memory to be stored."),
    _gauge("buffer_limit_readings", (), "How many readings may wait."),
    _counter("buffer_dropped_readings", (), "Readings lost because too many waited."),
    _counter("store_errors", (), "Writes to the store that failed."),
    _gauge("store_failing", (), "1 while writes to the store fail, else 0."),
    _gauge("outbox_messages", ("state",), "Messages in the outbox: waiting, or dead (given up)."),
    _gauge("alarms", ("severity", "state"), "Standing alarms."),
    _counter("settings_loads", ("outcome",), "Loadings of the settings file: accepted or refused."),
    _counter("telemetry_exports", ("outcome",), "Rounds of sending these metrics by OTLP: sent or failed."),
    _gauge("settings_loaded_timestamp_seconds", (), "When the settings in force were loaded."),
)


def catalogue() -> tuple[Metric, ...]:
    """Every metric, in the order in which it is exposed."""
    return (*PRINTERS, *AGENT)
