"""``lowmark alarms --report``: how well the alarms serve the people who get them, as tables and as JSON.

``lowmark.alarms.report.v1``: since, at, people, window_seconds, heard, hidden, per_day, per_day_each, per_ten_minutes,
severities {word: count}, to_acknowledge (seconds), measures [{name, value, target, good, words}], frequent [{key,
count, share, text}], chattering [{key, count, at}], stale and shelved [{key, since, state, text}], rules [{rule, count,
share, acknowledged, lasted}], advice [{rule, key, value, why}].
"""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from agent.model.day_words import clock_words
from agent.model.wording import percent_words

if TYPE_CHECKING:
    from agent.alarms.performance import Measure, Performance

USUAL_LENGTH = timedelta(days=7)
SOURCE = (
    "The figures to compare with are those of EEMUA 191 and ISA-18.2, from memory; they are meant for control rooms."
)


def report(
    settings: Path | None,
    store: str | None,
    since: datetime | None,
    at: datetime | None,
    *,
    people: int | None,
    as_json: bool,
) -> None:
    """Print the report of the time from ``since`` (a week before) to ``at`` (now)."""
    from agent.alarms.performance import performance
    from agent.alarms.spells import LEDGER_KINDS, chatter_window
    from agent.cli.show import emit
    from agent.cli.wiring import load_settings, open_store

    until = at or datetime.now(UTC)
    begin = since or until - USUAL_LENGTH
    if begin >= until:
        raise typer.BadParameter("it must lie before --at", param_hint="--since")
    loaded = load_settings(settings)
    rules = loaded.rules() if loaded is not None else ()
    zone = loaded.zone if loaded is not None else "UTC"
    window = chatter_window(loaded.polling.status if loaded is not None else timedelta(0))
    with open_store(store, settings) as opened:
        entries = opened.ledger(until=until, kinds=LEDGER_KINDS)
        printers = opened.printers(retired=True)
    found = performance(entries, rules, begin, until, people=people, window=window, zone=zone)
    if as_json:
        emit("alarms.report", as_data(found, window))
    else:
        _print(found, {one.id: one.name for one in printers}, {one.id: one.place.zone for one in printers}, zone)


def as_data(found: Performance, window: timedelta) -> dict[str, Any]:
    """The report as plain JSON values."""
    data = asdict(found) | {"window_seconds": window.total_seconds()}
    for name in ("stale", "shelved"):
        data[name] = [{**one, "state": one["state"].value} for one in data[name]]
    return data


def _print(found: Performance, names: dict[int, str], zones: dict[int, str], zone: str) -> None:
    """``zones``: of the printers; ``zone``: the agent's own."""
    from agent.alarms.wording import clean, span
    from agent.cli.show import console, plain, table

    def say(text: str) -> None:
        console.print(plain(text), soft_wrap=True)

    def about(key: str) -> str:
        return key.split("|")[1] if key.count("|") >= 2 else ""

    def whose(key: str) -> str:
        part = about(key)
        if part.isdigit():
            return clean(names.get(int(part), f"printer {part}"))
        return "" if part == "site" else "Lowmark"

    def there(key: str, at: datetime) -> str:
        part = about(key)
        return clock_words(at, zones.get(int(part), zone) if part.isdigit() else zone, now)

    people = f"{found.people} people" if found.people > 1 else "one person"
    now = datetime.now(UTC)
    span_said = f"{clock_words(found.since, zone, now)} to {clock_words(found.at, zone, now)}"
    say(f"Alarms from {span_said}, shared by {people}")
    hidden = f", {found.hidden} more hidden behind another or set aside" if found.hidden else ""
    say(f"{found.heard} heard{hidden}; {found.per_day:.1f} a day, {found.per_day_each:.1f} a day and person")
    if found.to_acknowledge is not None:
        say(f"acknowledged after {span(timedelta(seconds=found.to_acknowledge))} (median)")
    rows = [(_mark(one), _NAMES.get(one.name, one.name), _value(one), one.target, one.words) for one in found.measures]
    console.print(table(("", "Measure", "Value", "Should be", ""), rows, right=(2,)))
    if found.frequent:
        often = [
            (one.count, percent_words(one.share), whose(one.key), clean(one.text), clean(one.key))
            for one in found.frequent
        ]
        console.print(
            table(("Times", "Share", "Printer", "What", "Key"), often, title="The most frequent", right=(0, 1))
        )
    if found.chattering:
        trembling = [(one.count, there(one.key, one.at), whose(one.key), clean(one.key)) for one in found.chattering]
        console.print(table(("Times", "At", "Printer", "Key"), trembling, title="Chattering", right=(0,)))
    for title, some in (("Standing for over 24 hours", found.stale), ("Shelved", found.shelved)):
        if some:
            lines = [(span(found.at - one.since), whose(one.key), clean(one.text, 300), clean(one.key)) for one in some]
            console.print(table(("For", "Printer", "What", "Key"), lines, title=title))
    if found.advice:
        console.print(
            table(
                ("Rule", "Try", "Why"),
                [(clean(one.rule), _try(one.key, one.value), one.why) for one in found.advice],
                title="What to change",
            )
        )
    say(SOURCE)


_NAMES = {
    "rate": "Alarms in 10 minutes a person",
    "flood": "The worst 10 minutes",
    "topTen": "The ten most frequent",
    "chattering": "Chattering",
    "stale": "Stale",
    "grave": "High or urgent",
}


def _mark(measure: Measure) -> str:
    return {True: "ok", False: "!!", None: "?"}[measure.good]


def _value(measure: Measure) -> str:
    if measure.name in ("topTen", "grave"):
        return percent_words(measure.value)
    return f"{measure.value:.2f}" if measure.name == "rate" else f"{measure.value:g}"


def _try(key: str, value: str) -> str:
    return f"{key}: {value}" if key and value else key
