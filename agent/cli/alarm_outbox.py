"""``lowmark alarms outbox``: the messages that wait to be sent, and those that were given up."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import AsJson, SettingsFile, StoreUrl
from agent.model.day_words import clock_words

if TYPE_CHECKING:
    from agent.model.outbox import Letter

_SHOWN = 25


def outbox(
    retry: Annotated[
        int | None, typer.Option("--retry", metavar="ID", help="Send this dead letter again, from the beginning.")
    ] = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """The messages that wait to be sent, and those that were given up.

    \b
    Example:
      lowmark alarms outbox
      lowmark alarms outbox --retry 12
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.show import emit, fail
    from agent.cli.wiring import open_store

    now = datetime.now(UTC)
    with open_store(store, settings) as opened:
        if retry is not None:
            if not opened.revive(retry, now):
                fail(f"there is no dead letter {retry}; lowmark alarms outbox lists them", 2)
            _say(f"letter {retry} will be sent again")
            return
        waiting = opened.due(now + timedelta(days=3650), 1000)
        dead = opened.dead_letters()
        counts = dict(opened.outbox_counts())
    if as_json:
        rows = {"waiting": [_letter(one) for one in waiting], "dead": [_letter(one) for one in dead]}
        emit("outbox", {"at": now, "counts": counts, **rows})
        return
    _print_letters(waiting, dead, counts)


def _say(text: str) -> None:
    from agent.cli.show import console, plain

    console.print(plain(text), soft_wrap=True)


def _letter(letter: Letter) -> dict[str, object]:
    return {
        "id": letter.id,
        "state": letter.state,
        "channel": letter.channel,
        "created": letter.created,
        "next_try": letter.next_try,
        "tries": letter.tries,
        "last_error": letter.last_error,
        "text": _letter_text(letter),
        "dedupe_key": letter.dedupe_key,
    }


def _letter_text(letter: Letter) -> str:
    from agent.alarms.wording import clean

    try:
        message = letter.message
    except (ValueError, TypeError, KeyError):
        return "(cannot be read)"
    return clean(f"{message.kind}: {message.facts.get('printer') or 'Lowmark'}: {message.text}")


def _next_try(letter: Letter) -> str:
    """When it is tried again, by the clock of the site that the message is about."""
    try:
        named = str(letter.message.facts.get("zone") or "UTC")
    except (ValueError, TypeError, KeyError):
        named = "UTC"
    return clock_words(letter.next_try, named, datetime.now(UTC))


def _print_letters(waiting: Sequence[Letter], dead: Sequence[Letter], counts: dict[str, int]) -> None:
    from agent.alarms.wording import clean
    from agent.cli.show import console, table

    for title, letters in (("Waiting", waiting), ("Given up", dead)):
        if not letters:
            continue
        rows = [
            (
                one.id,
                clean(one.channel),
                _letter_text(one),
                one.tries,
                _next_try(one) if title == "Waiting" else "",
                clean(one.last_error),
            )
            for one in letters[:_SHOWN]
        ]
        console.print(
            table(("Id", "Channel", "Message", "Tries", "Next try", "Error"), rows, title=title, right=(0, 3))
        )
        if len(letters) > _SHOWN:
            _say(f"... and {len(letters) - _SHOWN} more")
    _say(", ".join(f"{state} {count}" for state, count in sorted(counts.items())) or "the outbox is empty")
