"""What is written to people: the subject and the plain text of a message. Pure.

Every string may have come from a printer, so each is made one clean line before it is used (no control characters, no
bidi overrides, bounded): nothing in it can begin a new header or a new line of the body.
"""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from agent.alarms.wording import clean, percent, spaced, span
from agent.model.alarm import Message, rank
from agent.model.alert_words import FINISHERS, meaning
from agent.model.cautions import for_alert, for_supply
from agent.model.day_words import clock_words, day_words
from agent.model.reading import Alert
from agent.model.zones import zone_of as named_zone

SUBJECT_LIMIT = 180
WIDTH = 76
_LABEL = 13
_LEADS = {
    "raised": "",
    "repeat": "Still: ",
    "changed": "Graver now: ",
    "escalated": "Nobody has acknowledged: ",
    "returned": "Back to normal: ",
}


@dataclass(frozen=True, slots=True)
class Text:
    """``subject``: one line. ``body``: plain text, its lines end in a line feed and are wrapped at 76 columns."""

    subject: str
    body: str


def compose(messages: Sequence[Message], link: Callable[[Message], str] = lambda _: "") -> Text:
    """The text for one or several messages; raises ValueError for none. The gravest come first, ends come last.

    ``link``: the address at which the alarm of a message is acknowledged; "" for none.
    """
    if not messages:
        raise ValueError("there is nothing to tell")
    ordered = sorted(messages, key=lambda message: (message.kind == "returned", -rank(message.severity), message.key))
    if len(ordered) == 1:
        return Text(_subject(ordered[0]), _body(ordered[0], link))
    index = [f"  {at}. {_line(message)}" for at, message in enumerate(ordered, 1)]
    rule = "\n" + "-" * WIDTH + "\n\n"
    parts = [f"{at}. {_body(message, link, brief=True)}" for at, message in enumerate(ordered, 1)]
    care = _care(_cautions(ordered))
    body = (
        "\n".join([f"{len(ordered)} messages:", "", *index, ""])
        + rule
        + rule.join(parts)
        + (rule + care if care else "")
    )
    return Text(_joint_subject(ordered), body)


def _text(message: Message, name: str, limit: int = 200) -> str:
    value = message.facts.get(name)
    return "" if value is None or isinstance(value, bool) else clean(value, limit)


def _number(message: Message, name: str) -> float | None:
    value = message.facts.get(name)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _who(message: Message) -> str:
    if "silent" in message.facts:
        return f"Site {_text(message, 'site', 80)}" if message.facts.get("site") else "Printers"
    return _text(message, "printer", 80) or ("Lowmark itself" if "agent_part" in message.facts else "a printer")


def _line(message: Message) -> str:
    return f"[{clean(message.severity, 10)}] {_what(message)}"


def _what(message: Message) -> str:
    lead = _LEADS.get(message.kind, "")
    return f"{lead}{_who(message)}: {clean(message.text)}"


def _subject(message: Message) -> str:
    place = _text(message, "place", 60)
    where = f" ({place})" if place else ""
    return clean(f"{_line(message)}{where}", SUBJECT_LIMIT)


def _joint_subject(messages: Sequence[Message]) -> str:
    news = [message for message in messages if message.kind != "returned"]
    ended = len(messages) - len(news)
    sites = {_text(message, "site", 60) for message in messages} - {""}
    where = f" at {sites.pop()}" if len(sites) == 1 else f" at {len(sites)} sites" if sites else ""
    counts = [f"{len(news)} alarm{'s' if len(news) > 1 else ''}"] if news else []
    if ended:
        counts.append(f"{ended} back to normal")
    gravest = max((message.severity for message in news or messages), key=rank)
    return clean(f"[{clean(gravest, 10)}] {', '.join(counts)}{where}: {_what(messages[0])}", SUBJECT_LIMIT)


def zone_of(message: Message) -> str:
    """The site's time zone."""
    return str(message.facts.get("zone") or "UTC")


def moment(at: str, zone: str, now: datetime) -> str:
    """``Mon 2 Mar 09:00 CET``, with the year where it is not that of ``now``; empty when it is no moment."""
    try:
        return clock_words(datetime.fromisoformat(at), zone, now)
    except ValueError:
        return ""


def _body(message: Message, link: Callable[[Message], str], *, brief: bool = False) -> str:
    """``brief``: one of several; the cautions then stand once, at the end."""
    rows = [row for row in (*_where_rows(message), *_what_rows(message), *_when_rows(message)) if row[1]]
    lines = [_what(message), "", *(_row(name, value) for name, value in rows)]
    if message.kind != "returned" and not brief and (care := _care(_cautions([message]))):
        lines += ["", care.rstrip("\n")]
    lines += ["", *_footer(message, link(message))]
    return "\n".join(lines) + "\n"


