"""Settings texts for the tests, and how their errors are read."""

from __future__ import annotations

from agent.settings import SettingsError, SettingsErrors, parse


def errors_of(text: str) -> tuple[SettingsError, ...]:
    """What ``parse`` says against ``text``; nothing where it takes it."""
    try:
        parse(text, "lowmark.yaml")
    except SettingsErrors as wrong:
        return wrong.errors
    return ()


def only_error_of(text: str) -> SettingsError:
    found = errors_of(text)
    assert len(found) == 1, [str(error) for error in found]
    return found[0]


def places_of(text: str) -> list[tuple[int | None, int | None, str]]:
    return [(error.line, error.column, error.key) for error in errors_of(text)]
