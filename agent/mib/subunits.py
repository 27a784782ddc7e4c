"""Rows of the sub-units: markers, trays, bins, covers, lights, media paths, and the alerts.

Each function takes a row's index, its index as text (for remarks), the raw values of the table's columns in the order
of ``oids`` and the character set, and gives the decoded row and the remarks on it. They are pure and remembered: from
poll to poll most rows are the same, octet for octet. The caches are bounded; a row that is not in one is decoded anew.
"""

from __future__ import annotations

from functools import lru_cache

from agent.mib import enums, values
from agent.mib.alert_codes import ALERT_CODE
from agent.mib.values import Notes, Raw
from agent.model.reading import Alert, Amount, Bin, Cover, Light, Mark, Marker, Remark, Tray

Raws = tuple[Raw, ...]
Remarks = tuple[Remark, ...]

_UNKNOWN_CODE = 2  # PrtAlertCodeTC unknown


@lru_cache(maxsize=1024)  # each counts pages of its own
def marker(index: int, suffix: str, raws: Raws) -> tuple[Marker, Remarks]:
    """A prtMarkerEntry."""
    tech, unit, life, power_on, status = raws
    notes = Notes(suffix)
    row = Marker(
        index=index,
        mark_tech=values.label(enums.MARK_TECH, tech, "prtMarkerMarkTech", notes),
        unit=values.label(enums.COUNTER_UNIT, unit, "prtMarkerCounterUnit", notes),
        life_count=values.counter(life, "prtMarkerLifeCount", notes),
        power_on_count=values.counter(power_on, "prtMarkerPowerOnCount", notes),
        status=values.status(status, "prtMarkerStatus", notes),
    )
    return row, tuple(notes.remarks)


@lru_cache(maxsize=4096)
def tray(index: int, suffix: str, raws: Raws, charset: int | None) -> tuple[Tray, Remarks]:
    """A prtInputEntry."""
    kind, unit, capacity, level, status, media, name, description = raws
    notes = Notes(suffix)
    row = Tray(
        index=index,
        kind=values.label(enums.INPUT_TYPE, kind, "prtInputType", notes) or "unknown",
        name=values.free(name, charset, "prtInputName", notes),
        description=values.localised(description, charset, "prtInputDescription", notes),
        media=values.free(media, charset, "prtInputMediaName", notes),
        unit=values.label(enums.CAPACITY_UNIT, unit, "prtInputCapacityUnit", notes) or "unknown",
        capacity=values.capacity(capacity, "prtInputMaxCapacity", notes),
        level=values.level(level, "prtInputCurrentLevel", notes),
        status=values.status(status, "prtInputStatus", notes),
    )
    _compare(row.level, row.capacity, "prtInputCurrentLevel", notes)
    return row, tuple(notes.remarks)


@lru_cache(maxsize=4096)
def output_bin(index: int, suffix: str, raws: Raws, charset: int | None) -> tuple[Bin, Remarks]:
    """A prtOutputEntry."""
    kind, unit, capacity, remaining, status, name, description = raws
    notes = Notes(suffix)
    row = Bin(
        index=index,
        kind=values.label(enums.OUTPUT_TYPE, kind, "prtOutputType", notes) or "unknown",
        name=values.free(name, charset, "prtOutputName", notes),
        description=values.localised(description, charset, "prtOutputDescription", notes),
        unit=values.label(enums.CAPACITY_UNIT, unit, "prtOutputCapacityUnit", notes) or "unknown",
        capacity=values.capacity(capacity, "prtOutputMaxCapacity", notes),
        remaining=values.level(remaining, "prtOutputRemainingCapacity", notes),
        status=values.status(status, "prtOutputStatus", notes),
    )
    _compare(row.remaining, row.capacity, "prtOutputRemainingCapacity", notes)
    return row, tuple(notes.remarks)


