"""``lowmark alarms rehearse``: which alarms changed rules would have made of the history. Changes nothing.

``lowmark.alarms.rehearsal.v1``: from, to, rules, printers, kept, new and missed [{key, rule, printer_id, printer,
severity, text, raised, returned, beside}].
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Any

import typer

from agent.cli.options import AsJson, SettingsFile, StoreUrl, moment
from agent.model.day_words import clock_words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from agent.alarms.replay import Comparison, Outcome
    from agent.model.fleet import Printer
    from agent.settings import Settings
    from agent.store import Store

_SHOWN = 50
Begin = Annotated[
    datetime, typer.Option("--from", parser=moment, metavar="MOMENT", help="From this moment on (ISO 8601, offset).")
]
End = Annotated[
    datetime | None, typer.Option("--to", parser=moment, metavar="MOMENT", help="Up to this moment; else now.")
]


def rehearse(
    begin: Begin, end: End = None, as_json: AsJson = False, settings: SettingsFile = None, store: StoreUrl = None
) -> None:
    """Replay the history through the rules of a settings file, and hold them against the alarms that came.

    \b
    Example:
      lowmark alarms rehearse --from 2026-02-01T00:00:00Z --settings changed.yaml --store sqlite:///lowmark.sqlite
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.show import emit, fail
    from agent.cli.wiring import load_settings, open_store

    until = end or datetime.now(UTC)
    if begin >= until:
        raise typer.BadParameter("it must lie before --to", param_hint="--from")
    loaded = load_settings(settings)
    if loaded is None:
        fail("Which rules? Name the settings file that holds them (--settings FILE or LOWMARK_SETTINGS).", 2)
    with open_store(store, settings) as opened:
        known = {printer.id: printer for printer in opened.printers(retired=True)}
        names = {number: printer.name for number, printer in known.items()}
        found = replayed(opened, loaded, begin, until)
    if as_json:
        rows = {"new": [_row(one, names) for one in found.new], "missed": [_row(one, names) for one in found.missed]}
        counts = {"rules": len(loaded.rules()), "printers": len(names), "kept": found.kept}
        emit("alarms.rehearsal", {"from": begin, "to": until, **counts, **rows})
    else:
        _print(found, loaded, begin, until, known)


def replayed(store: Store, settings: Settings, begin: datetime, end: datetime) -> Comparison:
    """The comparison, from what the store has. Raises StoreError."""
    from agent.alarms.past import Past
    from agent.alarms.replay import WARM_UP, compare, replay
    from agent.alarms.spells import LEDGER_KINDS, story

    rules, warm = settings.rules(), begin - WARM_UP
    pasts = [
        Past(store.history(one.id, warm, end), store.status_history(one.id, warm, end), settings.polling.status)
        for one in store.printers()
    ]
    made = replay(pasts, rules, warm, end, settings.windows())
    return compare(story(store.ledger(until=end, kinds=LEDGER_KINDS), end), made, rules, begin, end)


def _row(one: Outcome, names: Mapping[int, str]) -> dict[str, Any]:
    spell = one.spell
    return {
        "key": spell.key,
        "rule": spell.rule,
        "printer_id": spell.printer_id,
        "printer": names.get(spell.printer_id or 0),
        "severity": spell.severity,
        "text": spell.text,
        "raised": spell.heard,
        "returned": spell.returned,
        "beside": list(one.beside),
    }


def _print(found: Comparison, settings: Settings, begin: datetime, end: datetime, known: Mapping[int, Printer]) -> None:
    from agent.alarms.replay import NOT_REPLAYED
    from agent.cli.show import console, plain

    def say(text: str) -> None:
        console.print(plain(text), soft_wrap=True)

    now = datetime.now(UTC)
    span_said = f"{clock_words(begin, settings.zone, now)} to {clock_words(end, settings.zone, now)}"
    say(f"{span_said} through {len(settings.rules())} rules")
    say(f"{len(found.new)} would have come, {len(found.missed)} that came would not have, {found.kept} come either way")
    _table("Would have come", found.new, known, "instead of", settings.zone)
    _table("Came, and would not have", found.missed, known, "instead", settings.zone)
    left = sorted({rule.name for rule in settings.rules() if rule.when in NOT_REPLAYED})
    if left:
        say(f"not replayed, since the history does not hold what they are judged by: {', '.join(left)}")


def _table(title: str, some: Sequence[Outcome], known: Mapping[int, Printer], beside: str, zone: str) -> None:
    """``zone``: the agent's own, for what is about no printer."""
    from agent.alarms.wording import clean, span
    from agent.cli.show import console, plain, table

    rows, now = [], datetime.now(UTC)
    for one in some[:_SHOWN]:
        spell, at = one.spell, one.spell.heard or one.spell.raised
        printer = known.get(spell.printer_id or 0)
        lasted: timedelta | None = None if spell.returned is None else spell.returned - at
        rows.append(
            (
                clock_words(at, printer.place.zone if printer is not None else zone, now),
                clean(printer.name if printer is not None else ""),
                clean(spell.text),
                spell.rule,
                "stands" if lasted is None else span(max(lasted, timedelta(0))),
                f"{beside} {', '.join(one.beside)}" if one.beside else "",
            )
        )
    if rows:
        console.print(table(("At", "Printer", "What", "Rule", "For", ""), rows, title=title))
    if len(some) > _SHOWN:
        console.print(plain(f"... and {len(some) - _SHOWN} more; --json has all"))
