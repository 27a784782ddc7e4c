"""What the history says as JSON data, in the shapes that the commands print with ``--json``."""

from __future__ import annotations

from agent.insight.lasting import Lasting
from agent.model.fleet import Printer
from agent.model.insight import Dates, Forecast, Insight, Life, Spread, Usage
from agent.model.upkeep import Disagreement, PrinterUpkeep, UpkeepItem
from agent.web.shapes import Data


def who(one: Printer) -> Data:
    """Which printer an item is about."""
    return {"printer_id": one.id, "printer": one.name, "model": one.model, "site": one.place.site}


def insight(whose: Printer, one: Insight) -> Data:
    """Uses, lives and run-outs of one printer (items of ``lowmark usage``, ``lives`` and ``runout`` ``--json``)."""
    name = who(whose)
    return {
        "as_of": one.as_of,
        "usage": [{**name, **usage(use)} for use in one.usage],
        "lives": [{**name, **life(seen)} for seen in one.lives],
        "runout": [{**name, **forecast(due)} for due in one.forecasts],
        "notes": [{"subject": note.subject, "text": note.text} for note in one.notes],
    }


def usage(one: Usage) -> Data:
    """How much one counter says is printed (an item of ``lowmark usage --json``)."""
    return {
        "counter": one.counter,
        "unit": one.unit,
        "per_workday": _round(one.per_workday, 1),
        "per_workday_p10": _round(one.low, 1),
        "per_workday_p90": _round(one.high, 1),
        "per_week": _round(one.per_week, 1),
        "variation": _round(one.variation),
        "weekday": [_round(factor, 3) for factor in one.weekday],
        "month_end": _round(one.month_end, 3),
        "trend_60_days": _round(one.trend, 3),
        "workdays_seen": one.workdays,
        "since": one.since,
        "reason": one.reason or None,
    }


def life(one: Life) -> Data:
    """One life (an item of ``lowmark lives --json``)."""
    return {
        "supply": one.supply,
        "kind": one.kind,
        "number": one.number,
        "fitted": one.fitted,
        "removed": one.removed,
        "impressions": one.impressions,
        "start_level": _round(one.start_level),
        "end_level": _round(one.end_level),
        "left": _round(one.left),
        "ended": one.ended,
        "sure": _round(one.sure),
        "end_sure": _round(one.end_sure),
        "used_before": one.used_before,
        "text": one.text,
    }


def forecast(one: Forecast) -> Data:
    """One run-out (an item of ``lowmark runout --json``)."""
    empty, low = one.empty_dates, one.low_dates
    return {
        "supply": one.supply,
        "kind": one.kind,
        "colorant": one.colorant,
        "description": one.description,
        "as_of": one.as_of,
        "p10": empty.p10 if empty else None,
        "p50": empty.p50 if empty else None,
        "p90": empty.p90 if empty else None,
        "reason": one.reason,
        "chance_7_days": _round(one.chance.get(7)),
        "chance_14_days": _round(one.chance.get(14)),
        "chance_workdays": [_round(chance) for chance in one.chance_workdays],
        "days": _days(one.empty),
        "threshold": one.threshold,
        "low_p10": low.p10 if low else None,
        "low_p50": low.p50 if low else None,
        "low_p90": low.p90 if low else None,
        "level": _round(one.level),
        "level_p10": _round(one.level_low),
        "level_p90": _round(one.level_high),
        "impressions_left": [round(pages) for pages in one.pages_left] if one.pages_left else None,
        "rests_on": list(one.basis),
    }


def lasting(one: Lasting) -> Data:
    """How long the supplies of one kind and model last (items of ``kinds`` of ``lowmark lives --json``)."""
    return {
        "model": one.model,
        "kind": one.kind,
        "colorant": one.colorant,
        "lives": one.lives,
        "ran_dry": one.dry,
        "half_reach": one.half,
        "nine_in_ten_reach": one.tenth,
    }


def _dates(one: Dates | None) -> Data | None:
    return None if one is None else {"p10": one.p10, "p50": one.p50, "p90": one.p90}


def upkeep(whose: Printer, one: PrinterUpkeep) -> Data:
    """The work that falls due at one printer (items of ``lowmark upkeep --json``, without the cautions)."""
    name = who(whose)
    return {
        "as_of": one.as_of,
        "items": [{**name, **item(work)} for work in one.items],
        "disagreements": [{**name, **disagreement(odd)} for odd in one.disagreements],
        "notes": list(one.notes),
    }


def disagreement(one: Disagreement) -> Data:
    """Where the printer and the ledger do not agree (``lowmark upkeep --json``)."""
    names = ("kind", "plan", "supply", "at", "shows", "should", "count", "text")
    return {name: getattr(one, name) for name in names}


def item(one: UpkeepItem) -> Data:
    """One work (an item of ``lowmark upkeep --json``)."""
    begin = one.begin
    return {
        "plan": one.plan,
        "what": one.what,
        "planned": one.planned,
        "state": one.state,
        "begin": {"at": begin.at, "count": begin.count, "who": begin.who, "assumed": begin.assumed},
        "count": one.count,
        "due_count": one.due_count,
        "left": one.left,
        "due_day": one.due_day,
        "overdue_days": one.overdue_days,
        "expected": _dates(one.expected),
        "reason": one.reason,
        "because": list(one.because),
        "reported": list(one.reported),
        "followed": one.followed,
        "supplies": list(one.supplies),
        "needs": list(one.needs),
        "minutes": one.minutes,
    }


def _round(value: float | None, digits: int = 4) -> float | None:
    return None if value is None else round(float(value), digits)


def _days(spread: Spread | None) -> dict[str, float] | None:
    """The quantiles in days after ``as_of``, with their fractions."""
    if spread is None:
        return None
    chances = (0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95)
    return {f"p{round(chance * 100)}": round(spread.quantile(chance), 2) for chance in chances}
