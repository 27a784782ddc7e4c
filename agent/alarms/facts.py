"""What a message about an alarm needs to say, as a flat mapping of JSON values.

    always        rule, when, subject, text, note, consequence, action, time_to_act (seconds)
    a printer     printer, printer_id, address, model, serial, place, site, building, floor, room, zone,
                  tags (a line each), counter, counter_unit (life count of the first marker), reading_at
    a supply      part, kind, colorant, description, unit, level (a number, or ``unknown``, ``some``, ``other``),
                  capacity (likewise), fraction, limit, receptacle
    an alert      alert_code, alert_severity, alert_group, alert_training, alert_description
    an error bit  alert_code, alert_severity
    a finding     finding, finding_at
    silence       silent_since
    a site        site, zone, place, silent, printers, silent_printers (some of their names), silent_since, limit
    a run-out     part, kind, colorant, description, fraction (best guess), receptacle, chance, within_days, limit,
                  dry_from, dry_by (dates; eight in ten runs out between them), basis, next_round (date),
                  spare (what the settings call it), on_shelf, shelf_place, on_order, order_expected (date)
    the agent     agent_part, store_error, buffered, dropped, dead_letters, sweep_seconds, sweep_interval, failing_since

Moments are ISO 8601 in UTC. What is not known is left out.
"""

from __future__ import annotations

from datetime import timedelta

from agent.alarms.conditions import BIT_SEVERITY, Condition
from agent.alarms.outlook import Prospect, Spare
from agent.alarms.sites import Silence
from agent.alarms.wording import called, clean
from agent.model.alarm import AgentHealth
from agent.model.fleet import Finding, Printer, PrinterView, Scalar
from agent.model.reading import Alert, Mark, Supply

Facts = dict[str, Scalar]


def facts(condition: Condition, health: AgentHealth | None = None) -> Facts:
    """The facts of ``condition``; ``health`` for those of the agent itself."""
    rule = condition.rule
    found: Facts = {"rule": rule.name, "when": rule.when, "subject": condition.subject, "text": condition.text}
    if rule.note:
        found["note"] = clean(rule.note, 1000)
    found["consequence"], found["action"] = clean(rule.consequence, 500), clean(rule.action, 500)
    found["time_to_act"] = None if rule.time_to_act is None else rule.time_to_act.total_seconds()
    if isinstance(condition.part, Silence):
        found |= _site(condition, condition.part)
    elif condition.view is None:
        found |= _agent(condition.subject, health or AgentHealth())
    else:
        found |= _printer(condition.view)
        found |= _part(condition, condition.view)
    return {name: value for name, value in found.items() if value is not None and value != ""}


def of_printer(printer: Printer) -> Facts:
    """Which printer it is and where it stands; what is not known is an empty text."""
    place = printer.place
    return {
        "printer": clean(printer.name) or printer.address,
        "printer_id": printer.id,
        "address": clean(printer.address),
        "model": clean(printer.model),
        "serial": clean(printer.serial),
        "place": clean(place),
        "site": clean(place.site),
        "building": clean(place.building),
        "floor": clean(place.floor),
        "room": clean(place.room),
        "zone": place.zone,
        "tags": "\n".join(clean(tag, 100) for tag in printer.tags),
    }


def _printer(view: PrinterView) -> Facts:
    found, reading = of_printer(view.printer), view.reading
    if reading is not None:
        found["reading_at"] = reading.at.isoformat()
        counts = {counter.name: counter for counter in reading.counters}
        if (counter := counts.get("life") or counts.get("total")) is not None:
            found["counter"], found["counter_unit"] = counter.value, clean(counter.unit, 40)
    return found


def _site(condition: Condition, silence: Silence) -> Facts:
    return {
        "site": clean(silence.site),
        "place": clean(silence.site),
        "zone": silence.zone,
        "silent": silence.silent,
        "printers": silence.printers,
        "silent_printers": ", ".join(clean(name, 60) for name in silence.examples),
        "silent_since": None if silence.since is None else silence.since.isoformat(),
        "limit": condition.limit,
    }


def _outlook(condition: Condition, prospect: Prospect) -> Facts:
    forecast, spare = prospect.forecast, prospect.spare or Spare("")
    dates = forecast.empty_dates
    return {
        "part": called(forecast.kind, forecast.colorant, forecast.description),
        "kind": clean(forecast.kind, 60),
        "colorant": clean(forecast.colorant or "", 40),
        "description": clean(forecast.description),
        "fraction": forecast.level,
        "receptacle": forecast.kind.startswith("waste"),
        "chance": condition.value,
        "within_days": None if condition.rule.before_round else round(condition.rule.ahead / timedelta(days=1), 2),
        "limit": condition.limit,
        "dry_from": dates.p10.isoformat() if dates else None,
        "dry_by": dates.p90.isoformat() if dates else None,
        "basis": clean("; ".join(forecast.basis), 500),
        "next_round": None if prospect.next_round is None else prospect.next_round.isoformat(),
        "spare": clean(spare.part, 200),
        "on_shelf": spare.on_shelf,
        "shelf_place": clean(spare.place, 100),
        "on_order": spare.on_order if spare.part else None,
        "order_expected": None if spare.expected is None else spare.expected.isoformat(),
    }


def _amount(amount: int | Mark) -> int | str:
    return amount.value if isinstance(amount, Mark) else amount


def _part(condition: Condition, view: PrinterView) -> Facts:
    about = condition.part
    match about:
        case Supply():
            return {
                "part": called(about.kind, about.colorant, about.description),
                "kind": clean(about.kind, 60),
                "colorant": clean(about.colorant or "", 40),
                "description": clean(about.description),
                "unit": clean(about.unit, 40),
                "level": _amount(about.level),
                "capacity": _amount(about.capacity),
                "fraction": 0.0 if about.level == 0 else about.fraction,
                "limit": condition.limit,
                "receptacle": about.is_receptacle,
            }
        case Alert():
            return {
                "alert_code": clean(about.code, 80),
                "alert_severity": clean(about.severity, 40),
                "alert_group": clean(about.group, 60),
                "alert_training": clean(about.training, 40),
                "alert_description": clean(about.description),
            }
        case Finding():
            return {"finding": clean(about.kind, 60), "finding_at": about.at.isoformat()}
    if isinstance(about, Prospect):
        return _outlook(condition, about)
    if about == "contact":
        return {"silent_since": None if view.reachable else view.since.isoformat()}
    return {"alert_code": str(about), "alert_severity": BIT_SEVERITY.get(str(about), "")}


def _agent(subject: str, health: AgentHealth) -> Facts:
    found: Facts = {"agent_part": subject}
    match subject:
        case "store":
            since = health.store_failing_since
            found |= {
                "store_error": clean(health.store_error),
                "failing_since": since.isoformat() if since else None,
            }
        case "buffer":
            found |= {"buffered": health.buffered, "buffer_limit": health.buffer_limit, "dropped": health.dropped}
        case "sweep":
            found |= {"sweep_seconds": round(health.sweep_seconds, 1), "sweep_interval": health.sweep_interval}
        case "deadLetters":
            found |= {"dead_letters": health.dead_letters, "waiting": health.waiting}
    return found
