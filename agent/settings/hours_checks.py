"""What calendars, maintenance windows, working hours and letters must be to the rest of the file."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from fnmatch import fnmatchcase

from agent.settings.document import Node
from agent.settings.tree import Problem, entries_of, named_once, unknown, word_of, words_of, wrong_at, wrong_key

WAIT = "wait"


def check_hours(root: Node) -> list[Problem]:
    """Everything in which they do not fit together."""
    return [*_calendars(root), *_windows(root), *_letters(root)]


def _keys(root: Node, section: str) -> set[str]:
    return set(root.value[section].keys) if section in root.value else set()


def _names(root: Node, section: str) -> set[str]:
    return {word for _, entry in entries_of(root, section) if (word := word_of(entry.get("name")))}


def _calendars(root: Node) -> Iterator[Problem]:
    """Sites and channels name calendars that there are; a channel names another channel for the time out of hours."""
    known, channels = _keys(root, "calendars"), _names(root, "channels")
    for path, entry in entries_of(root, "sites"):
        if (word := word_of(entry.get("calendar"))) and word not in known:
            yield unknown(entry.value["calendar"], f"{path}.calendar", word, known, "calendars")
    for path, entry in entries_of(root, "channels"):
        working = entry.get("working")
        if working is None:
            continue
        if (word := word_of(working.get("calendar"))) and word not in known:
            yield unknown(working.value["calendar"], f"{path}.working.calendar", word, known, "calendars")
        word = word_of(working.get("otherwise"))
        if word is not None and word != WAIT and word not in channels:
            node = working.value["otherwise"]
            yield unknown(node, f"{path}.working.otherwise", word, {*channels, WAIT}, "channels")
        if word is not None and word == word_of(entry.get("name")):
            node = working.value["otherwise"]
            yield wrong_at(node, f"{path}.working.otherwise", "the channel itself", "another channel, or wait")


def _windows(root: Node) -> Iterator[Problem]:
    yield from named_once(root, "maintenance")
    sites, rules = _keys(root, "sites"), _names(root, "alarms")
    for path, entry in entries_of(root, "maintenance"):
        if not {"weekly", "from", "to"} & entry.keys.keys():
            expected = "the key weekly (hours of the week), or from and to"
            yield wrong_at(entry, path, "no time at all", expected)
        elif "weekly" not in entry.keys:
            for key, other in (("from", "to"), ("to", "from")):
                if key in entry.keys and other not in entry.keys:
                    yield wrong_key(entry, path, key, f"no {other}", f"the key {other}: a window has two ends")
        begin, end = _moment(entry.get("from")), _moment(entry.get("to"))
        if begin is not None and end is not None:
            same = (begin.tzinfo is None) is (end.tzinfo is None)
            if not same or end <= begin:
                expected = "a later moment than from" if same else "an offset in both of from and to, or in neither"
                yield wrong_at(entry.value["to"], f"{path}.to", str(word_of(entry.get("to"))), expected)
        yield from _chosen(path, entry, "sites", sites)
        if "alarms" in root.value:
            yield from _chosen(path, entry, "rules", rules)


def _letters(root: Node) -> Iterator[Problem]:
    yield from named_once(root, "letters")
    mails = {
        word
        for _, entry in entries_of(root, "channels")
        if word_of(entry.get("kind")) == "mail" and (word := word_of(entry.get("name")))
    }
    for path, entry in entries_of(root, "letters"):
        if (word := word_of(entry.get("channel"))) and word not in mails:
            yield unknown(entry.value["channel"], f"{path}.channel", word, mails, "channels of kind mail")
        yield from _chosen(path, entry, "sites", _keys(root, "sites"))


def _chosen(path: str, entry: Node, key: str, known: set[str]) -> Iterator[Problem]:
    for at, node, word in words_of(entry.get(key)):
        if not any(word == one or fnmatchcase(one, word) for one in known):
            yield unknown(node, f"{path}.{key}[{at}]", word, known, key)


def _moment(node: Node | None) -> datetime | None:
    try:
        return datetime.fromisoformat(word_of(node) or "")
    except ValueError:
        return None
