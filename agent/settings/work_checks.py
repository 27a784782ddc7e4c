"""What parts, shelf and upkeep plans must be to one another and to the rest of the file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from fnmatch import fnmatchcase

from agent.mib.alert_codes import ALERT_CODE
from agent.mib.enums import ERROR_BITS, SUPPLY_TYPE
from agent.settings.document import Node
from agent.settings.tree import Problem, entries_of, named_once, unknown, word_of, words_of, wrong_at, wrong_key

_TRIGGERS = ("impressions", "every", "after", "reports", "renews")
_WILD = re.compile(r"[*?\[]")


def check_work(root: Node) -> list[Problem]:
    """Everything in which parts, places and plans do not fit together."""
    return [*_parts(root), *_places(root), *_plans(root), *_rounds(root)]


def _names(root: Node, section: str) -> set[str]:
    return {word for _, entry in entries_of(root, section) if (word := word_of(entry.get("name")))}


def _kinds(path: str, entry: Node, key: str, also: Iterable[str] = ()) -> Iterator[Problem]:
    """Supplies are written ``kind`` or ``kind:colour``, and the kind is one of RFC 3805."""
    known = (*SUPPLY_TYPE.values(), *also)
    for at, node, word in words_of(entry.get(key)):
        kind = word.partition(":")[0].partition("#")[0]
        if word in known or kind in known or re.fullmatch(r"unlisted\([0-9]{1,10}\)", kind):
            continue
        if _WILD.search(word) and any(fnmatchcase(one, kind) for one in known):
            continue
        yield unknown(node, f"{path}.{key}[{at}]", kind, known, "kinds")


def _parts(root: Node) -> Iterator[Problem]:
    yield from named_once(root, "parts")
    for path, entry in entries_of(root, "parts"):
        yield from _kinds(path, entry, "supplies")


def _places(root: Node) -> Iterator[Problem]:
    shelf = root.get("shelf")
    if shelf is None:
        return
    sites = set(root.value["sites"].keys) if "sites" in root.value else set()
    yield from named_once(shelf, "places", "shelf.")
    for path, entry in entries_of(shelf, "places"):
        for at, node, word in words_of(entry.get("sites")):
            if not any(word == site or fnmatchcase(site, word) for site in sites):
                yield unknown(node, f"shelf.{path}.sites[{at}]", word, sites, "sites")


def _plans(root: Node) -> Iterator[Problem]:
    parts, plans = _names(root, "parts"), _names(root, "upkeep")
    yield from named_once(root, "upkeep")
    for path, entry in entries_of(root, "upkeep"):
        own = word_of(entry.get("name"))
        if not any(key in entry.keys for key in _TRIGGERS):
            expected = "one of impressions, every, after, reports, renews"
            yield wrong_at(entry, path, "nothing that says when it is due", expected)
        if "reset_sweeps" in entry.keys and "renews" not in entry.keys:
            yield wrong_key(entry, path, "reset_sweeps", "no renews", "the key renews: the supplies that are new")
        for at, node, word in words_of(entry.get("needs")):
            if word not in parts:
                yield unknown(node, f"{path}.needs[{at}]", word, parts, "parts")
        yield from _kinds(path, entry, "renews")
        yield from _kinds(path, entry, "after", plans)
        for at, node, word in words_of(entry.get("after")):
            if own is not None and word == own:
                yield wrong_at(node, f"{path}.after[{at}]", "the plan itself", "another plan, or a kind of supply")
        yield from _reports(path, entry)


def _reports(path: str, entry: Node) -> Iterator[Problem]:
    known = (*ERROR_BITS, *ALERT_CODE.values())
    for at, node, word in words_of(entry.get("reports")):
        if word not in known and not re.fullmatch(r"unlisted\([0-9]{1,10}\)", word):
            yield unknown(node, f"{path}.reports[{at}]", word, known, "codes")


def _rounds(root: Node) -> Iterator[Problem]:
    rounds = root.get("rounds")
    if rounds is None:
        return
    sites = set(root.value["sites"].keys) if "sites" in root.value else set()
    seen: set[str] = set()
    for path, entry in entries_of(rounds, "sites"):
        node = entry.get("site")
        word = word_of(node)
        if word is None or node is None:
            continue
        if word not in sites:
            yield unknown(node, f"rounds.{path}.site", word, sites, "sites")
        elif word in seen:
            yield wrong_at(node, f"rounds.{path}.site", f"{word} a second time", "each site once")
        seen.add(word)
    for path, entry in entries_of(rounds, "work"):
        yield from _kinds(f"rounds.{path}", entry, "kinds")
