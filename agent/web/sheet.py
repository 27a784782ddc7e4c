"""What the page of one printer shows, put together from what it said, its history, and what that says."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from agent.insight.meter import NAMES, meter
from agent.model.alarm import AlarmRecord
from agent.model.alert_words import ERRORS, SEVERITY, Meaning, about, meaning
from agent.model.dregs import dregs_words
from agent.model.fleet import LedgerEntry, PrinterHistory, PrinterView, SupplyTrack
from agent.model.grain import Grain
from agent.model.insight import Forecast, Insight, Life, Usage
from agent.model.reading import Alert, Bin, Counter, Mark, Reading, Supply, Tray
from agent.model.upkeep import PrinterUpkeep
from agent.model.wording import percent_words
from agent.model.zones import zone_of
from agent.web import alert_places, charts, volume
from agent.web.charts import Times
from agent.web.roster import FINE, LOOK, Bar, bar, state_of
from agent.web.volume import Day
from agent.web.words import harmless, near_day, number, percent, supply_name

DAYS = (30, 120, 400)
"""The spans of history that a reader may choose, in days."""
WEEKS_TOLD = 26
LEDGER_TOLD = 20


LEVELS_DRAWN = 360
"""So many moments of a level are looked up for a chart."""


@dataclass(frozen=True, slots=True)
class Span:
    """The last ``days`` days before ``now``. ``past``: that is an earlier moment, which somebody asked for."""

    now: datetime
    days: int
    past: bool = False


@dataclass(frozen=True, slots=True)
class Told:
    """One row of the numbers beneath a chart."""

    when: str
    what: str


@dataclass(frozen=True, slots=True)
class Outlook:
    """When a supply is used up: ``when`` in a few words, ``more`` about the odds, and ``rests`` on what, or why not."""

    when: str = ""
    more: str = ""
    rests: str = ""


@dataclass(frozen=True, slots=True)
class SupplyPart:
    """One supply: as it is, how it went, and when it will be used up. ``alt``: what its chart shows, in words."""

    supply: Supply
    bar: Bar
    name: str
    forecast: Forecast | None
    outlook: Outlook
    chart: charts.LevelChart | None
    alt: str
    told: tuple[Told, ...]
    lives: tuple[Life, ...]


@dataclass(frozen=True, slots=True)
class AlertPart:
    """One alert: as the printer says it, and what it means. ``since``: None where the printer does not say.

    ``place``: the part and the stage of the print process that it is about, "" where it has none.
    """

    alert: Alert
    about: str
    severity: str
    meaning: Meaning
    since: datetime | None
    place: str = ""
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Sheet:
    """One printer's page."""

    view: PrinterView
    state: str
    says: str
    zone: str
    now: datetime
    days: int
    alarms: tuple[AlarmRecord, ...]
    alerts: tuple[AlertPart, ...]
    supplies: tuple[SupplyPart, ...]
    usage: Usage | None
    volume: charts.VolumeChart | None
    volume_alt: str
    weeks: tuple[tuple[date, int, int], ...]
    daily: tuple[Day, ...]
    counters: tuple[Counter, ...]
    upkeep: PrinterUpkeep | None
    ledger: tuple[LedgerEntry, ...]
    insight: Insight | None


def grain(now: datetime, days: int, zone: str, insight: Insight | None = None) -> Grain:
    """How fine a history of the last ``days`` days the page of a printer shows.

    Levels are looked up also where a new life began, so that they rise where it is drawn.
    """
    step = timedelta(days=days) // LEVELS_DRAWN
    # Even moments, and not such that lie back from now: so the same are looked up until another one has come.
    last = now - timedelta(seconds=now.timestamp() % step.total_seconds())
    drawn = [last - step * back for back in range(LEVELS_DRAWN, -1, -1)]
    today = now.astimezone(zone_of(zone)).date()
    nights = [_midnight(today - timedelta(days=back), zone) for back in range(days + 1, -1, -1)]
    monday = today - timedelta(days=today.weekday())
    mondays = [_midnight(monday - timedelta(days=7 * back), zone) for back in range(WEEKS_TOLD, -1, -1)]
    # A count at the very midnight belongs to the day that begins.
    before = [at - timedelta(microseconds=1) for at in nights]
    told = [at for at in mondays if at >= drawn[0]]
    began = {one.fitted for one in insight.lives if one.fitted and drawn[0] <= one.fitted <= now} if insight else set()
    return Grain((drawn, sorted({*told, *began, now})), (before, [now]), NAMES, LEDGER_TOLD)


