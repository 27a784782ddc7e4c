"""What a file says that only things beside it can tell to be right: calendars of holidays, tables of oddities.

The agent does not start with any of it, so ``lowmark settings check`` says it before, in the same form as all else.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

from agent.mib.oddities import OddityErrors, parse
from agent.settings.document import Node, compose
from agent.settings.errors import SettingsError
from agent.settings.hours import HOLIDAY_CODE
from agent.settings.tree import Problem, each_of, entries_of, unknown, word_of, words_of, wrong_at
from agent.settings.units import did_you_mean


def beyond(path: str | os.PathLike[str]) -> tuple[SettingsError, ...]:
    """Everything of that kind that is wrong in the file at ``path``; nothing where it cannot be read at all."""
    where = Path(path)
    try:
        root, _ = compose(where.read_text("utf-8-sig"), str(path))
    except (OSError, UnicodeDecodeError):
        return ()
    if root is None or not isinstance(root.value, dict):
        return ()
    problems = [*_holidays(root), *_oddities(root, where.parent)]
    return tuple(SettingsError(str(path), p.line, p.column, p.key, p.found, p.expected, p.hint) for p in problems)


def _holidays(root: Node) -> Iterator[Problem]:
    named = [
        (entry.value["holidays"], f"{path}.holidays", code)
        for section in ("sites", "calendars")
        for path, entry in entries_of(root, section)
        # What has not the form of a code is wrong by itself, and said by whoever reads it.
        if (code := word_of(entry.get("holidays"))) and re.fullmatch(HOLIDAY_CODE, code)
    ]
    if not named:
        return
    import holidays  # only now: it takes a third of a second

    known = holidays.list_supported_countries()
    for node, key, code in named:
        country, _, part = code.partition("-")
        if country not in known:
            expected = "an ISO 3166 code whose public holidays are known, like GB or GB-ENG"
            yield wrong_at(node, key, f'"{code[:60]}"', expected, did_you_mean(country, known))
        elif part and part not in known[country]:
            codes = [country, *(f"{country}-{one}" for one in known[country])]
            yield wrong_at(node, key, f'"{code[:60]}"', f"one of {', '.join(codes)}", did_you_mean(code, codes))


def _oddities(root: Node, base: Path) -> Iterator[Problem]:
    known = {one.name for one in parse(files("agent.mib").joinpath("oddities.toml").read_text("utf-8"))}
    sure = True
    for at, node in each_of(root.get("oddity_tables")):
        if not (word := word_of(node)):
            continue
        try:
            known |= {one.name for one in parse((base / word).read_text("utf-8"))}
        except (OSError, UnicodeDecodeError, OddityErrors) as error:
            sure = False
            found = f"a file that cannot be read ({error.strerror})" if isinstance(error, OSError) else "no UTF-8 text"
            if isinstance(error, OddityErrors):
                found = f"a table that is not right ({'; '.join(error.errors)})"
            yield wrong_at(node, f"oddity_tables[{at}]", found, "a table of oddities (TOML), its path from this file")
    for path, entry in entries_of(root, "printers") if sure else ():
        for at, node, word in words_of(entry.get("oddities")):
            if word not in known:
                yield unknown(node, f"{path}.oddities[{at}]", word, known, "oddities")
