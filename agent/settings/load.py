"""Reading the file: text -> tree -> settings, or everything that is wrong with it at once."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from pydantic import ValidationError

from agent.settings.checks import check
from agent.settings.complaints import describe, problem
from agent.settings.document import LARGEST, Node, compose
from agent.settings.errors import SettingsError, SettingsErrors
from agent.settings.shape import Settings
from agent.settings.tree import Problem


def load(path: str | os.PathLike[str]) -> Settings:
    """The settings in the file at ``path``. Raises SettingsErrors with everything that is wrong."""
    where = Path(path)
    name = str(path)

    def unreadable(found: str, hint: str) -> SettingsErrors:
        return SettingsErrors([SettingsError(name, None, None, "", found, "a settings file", hint)])

    try:
        if where.exists() and not where.is_file():
            raise unreadable("something that is no file", "give the path of a YAML file")
        with where.open("rb") as file:
            raw = file.read(LARGEST + 1)
    except OSError as failure:
        hint = "lowmark settings example prints one to begin with" if isinstance(failure, FileNotFoundError) else ""
        raise unreadable(f"nothing that can be read ({failure.strerror})", hint) from None
    if len(raw) > LARGEST:
        raise unreadable(f"more than {LARGEST:,} octets", "is it the right file?")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as failure:
        line = raw[: failure.start].count(b"\n") + 1
        column = len(raw[: failure.start].rsplit(b"\n", 1)[-1]) + 1
        hint = "save the file as UTF-8"
        error = SettingsError(name, line, column, "", "octets that are no UTF-8", "UTF-8 text", hint)
        raise SettingsErrors([error]) from None
    return parse(text, name, base=where.parent)


def parse(text: str, name: str = "settings", *, base: str | os.PathLike[str] = "") -> Settings:
    """The settings in ``text``. ``base``: the directory that paths in it start from. Raises SettingsErrors."""
    root, errors = compose(text, name)
    if root is None:
        if errors:
            raise SettingsErrors(errors)
        root = Node(1, 1, {})
    if not isinstance(root.value, dict):
        if root.value is not None:
            found = describe(root.value, shown=False)
            raise SettingsErrors([SettingsError(name, root.line, root.column, "", found, "lines of key: value")])
        root = Node(1, 1, {})
    # A section whose lines are all switched off reads as null: it is not there.
    root.value = {key: node for key, node in root.value.items() if node.value is not None or key not in _plain_keys()}
    settings, problems = _validate(root, Path(base))
    problems += check(root)
    if settings is not None and not problems:
        problems += _unruly(settings, root)
    errors += [SettingsError(name, p.line, p.column, p.key, p.found, p.expected, p.hint) for p in problems]
    if errors or settings is None:
        raise SettingsErrors(dict.fromkeys(errors))
    return settings


def _plain_keys() -> frozenset[str]:
    return frozenset(Settings.model_fields) - {"zone"}


def _validate(root: Node, base: Path) -> tuple[Settings | None, list[Problem]]:
    try:
        return Settings.model_validate(root.plain(), context={"base": base}), []
    except ValidationError as wrong:
        details = wrong.errors(include_url=False, include_input=False)
    return None, [problem(root, detail) for detail in details]


def _unruly(settings: Settings, root: Node) -> list[Problem]:
    """What only the rule itself can tell about its values."""
    found = []
    for (at, node), alarm in zip(_entries(root, "alarms"), settings.alarms, strict=False):
        try:
            alarm.rule(())
        except ValueError as fault:
            found.append(Problem(node.line, node.column, f"alarms[{at}]", f"a rule that cannot be: {fault}", "a rule"))
    return found


def _entries(root: Node, key: str) -> Sequence[tuple[int, Node]]:
    section = root.get(key)
    return list(section.items()) if section else []
