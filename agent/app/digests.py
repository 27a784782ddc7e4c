"""What letters are made of: looked up in the running agent, or for a command in the store alone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from fnmatch import fnmatchcase

from agent.alarms.outlook import Spare
from agent.alarms.performance import Measure, Performance, performance
from agent.alarms.spells import LEDGER_KINDS, chatter_window, story
from agent.alarms.wording import part
from agent.app.evidence import SERVICE_KINDS
from agent.app.outlooks import spare_of
from agent.drawing import more_signs
from agent.insight.deeds import KINDS
from agent.insight.shelf import Shelf
from agent.model.alarm import AlarmRecord, AlarmState, standing
from agent.model.digest import Digest
from agent.model.fleet import LedgerEntry, Printer, PrinterHistory, PrinterView
from agent.model.insight import Insight
from agent.model.round import Round
from agent.model.shelf import Advice, ShelfState
from agent.model.week import Coming, Figure, Served, SitePages, ToOrder, Week
from agent.model.wording import percent_words
from agent.model.zones import zone_of
from agent.notify.morning import morning
from agent.notify.weekly import weekly
from agent.notify.written import Locale
from agent.settings import Letter, Settings
from agent.store import Store

WEEK = timedelta(days=7)
BACK = timedelta(days=28)
"""So many days of alarms are drawn."""
LIKELY = 0.2
"""From this chance of running out within the week on, the letter names a supply (common practice, no source)."""
USUAL_LOCALE = "en-GB"
_ASIDE = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
_MEASURES = {
    "rate": "Alarms in 10 minutes a person",
    "flood": "The worst 10 minutes",
    "topTen": "The ten most frequent",
    "chattering": "Chattering",
    "stale": "Standing for over a day",
    "grave": "High or urgent",
}


@dataclass(frozen=True, slots=True)
class Sources:
    """Where it is looked up. ``plan``: the next round of one site (None: of all). ``advice``: what to order.

    ``stock``: the shelf. ``views``: every printer in service.
    """

    store: Store
    settings: Settings
    views: Sequence[PrinterView]
    insights: Mapping[int, Insight]
    alarms: Sequence[AlarmRecord]
    plan: Callable[[str | None], Round]
    stock: Callable[[], tuple[Shelf, ShelfState]]
    advice: Callable[[], Sequence[Advice]]


def compose(letter: Letter, sources: Sources, now: datetime) -> Digest:
    """The letter as of ``now``. Raises StoreError, UnknownCalendar."""
    meant = [one for one in sources.views if chosen(letter, one.printer)]
    alarms = _of(letter, sources.alarms, meant)
    where = ", ".join(letter.sites) or "All sites"
    locale = Locale(locale_of(letter, sources.settings))
    if letter.kind == "morning":
        sites = sorted({one.printer.place.site for one in meant}) if letter.sites else [None]
        rounds = [sources.plan(site) for site in sites]
        return morning(rounds, day_of(letter, sources.settings, now), where, alarms, locale, letter.to)
    return weekly(_week(letter, sources, meant, alarms, where, now), locale, letter.to, more_signs())


def chosen(letter: Letter, printer: Printer) -> bool:
    """Whether the letter is about this printer."""
    site = printer.place.site
    return not letter.sites or any(site == one or fnmatchcase(site, one) for one in letter.sites)


def _first_site(letter: Letter, settings: Settings) -> str | None:
    names = [site for one in letter.sites for site in settings.sites if site == one or fnmatchcase(site, one)]
    return names[0] if names else None


def zone_name(letter: Letter, settings: Settings) -> str:
    """The zone by whose clock the letter is written."""
    site = _first_site(letter, settings)
    return letter.zone or (settings.sites[site].zone if site is not None else settings.zone)


def locale_of(letter: Letter, settings: Settings) -> str:
    """How its days and numbers are written."""
    site = _first_site(letter, settings)
    return letter.locale or (settings.sites[site].locale if site is not None else None) or USUAL_LOCALE


def day_of(letter: Letter, settings: Settings, now: datetime) -> date:
    """The day of the letter."""
    return now.astimezone(zone_of(zone_name(letter, settings))).date()


def _of(letter: Letter, records: Iterable[AlarmRecord], meant: Sequence[PrinterView]) -> list[AlarmRecord]:
    ids = {one.printer.id for one in meant}
    sites = {one.printer.place.site for one in meant}

    def fits(one: AlarmRecord) -> bool:
        if one.state in _ASIDE:
            return False
        if one.printer_id is not None:
            return one.printer_id in ids
        return not letter.sites or one.subject in sites

    return [one for one in standing(records) if fits(one)]


# --- the week --------------------------------------------------------------------------------------------------------


def _week(
    letter: Letter, sources: Sources, meant: Sequence[PrinterView], alarms: Sequence[AlarmRecord], where: str,
    now: datetime,
) -> Week:  # fmt: skip
    zone = zone_name(letter, sources.settings)
    ids = {one.printer.id for one in meant}
    entries = [
        one
        for one in sources.store.ledger(until=now, kinds=LEDGER_KINDS)
        if one.printer_id in ids or (one.printer_id is None and not letter.sites)
    ]
    window = chatter_window(sources.settings.polling.status)
    told = performance(entries, sources.settings.rules(), now - WEEK, now, window=window, zone=sources.settings.zone)
    return Week(
        where=where,
        since=now - WEEK,
        until=now,
        zone=zone,
        printers=len(meant),
        silent=tuple(sorted(one.printer.name for one in meant if not one.reachable)),
        pages=_pages(sources.store, meant, now),
        coming=_coming(sources, meant),
        heard=told.heard,
        standing=sum(one.active for one in alarms),
        per_day=_per_day(entries, zone, now),
        figures=tuple(_figure(one) for one in told.measures),
        frequent=_frequent(told, {one.printer.id: one.printer.name for one in meant}),
        advice=tuple(f"{one.rule}: {_try(one.key, one.value)}{one.why}" for one in told.advice[:6]),
        served=_served(sources.store, meant, now),
        order=_order(sources),
    )


def _try(key: str, value: str) -> str:
    return f"{key} {value}: " if key else ""


def _figure(one: Measure) -> Figure:
    value = percent_words(one.value) if one.name in ("topTen", "grave") else f"{one.value:.2f}".rstrip("0").rstrip(".")
    return Figure(_MEASURES.get(one.name, one.name), value or "0", one.target, one.good)


def _frequent(told: Performance, names: Mapping[int, str]) -> tuple[tuple[int, str], ...]:
    found = []
    for one in told.frequent[:5]:
        number = one.key.split("|")[1] if one.key.count("|") >= 2 else ""
        who = names.get(int(number), "") if number.isdigit() else ""
        if one.count > 1:
            found.append((one.count, f"{who}: {one.text}" if who else one.text))
    return tuple(found)


def _per_day(entries: Sequence[LedgerEntry], zone: str, now: datetime) -> tuple[tuple[date, int], ...]:
    local, clock = now.astimezone(zone_of(zone)), zone_of(zone)
    heard = [one.heard for one in story(entries, now).spells if one.heard is not None and one.heard > now - BACK]
    counts = Counter(at.astimezone(clock).date() for at in heard)
    days = [local.date() - timedelta(days=back) for back in range(BACK.days - 1, -1, -1)]
    return tuple((day, counts[day]) for day in days)


def _pages(store: Store, meant: Sequence[PrinterView], now: datetime) -> tuple[SitePages, ...]:
    found: dict[str, list[int]] = {}
    for view in meant:
        told = store.history(view.printer.id, now - 2 * WEEK, now)
        row = found.setdefault(view.printer.place.site, [0, 0, 0])
        row[0] += printed(told, now - WEEK, now)
        row[1] += printed(told, now - 2 * WEEK, now - WEEK)
        row[2] += 1
    made = [SitePages(site, pages, before, count) for site, (pages, before, count) in found.items()]
    return tuple(sorted(made, key=lambda one: (-one.pages, one.site)))


def printed(told: PrinterHistory, since: datetime, until: datetime) -> int:
    """What the life counter went up by in this time; what it falls by (it started anew) counts for nothing."""
    tracks = {track.name: track for track in told.counters}
    track = tracks.get("life") or tracks.get("total")
    if track is None:
        return 0
    pages, last = 0, None
    for point in track.points:
        if point.at > until:
            break
        if last is not None and point.at > since and point.value > last:
            pages += point.value - last
        last = point.value
    return pages


def _coming(sources: Sources, meant: Sequence[PrinterView]) -> tuple[Coming, ...]:
    stock = sources.stock() if sources.settings.parts else None
    found = []
    for view in meant:
        insight = sources.insights.get(view.printer.id)
        for one in insight.forecasts if insight is not None else ():
            chance, dates = one.chance.get(7), one.empty_dates
            if chance is None or dates is None or chance < LIKELY:
                continue
            spare = None if stock is None else spare_of(*stock, view.printer, one.supply)
            found.append(
                Coming(
                    view.printer.name,
                    str(view.printer.place),
                    part(one.kind, one.colorant),
                    chance,
                    dates.p10,
                    dates.p50,
                    dates.p90,
                    one.level,
                    _spare(spare),
                )
            )
    return tuple(sorted(found, key=lambda one: (one.p50, -one.chance, one.printer)))


def _spare(spare: Spare | None) -> str:
    if spare is None or spare.on_shelf is None:
        return ""
    if spare.on_shelf:
        return f"{spare.on_shelf} on the shelf" + (f" ({spare.place})" if spare.place else "")
    if spare.on_order:
        return f"none; {spare.on_order} ordered" + (f", expected {spare.expected}" if spare.expected else "")
    return "none, and none ordered"


def _served(store: Store, meant: Sequence[PrinterView], now: datetime) -> tuple[Served, ...]:
    names = {one.printer.id: one.printer.name for one in meant}
    entries = store.ledger(since=now - WEEK, until=now, kinds=KINDS | SERVICE_KINDS)
    found = [
        Served(one.at, names[one.printer_id], one.text, "" if one.who == "lowmark" else one.who)
        for one in entries
        if one.printer_id is not None and one.printer_id in names
    ]
    return tuple(reversed(found))


def _order(sources: Sources) -> tuple[ToOrder, ...]:
    currency = sources.settings.shelf.currency
    found = []
    for one in sources.advice():
        if one.order > 0:
            cost = "" if one.cost is None else f"{one.cost:.2f} {currency}"
            needing = sorted(one.because, key=lambda need: -need.within)
            names = list(dict.fromkeys(need.printer for need in needing if need.within >= LIKELY))
            more = f" and {len(names) - 4} more" if len(names) > 4 else ""
            for_whom = f"; for {', '.join(names[:4])}{more}" if names else ""
            why = f"{one.on_hand} on the shelf, {one.on_order} ordered{for_whom}"
            found.append(ToOrder(one.part, one.order, one.by, why, cost))
    return tuple(sorted(found, key=lambda one: (one.by or date.max, one.part)))