def _compare(level: Amount, capacity: Amount, column: str, notes: Notes) -> None:
    # Capacity 0 says nothing here: trays that take one sheet by hand and bins that are taken off report it.
    if not isinstance(level, Mark) and not isinstance(capacity, Mark) and 0 < capacity < level:
        notes.add(column, f"the level {level} is above the capacity {capacity}")


@lru_cache(maxsize=4096)
def cover(index: int, suffix: str, raws: Raws, charset: int | None) -> tuple[Cover, Remarks]:
    """A prtCoverEntry."""
    description, status = raws
    notes = Notes(suffix)
    row = Cover(
        index=index,
        description=values.localised(description, charset, "prtCoverDescription", notes),
        status=values.label(enums.COVER_STATUS, status, "prtCoverStatus", notes),
    )
    return row, tuple(notes.remarks)


@lru_cache(maxsize=4096)
def light(index: int, suffix: str, raws: Raws, charset: int | None) -> tuple[Light, Remarks]:
    """A prtConsoleLightEntry; ``charset`` is the console's."""
    on_time, off_time, colour, description = raws
    notes = Notes(suffix)
    row = Light(
        index=index,
        description=values.localised(description, charset, "prtConsoleDescription", notes),
        colour=values.label(enums.CONSOLE_COLOUR, colour, "prtConsoleColor", notes),
        on_time=values.number(on_time, "prtConsoleOnTime", notes, 0),
        off_time=values.number(off_time, "prtConsoleOffTime", notes, 0),
    )
    return row, tuple(notes.remarks)


@lru_cache(maxsize=4096)
def alert(index: int, suffix: str, raws: Raws, charset: int | None) -> tuple[Alert, Remarks]:
    """A prtAlertEntry."""
    severity, training, group, group_index, location, code, description, time = raws
    notes = Notes(suffix)
    code_number = values.number(code, "prtAlertCode", notes)
    place = values.number(location, "prtAlertLocation", notes)
    group_row = values.number(group_index, "prtAlertGroupIndex", notes)
    row = Alert(
        index=index,
        severity=values.label(enums.ALERT_SEVERITY, severity, "prtAlertSeverityLevel", notes) or "unknown",
        training=values.label(enums.ALERT_TRAINING, training, "prtAlertTrainingLevel", notes) or "unknown",
        group=values.label(enums.ALERT_GROUP, group, "prtAlertGroup", notes) or "unknown",
        group_index=-1 if group_row is None else group_row,
        location=-2 if place is None else place,
        # A printer may have codes of its own; those are no error worth a remark.
        code="unknown" if code_number is None else enums.label(ALERT_CODE, code_number),
        code_number=_UNKNOWN_CODE if code_number is None else code_number,
        description=values.localised(description, charset, "prtAlertDescription", notes),
        time=values.counter(time, "prtAlertTime", notes),
    )
    return row, tuple(notes.remarks)


_PER_HOUR = frozenset({"impressionsPerHour", "sheetsPerHour"})
# Bounds of what can be an hourly figure; common practice, no source. Below lie figures that were meant a minute.
_SLOWEST, _FASTEST = 240, 600_000


@lru_cache(maxsize=1024)
def pages_an_hour(suffix: str, raws: Raws) -> tuple[int | None, Remarks]:
    """The top speed of a prtMediaPathEntry in impressions or sheets an hour, None if it says none in those units."""
    unit, speed = raws
    notes = Notes(suffix)
    unit_label = values.label(enums.SPEED_UNIT, unit, "prtMediaPathMaxSpeedPrintUnit", notes)
    top = values.number(speed, "prtMediaPathMaxSpeed", notes)
    if top is None or top <= 0 or unit_label not in _PER_HOUR:
        return None, tuple(notes.remarks)
    if not _SLOWEST <= top <= _FASTEST:
        notes.add("prtMediaPathMaxSpeed", f"{top} {unit_label} is no speed that a printer has")
        return None, tuple(notes.remarks)
    return top, tuple(notes.remarks)