def _midnight(on: date, zone: str) -> datetime:
    return datetime(on.year, on.month, on.day, tzinfo=zone_of(zone))


def sheet(
    view: PrinterView,
    history: PrinterHistory,
    insight: Insight | None,
    upkeep: PrinterUpkeep | None,
    alarms: Sequence[AlarmRecord],
    span: Span,
) -> Sheet:
    """All of it. ``history``: of the last ``span.days`` days."""
    now, days = span.now, span.days
    reading = view.reading
    zone = view.printer.place.zone
    supplies = reading.supplies if reading is not None else ()
    state, says = state_of(view, [bar(one) for one in supplies])
    if alarms and state == FINE:
        state = LOOK
    times = charts.times(history, insight, now, days, zone, past=span.past)
    daily = volume.by_day(meter(history, now), history.contacts, zone, now, days)
    return Sheet(
        view,
        state,
        says,
        zone,
        now,
        days,
        tuple(alarms),
        _alerts(reading),
        tuple(_supply(one, history, insight, times) for one in supplies),
        next((one for one in insight.usage if not one.by_time), None) if insight is not None else None,
        charts.volume(daily),
        _volume_words(daily),
        tuple(volume.weeks(daily)),
        tuple(reversed(daily)),
        reading.counters if reading is not None else (),
        upkeep,
        tuple(reversed(history.ledger[-LEDGER_TOLD:])),
        insight,
    )


def _alerts(reading: Reading | None) -> tuple[AlertPart, ...]:
    if reading is None:
        return ()
    uptime = reading.system.uptime
    made = []
    for one in reading.alerts:
        stood = None if one.time is None or uptime is None or one.time > uptime else uptime - one.time
        since = None if stood is None else reading.at - timedelta(seconds=stood / 100)
        it = _named(one, reading)
        severity = SEVERITY.get(one.severity, one.severity)
        kind = next((supply.kind for supply in reading.supplies if supply.index == one.group_index), "")
        place, means, cautions = alert_places.placed(one, meaning(one, it), kind)
        made.append(AlertPart(one, it or about(one), severity, means, since, place, cautions))
    if not made:
        # Some printers have no alert table; their error bits say less, but something.
        told = [alert_places.of_bit(bit) for bit in sorted(reading.errors & ERRORS.keys())]
        made = [AlertPart(one, "status", "", means, None, place, cautions) for one, means, place, cautions in told]
    return tuple(sorted(made, key=lambda part: part.alert.severity != "critical"))


def _named(alert: Alert, reading: Reading) -> str:
    """The supply, tray or bin that an alert is about; "" where its row is not among those."""
    if alert.group == "markerSupplies":
        found = next((one for one in reading.supplies if one.index == alert.group_index), None)
        return supply_name(found.kind, found.colorant, found.key, found.description) if found else ""
    rows: Sequence[Tray | Bin] = ()
    if alert.group in ("input", "output"):
        rows = reading.trays if alert.group == "input" else reading.bins
    row = next((one for one in rows if one.index == alert.group_index), None)
    return harmless(row.name or row.description, 60) if row is not None else ""


def _supply(supply: Supply, history: PrinterHistory, insight: Insight | None, times: Times) -> SupplyPart:
    track = next((one for one in reversed(history.supplies) if one.key == supply.key and one.points), None)
    forecast: Forecast | None = None
    lives: tuple[Life, ...] = ()
    if insight is not None:
        forecast = next((one for one in insight.forecasts if one.supply == supply.key), None)
        lives = tuple(one for one in insight.lives if one.supply == supply.key)
    outlook = outlook_of(forecast, supply, times.today)
    name = supply_name(supply.kind, supply.colorant, supply.key, supply.description)
    chart, alt = None, ""
    told: tuple[Told, ...] = ()
    if track is not None:
        chart = charts.levels(track, forecast, lives, times)
        alt = _level_words(f"{'Space left in' if supply.is_receptacle else 'Level of'} {name}", track, chart, times)
        alt += f" {outlook.when}{f', {outlook.more}' if outlook.more else ''}." if outlook.when else ""
        told = _told(track, forecast, times)
    return SupplyPart(supply, bar(supply), name, forecast, outlook, chart, alt, told, tuple(reversed(lives)))


