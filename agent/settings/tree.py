"""Walking the tree of the file to find what is wrong in it, and saying so with its place."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from pydantic_core import PydanticCustomError

from agent.settings.document import Node
from agent.settings.units import did_you_mean, nearest

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Problem:
    """A SettingsError that does not know its file yet."""

    line: int
    column: int
    key: str
    found: str
    expected: str
    hint: str = ""


def wrong_at(node: Node, key: str, found: str, expected: str, hint: str = "") -> Problem:
    """A problem with the value at ``node``, which stands at the path ``key``."""
    return Problem(node.line, node.column, key, found, expected, hint)


def wrong_key(parent: Node, path: str, key: str, found: str, expected: str, hint: str = "") -> Problem:
    """A problem with ``key`` of the mapping ``parent``, which stands at ``path``."""
    line, column = parent.keys[key]
    return Problem(line, column, f"{path}.{key}", found, expected, hint)


def value_of(node: Node | None, reader: Callable[[object], T]) -> T | None:
    """The value of ``node``, or None where there is none or it is wrong (which is said elsewhere)."""
    if node is None:
        return None
    try:
        return reader(node.value)
    except PydanticCustomError:
        return None


def word_of(node: Node | None) -> str | None:
    """The text of a scalar as it was written, None for anything else."""
    if node is None or isinstance(node.value, bool | dict | list | None):
        return None
    return str(getattr(node.value, "written", node.value)).strip()


def each_of(node: Node | None) -> Iterator[tuple[int, Node]]:
    """The entries of a list, or the one that stands in its place."""
    if node is not None:
        yield from ((0, node),) if word_of(node) is not None else node.items()


def words_of(node: Node | None) -> Iterator[tuple[int, Node, str]]:
    """The entries of a list that are words: index, node and text."""
    for at, entry in each_of(node):
        word = word_of(entry)
        if word is not None:
            yield at, entry, word


def entries_of(root: Node, section: str) -> Iterator[tuple[str, Node]]:
    """The mappings of a list or of a mapping, with their path."""
    node = root.get(section)
    if node is None:
        return
    if isinstance(node.value, dict):
        for name, entry in node.value.items():
            if isinstance(entry.value, dict):
                yield f"{section}.{name}", entry
    for at, entry in node.items():
        if isinstance(entry.value, dict):
            yield f"{section}[{at}]", entry


def unknown(node: Node, key: str, word: str, known: Iterable[str], what: str, *, secretive: bool = False) -> Problem:
    """A word that is none of the ``known`` ones; ``secretive``: it may be a secret in the wrong place."""
    names = sorted(known)
    listed = ", ".join(names[:24]) + (" ..." if len(names) > 24 else "")
    # Who writes a community where its name belongs must not see it in a log; a slip in a known name may be shown.
    shown = f'"{word[:60]}"' if word.isprintable() and (not secretive or nearest(word, names)) else "text (not shown)"
    expected = (
        f"one of the {what} of RFC 3805"
        if what in ("kinds", "codes") and len(names) > 24
        else f"one of the {what}: {listed}"
        if names
        else f"one of the {what}; there are no {what} yet"
    )
    return wrong_at(node, key, shown, expected, did_you_mean(word, names))


def named_once(root: Node, section: str, within: str = "") -> Iterator[Problem]:
    """No two entries of a section have one name. ``within``: what stands before its name in a path."""
    seen: dict[str, int] = {}
    for path, entry in entries_of(root, section):
        name = word_of(entry.get("name"))
        if name is None:
            continue
        node = entry.value["name"]
        if name in seen:
            expected = f"a name of its own (first: line {seen[name]})"
            yield wrong_at(node, f"{within}{path}.name", "the same name again", expected)
        seen.setdefault(name, node.line)
