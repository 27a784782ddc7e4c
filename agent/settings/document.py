"""YAML text -> a tree that knows the line and column of everything in it.

The tree is built from the parser's events, one by one, so that size, depth and number of nodes stay bounded whatever
the file holds, and so that a duplicate key or a tag is seen before it is lost. Plain scalars follow the YAML 1.2 core
schema (section 10.3.2): only ``true`` and ``false`` are truth values, so that ``no`` is a country and ``on`` a word.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from agent.settings.errors import SettingsError

LARGEST = 8 * 1024 * 1024
"""Octets in a settings file: room for tens of thousands of printers."""
MOST_NODES = 500_000
DEEPEST = 16

_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_TRUTH = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}
_NULL = {"", "~", "null", "Null", "NULL"}
_INT = re.compile(r"[-+]?[0-9]{1,18}|0x[0-9a-fA-F]{1,15}")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]{1,3})?")


class WholeNumber(int):
    """An integer that remembers how it was written, for where text is wanted (``room: 007``)."""

    written: str


class Fractional(float):
    """A floating point number that remembers how it was written."""

    written: str


@dataclass(slots=True)
class Node:
    """One value of the file.

    ``line`` and ``column`` count from 1. ``value`` is plain: None, bool, int, float, str, a list of nodes, or a dict of
    nodes by key; ``keys`` holds the place of each key of a dict. ``height``: how many levels stand below.
    """

    line: int
    column: int
    value: Any
    keys: dict[str, tuple[int, int]] = field(default_factory=dict)
    height: int = 0

    def get(self, key: str) -> Node | None:
        """The node under ``key`` of a mapping, if this is one."""
        return self.value.get(key) if isinstance(self.value, dict) else None

    def items(self) -> Iterator[tuple[int, Node]]:
        """The entries of a list with their index, if this is one."""
        return iter(enumerate(self.value)) if isinstance(self.value, list) else iter(())

    def plain(self) -> Any:
        """The value without places: dicts, tuples and scalars."""
        if isinstance(self.value, dict):
            return {key: node.plain() for key, node in self.value.items()}
        if isinstance(self.value, list):
            return tuple(node.plain() for node in self.value)
        return self.value


class _Stop(Exception):
    """The file cannot be read any further."""

    def __init__(self, line: int | None, column: int | None, found: str, expected: str, hint: str = "") -> None:
        super().__init__(found)
        self.line, self.column, self.found, self.expected, self.hint = line, column, found, expected, hint


def compose(text: str, name: str) -> tuple[Node | None, list[SettingsError]]:
    """The tree of the one document in ``text`` (None where there is none, or none that can be read), and what is wrong.

    ``name`` is the file's, for the errors.
    """
    builder = _Builder(name)
    try:
        return builder.build(text), builder.errors
    except _Stop as stop:
        builder.errors.append(
            SettingsError(name, stop.line, stop.column, "", stop.found, stop.expected, stop.hint),
        )
    except yaml.MarkedYAMLError as problem:
        builder.errors.append(_syntax_error(problem, text, name))
    except yaml.YAMLError as problem:
        at = getattr(problem, "position", None)
        before = text[:at] if isinstance(at, int) else ""
        line, column = before.count("\n") + 1, len(before) - before.rfind("\n")
        hint = "take the control character out" if at is not None else ""
        builder.errors.append(
            SettingsError(name, line, column, "", "a character that YAML does not allow", "YAML", hint)
        )
    return None, builder.errors


_SAID = (
    (r"expected ',' or '([\]}])'", r"no comma, and no \1 that ends it", r"a comma or \1", ""),
    ("expected key", "a line that does not go with those above it", "a line like key: value, indented as they are", ""),
    ("expected '-' indicator", "a line that is no entry of the list above it", "- and the entry", ""),
    ("could not find expected ':'", "words without a colon", "key: value", ""),
    ("unexpected end of stream", "the end of the file inside quotes", "the quote that ends the text", ""),
    ("expected <document start>", "a line that belongs to nothing above it", "a line like key: value", ""),
    ("block sequence entries are not allowed", "an entry of a list behind a key", "- on a line of its own", ""),
    (
        "cannot start any token",
        "a sign that begins no text",
        "a value",
        "text that begins with it has to stand in quotes",
    ),
    (
        "unknown escape",
        "a backslash that means nothing",
        "text",
        "put the text in single quotes, or double the backslash",
    ),
)
"""What the parser says of a mistake (a pattern), what is found, what is expected, and a hint of its own or none."""


def _syntax_error(problem: yaml.MarkedYAMLError, text: str, name: str) -> SettingsError:
    mark = problem.problem_mark or problem.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    # What stands in quotes in the parser's words comes from the file, and could be a secret: "undefined alias 'x'".
    words = re.sub(r"'[^']{2,}'|\"[^\"]{2,}\"", "...", problem.problem or "something that is no YAML")
    lines = text.splitlines()
    there = lines[line - 1] if line <= len(lines) else ""
    indent = there[: len(there) - len(there.lstrip())]
    if "\t" in indent or there[column - 1 : column] == "\t":
        found, hint = "a tab", "indent with spaces; YAML allows no tabs there"
    elif re.search(r"\[[0-9A-Fa-f:.]*:[0-9A-Fa-f:.]*\]", there):
        found, hint = words.removeprefix("found "), 'an IPv6 address has to stand in quotes, like "[2001:db8::1]:161"'
    elif "alias" in words:
        found, hint = words.removeprefix("found "), "text that begins with * or & has to stand in quotes"
    elif "mapping values" in words:
        found, hint = (
            "a second colon",
            "text with a colon and a space has to stand in quotes; else check the indentation",
        )
    else:
        found, expected, hint = _told(problem.problem or "", words)
        return SettingsError(name, line, column, "", found, expected, hint)
    return SettingsError(name, line, column, "", found, "YAML", hint)


def _told(said: str, words: str) -> tuple[str, str, str]:
    usual = "check the indentation, quotes and brackets here and just above"
    for pattern, found, expected, hint in _SAID:
        if match := re.search(pattern, said):
            return match.expand(found), match.expand(expected), hint or usual
    return words.removeprefix("found "), "YAML", usual


class _Builder:
    def __init__(self, name: str) -> None:
        self.name = name
        self.errors: list[SettingsError] = []
        self.count = 0
        self.anchors: dict[str, tuple[Node, int]] = {}

    def build(self, text: str) -> Node | None:
        """The first document's root; a second document is an error."""
        root: Node | None = None
        documents = 0
        if len(text) > LARGEST:
            raise _Stop(None, None, f"{len(text):,} characters", f"at most {LARGEST:,}", "is it the right file?")
        events = yaml.parse(text, Loader=_LOADER)
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    raise _Stop(*_place(event), "a second document", "one document", "take the line with --- out")
            elif isinstance(event, yaml.NodeEvent):
                root = self._node(event, events, "", 0)
        return root

    def _node(self, event: Any, events: Iterator[Any], path: str, depth: int) -> Node:
        line, column = _place(event)
        self.count += 1
        if self.count > MOST_NODES:
            raise _Stop(line, column, f"more than {MOST_NODES:,} values", "fewer", "use ranges, or check the aliases")
        if depth > DEEPEST:
            raise _Stop(line, column, f"more than {DEEPEST} levels of nesting", "fewer", "check the brackets")
        if isinstance(event, yaml.AliasEvent):
            return self._alias(event, line, column, depth)
        if event.tag is not None and not (isinstance(event, yaml.ScalarEvent) and event.tag == "!"):
            self._error(line, column, path, "a YAML tag", "a plain value", "take the word that begins with ! out")
        before = self.count
        if isinstance(event, yaml.ScalarEvent):
            node = Node(line, column, _scalar(event))
        elif isinstance(event, yaml.SequenceStartEvent):
            node = Node(line, column, self._sequence(events, path, depth))
            node.height = 1 + max((child.height for child in node.value), default=0)
        else:
            node = Node(line, column, {})
            self._mapping(node, events, path, depth)
            node.height = 1 + max((child.height for child in node.value.values()), default=0)
        if event.anchor:
            self.anchors[event.anchor] = node, self.count - before + 1
        return node

    def _alias(self, event: Any, line: int, column: int, depth: int) -> Node:
        if event.anchor not in self.anchors:
            hint = "text that begins with * has to stand in quotes"
            raise _Stop(line, column, "an alias of nothing that is complete above it", "a value", hint)
        node, size = self.anchors[event.anchor]
        self.count += size  # what an alias stands for is counted as if it were written out
        if self.count > MOST_NODES:
            raise _Stop(line, column, f"aliases that stand for more than {MOST_NODES:,} values", "fewer")
        if depth + node.height > DEEPEST:
            raise _Stop(line, column, f"aliases that nest more than {DEEPEST} levels deep", "fewer")
        return Node(line, column, node.value, node.keys, node.height)

    def _sequence(self, events: Iterator[Any], path: str, depth: int) -> list[Node]:
        found: list[Node] = []
        for event in events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            found.append(self._node(event, events, f"{path}[{len(found)}]", depth + 1))
        return found

    def _mapping(self, node: Node, events: Iterator[Any], path: str, depth: int) -> None:
        for event in events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            line, column = _place(event)
            key = event.value if isinstance(event, yaml.ScalarEvent) else None
            if key is None:
                self._node(event, events, path, depth + 1)
                self._error(line, column, path, "a key that is no plain word", "a plain word", "check the brackets")
            here = f"{path}.{key}" if path else str(key)
            value = self._node(next(events), events, here, depth + 1)
            if key is None:
                continue
            if key in node.keys:
                first = node.keys[key][0]
                self._error(
                    line, column, here, "the same key again", f"it once (first on line {first})", "join the two"
                )
                continue
            node.keys[key] = line, column
            node.value[key] = value

    def _error(self, line: int, column: int, path: str, found: str, expected: str, hint: str) -> None:
        self.errors.append(SettingsError(self.name, line, column, path, found, expected, hint))


def _place(event: Any) -> tuple[int, int]:
    return event.start_mark.line + 1, event.start_mark.column + 1


def _scalar(event: Any) -> object:
    text: str = event.value
    if event.style not in (None, ""):
        return text
    if text in _NULL:
        return None
    if text in _TRUTH:
        return _TRUTH[text]
    number: WholeNumber | Fractional
    if _INT.fullmatch(text):
        number = WholeNumber(text, 16) if text.startswith("0x") else WholeNumber(text)
    elif _FLOAT.fullmatch(text):
        number = Fractional(text)
    else:
        return text
    number.written = text
    return number