def _row(name: str, value: str) -> str:
    return textwrap.fill(
        value,
        WIDTH,
        initial_indent=f"{name:<{_LABEL}}",
        subsequent_indent=" " * _LABEL,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _where_rows(message: Message) -> list[tuple[str, str]]:
    model, serial = _text(message, "model"), _text(message, "serial", 60)
    described = ", ".join(part for part in (model, f"serial {serial}" if serial else "") if part)
    printer = _text(message, "printer")
    return [
        ("Printer", f"{printer} ({described})" if printer and described else printer),
        ("Where", _text(message, "place")),
        ("Address", _text(message, "address")),
    ]


def _what_rows(message: Message) -> list[tuple[str, str]]:
    facts = message.facts
    counter = _number(message, "counter")
    rows: list[tuple[str, str]] = []
    if "chance" in facts:
        rows += _outlook_rows(message)
    elif "kind" in facts:
        rows += _supply_rows(message)
    if "silent" in facts:
        rows += [
            ("Silent", f"{_text(message, 'silent')} of {_text(message, 'printers')} printers"),
            ("Among them", _text(message, "silent_printers", 400)),
        ]
    if "alert_code" in facts:
        code = spaced(_text(message, "alert_code", 80))
        rows += [
            ("Alert", code),
            ("Printer says", _text(message, "alert_description")),
            *_meaning_rows(message),
            ("Needs", _training(_text(message, "alert_training", 40))),
        ]
    if "agent_part" in facts:
        rows += [
            ("Error", _text(message, "store_error", 300)),
            ("Waiting", _text(message, "buffered") or _text(message, "waiting")),
            ("Lost", _text(message, "dropped")),
            ("What to do", _AGENT_ADVICE.get(_text(message, "agent_part"), "")),
        ]
    if counter is not None:
        rows.append(("Counter", f"{int(counter):,} {_text(message, 'counter_unit', 40)}".rstrip()))
    return [*rows, *_purpose_rows(message)]


def _meaning_rows(message: Message) -> list[tuple[str, str]]:
    """What the alert means and what to look at first; nothing for an error bit, which says it by its name."""
    group = _text(message, "alert_group", 60)
    if not group or message.kind == "returned":
        return []
    number = FINISHERS if group.startswith("fin") else 0
    code = _text(message, "alert_code", 80)
    told = meaning(Alert(0, "", "", group, -1, -2, code, number, "", None))
    return [("Means", told.means), ("Look first", told.first)]


def _purpose_rows(message: Message) -> list[tuple[str, str]]:
    """Why the alarm is one: what happens if nobody acts, what to do, and how long there is for it."""
    if message.kind == "returned":
        return []
    seconds = _number(message, "time_to_act")
    return [
        ("What to do", _text(message, "action", 500)),
        ("Time to act", span(timedelta(seconds=seconds)) if seconds else ""),
        ("Otherwise", _text(message, "consequence", 500)),
    ]


def _outlook_rows(message: Message) -> list[tuple[str, str]]:
    chance, days = _number(message, "chance"), _number(message, "within_days")
    level = _number(message, "fraction")
    dates = [_day(message, name) for name in ("dry_from", "dry_by")]
    ahead = f"within {span(timedelta(days=days))}" if days else "before the next round"
    return [
        ("Part", _text(message, "part", 100)),
        ("Left", f"about {percent(min(1.0, max(0.0, level)))}" if level is not None else ""),
        ("Chance", f"{percent(chance)} {ahead}" if chance is not None else ""),
        ("Runs out", f"between {dates[0]} and {dates[1]} (8 chances in 10)" if all(dates) else ""),
        ("Next round", _day(message, "next_round")),
        ("Shelf", _shelf(message)),
        ("Rests on", _text(message, "basis", 500)),
        ("Bring", bring(message) if message.kind != "returned" else ""),
    ]


def _day(message: Message, fact: str) -> str:
    """A day among the facts, ``Thu 5 Mar``, with the year where it is not that of the message; empty for none."""
    try:
        day = date.fromisoformat(_text(message, fact, 20)[:10])
    except ValueError:
        return ""
    return day_words(day, message.at.astimezone(named_zone(zone_of(message))))


def _shelf(message: Message) -> str:
    """What lies on the shelf, and what is ordered; empty where no part of the settings fits."""
    name, count, ordered = _text(message, "spare", 200), _number(message, "on_shelf"), _number(message, "on_order")
    if not name:
        return ""
    place = _text(message, "shelf_place", 100)
    lies = "nobody has counted" if count is None else f"{int(count)}" if count else "none"
    here = f"{name}: {lies}" + (f" ({place})" if place and count else "")
    if not ordered:
        return here + ("; none ordered" if count == 0 else "")
    expected = _day(message, "order_expected")
    return f"{here}; {int(ordered)} ordered" + (f", expected {expected}" if expected else "")


_AGENT_ADVICE = {
    "store": "Look for a full disk, a locked or unreachable database. Polling goes on; readings wait in memory.",
    "buffer": "Readings wait in memory until the store can be written again. Mend the store before the buffer is full.",
    "sweep": "Ask less often, raise the number of printers asked at once, or look for printers that answer slowly.",
    "deadLetters": "See them with: lowmark alarms outbox. Mend the channel, then send them again with --retry.",
}


def _training(level: str) -> str:
    return {
        "untrained": "anybody",
        "trained": "somebody trained",
        "fieldService": "field service",
        "management": "management",
        "noInterventionRequired": "nobody",
    }.get(level, "")


def left(message: Message) -> str:
    """How much is left, in percent and in the printer's unit; ``unknown`` where the printer does not say."""
    fraction, level, capacity = _number(message, "fraction"), _number(message, "level"), _number(message, "capacity")
    unit = _text(message, "unit", 40)
    shown = percent(min(1.0, max(0.0, fraction))) if fraction is not None else ""
    if level is not None and unit not in ("percent", ""):
        amount = f"{int(level):,}" + (f" of {int(capacity):,}" if capacity is not None else "") + f" {spaced(unit)}"
        return f"{shown} ({amount})" if shown else amount
    return shown or {"some": "some, the printer does not say how much"}.get(_text(message, "level", 20), "unknown")


def bring(message: Message) -> str:
    """What to take along: the part, and how the printer calls it."""
    part, described = _text(message, "part", 100) or "part", _text(message, "description")
    article = "an empty" if message.facts.get("receptacle") is True else "a new"
    if part == "staples":
        article = "new"
    return f"{article} {part}" + (f", as the printer calls it: {described}" if described else "")


def _supply_rows(message: Message) -> list[tuple[str, str]]:
    receptacle = message.facts.get("receptacle") is True
    limit = _number(message, "limit")
    return [
        ("Part", _text(message, "part", 100)),
        ("Space left" if receptacle else "Left", left(message)),
        ("Limit", f"below {percent(limit)}" if limit else ""),
        ("Bring", bring(message) if message.kind != "returned" else ""),
    ]


def _when_rows(message: Message) -> list[tuple[str, str]]:
    zone, now = zone_of(message), message.at
    since = message.facts.get("silent_since") or message.facts.get("raised_at")
    rows = [("Since", moment(str(since), zone, now) if since else "")]
    if message.kind == "returned":
        rows.append(("Until", moment(str(message.facts.get("returned_at") or ""), zone, now)))
    else:
        rows.append(("Read", moment(str(message.facts.get("reading_at") or ""), zone, now)))
    return [*rows, ("Told because", _reason(message)), ("Note", _text(message, "note", 1000))]


def _reason(message: Message) -> str:
    head, colon, rest = message.reason.partition(": ")
    return clean(_REASONS.get(head, head) + colon + rest)


_REASONS = {
    "first": "it is new",
    "changed": "it became graver",
    "returned": "it is over",
}


def _cautions(messages: Sequence[Message]) -> list[str]:
    found: dict[str, None] = {}
    for message in messages:
        if message.kind == "returned":
            continue
        if "kind" in message.facts:
            found |= dict.fromkeys(for_supply(_text(message, "kind", 60)))
        elif "alert_code" in message.facts:
            found |= dict.fromkeys(for_alert(_text(message, "alert_code", 80)))
    manual = [line for line in found if line.startswith("The maker's")]
    return [line for line in found if line not in manual] + manual


def _care(lines: Sequence[str]) -> str:
    if not lines:
        return ""
    wrapped = [textwrap.fill(line, WIDTH, initial_indent="  - ", subsequent_indent="    ") for line in lines]
    return "\n".join(["Take care", *wrapped]) + "\n"


def _footer(message: Message, link: str) -> list[str]:
    key = clean(message.key, 300)
    if message.kind == "returned":
        return [f"Alarm {key}"]
    if link:
        # On a line of its own, which mail programs make one to click.
        return [f"Alarm {key}", "Acknowledge:", link]
    return [f"Alarm {key}", f"Acknowledge: lowmark alarms ack {shlex.quote(key)} --by NAME"]