def _level_words(what: str, track: SupplyTrack, chart: charts.LevelChart, times: Times) -> str:
    """What a chart of levels shows, in a sentence."""
    begin = times.begin.astimezone(zone_of(times.zone)).date()
    low = min((share for _, share in chart.shown if share == share), default=None)
    said = [f"{_level_at(track, times.begin)} at first"] if track.points[0].at <= times.begin else []
    said += [f"{percent(low)} at the lowest"] if low is not None else []
    said += [f"{_level_at(track, times.now)} {times.moment}"]
    count = len(chart.fitted)
    said += [f"a new one fitted {'once' if count == 1 else f'{count} times'}"] if count else []
    return f"{what} from {near_day(begin, times.today)} to {times.moment}: {', '.join(said)}."


def _volume_words(daily: Sequence[Day]) -> str:
    """What the chart of pages by day shows, in a sentence."""
    known = [(one.pages, one.on) for one in daily if one.pages is not None]
    if not known:
        return ""
    last = daily[-1].on
    most, on = max(known)
    unheard = len(daily) - len(known)
    silent = f"; not heard of on {'one day' if unheard == 1 else f'{unheard} days'}" if unheard else ""
    return (
        f"Pages by day from {near_day(daily[0].on, last)} to {near_day(last, last)}: "
        f"{number(sum(pages for pages, _ in known))} in all, most on {near_day(on, last)} with {number(most)}{silent}."
    )


def _told(track: SupplyTrack, forecast: Forecast | None, times: Times) -> tuple[Told, ...]:
    """The level on Mondays, the latest first, and before them what is expected."""
    today = times.today
    made = []
    dates = forecast.empty_dates if forecast is not None else None
    if dates is not None:
        for share, on in ((0.9, dates.p90), (0.5, dates.p50), (0.1, dates.p10)):
            made.append(Told(near_day(on, today), f"expected at 0 % by then with a chance of {percent_words(share)}"))
    made.append(Told(times.moment, _level_at(track, times.now)))
    monday = today - timedelta(days=today.weekday())
    for _ in range(WEEKS_TOLD):
        at = _midnight(monday, times.zone)
        if at < times.begin:
            break
        made.append(Told(near_day(monday, today), _level_at(track, at)))
        monday -= timedelta(days=7)
    return tuple(made)


def _level_at(track: SupplyTrack, at: datetime) -> str:
    place = bisect_right(track.points, at, key=lambda point: point.at)
    if place == 0:
        return "not known yet"
    found = track.points[place - 1]
    if isinstance(found.level, Mark):
        return {Mark.SOME: "some", Mark.OTHER: "no limit", Mark.UNKNOWN: "unknown"}[found.level]
    share = charts.share_of(found, track.unit)
    return number(found.level) if share is None else percent(share)


def outlook_of(forecast: Forecast | None, supply: Supply, today: date) -> Outlook:
    """When it will be used up, in words."""
    if forecast is None:
        return Outlook()
    if forecast.reason is not None or forecast.empty is None or forecast.empty_dates is None:
        return Outlook(rests=f"No run-out is told: {forecast.reason or 'nothing is known of it'}.")
    what = "full" if supply.is_receptacle else "used up"
    dates = forecast.empty_dates
    more = []
    dregs = dregs_words(forecast, percent) if supply.level == 0 else ""
    if forecast.empty.quantile(0.5) >= forecast.empty.beyond:
        when = f"Not {what} within {forecast.empty.beyond:.0f} days"
    elif dates.p90 <= today:
        when = f"Probably {what} today"
    else:
        when = f"{what.capitalize()} about {near_day(dates.p50, today)}"
        if dates.p10 != dates.p90:
            more.append(f"four times in five between {near_day(dates.p10, today)} and {near_day(dates.p90, today)}")
    chance = forecast.chance.get(14)
    if chance is not None and 0.01 <= chance < 0.995:
        more.append(f"{percent(chance)} chance within 14 days")
    if forecast.pages_left is not None and not supply.is_receptacle:
        more.append(f"about {number(_round(forecast.pages_left[1]))} pages left")
    if dregs:
        more.append(dregs)
    rests = f"Rests on {'; '.join(forecast.basis)}." if forecast.basis else ""
    return Outlook(when, "; ".join(more), rests)


def _round(pages: float) -> float:
    """Two figures of it: more would claim to know more than is known."""
    if pages < 100:
        return round(pages)
    power: int = 10 ** (len(str(int(pages))) - 2)
    return float(round(pages / power) * power)
