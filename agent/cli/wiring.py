"""What commands need to be given: the settings, if there are any, and the store."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from agent.cli.show import errors, fail, plain

if TYPE_CHECKING:
    from agent.settings import Settings
    from agent.store import Store

USUAL_SETTINGS = Path("lowmark.yaml")
"""Taken where no settings file is named, if it exists in the directory in which the command runs."""


def find_settings(path: Path | None) -> Path | None:
    """The settings file named, or the usual one if it exists."""
    if path is None and USUAL_SETTINGS.is_file():
        return USUAL_SETTINGS
    return path


def load_settings(path: Path | None) -> Settings | None:
    """The settings, None where there is no file. Raises SettingsErrors."""
    from agent.settings import load

    found = find_settings(path)
    return None if found is None else load(found)


def agent_zone(path: Path | None) -> str:
    """The agent's own time zone, for what is of no site; UTC where there are no settings. Raises SettingsErrors."""
    settings = load_settings(path)
    return "UTC" if settings is None else settings.zone


def store_url(url: str | None, path: Path | None) -> str:
    """Where the history is: ``--store``, else the settings' store. Leaves with a sentence when neither says."""
    if url is not None:
        return url
    settings = load_settings(path)
    if settings is None:
        fail(
            "Where is the history? Name the store (--store sqlite:///lowmark.sqlite or LOWMARK_STORE) "
            "or the settings file (--settings FILE or LOWMARK_SETTINGS).",
            2,
        )
    return settings.store.reveal_url()


def open_store(url: str | None, path: Path | None, *, create: bool = False) -> Store:
    """The store that the options name. Raises StoreError. ``create``: make it where there is none."""
    from agent.store import Store

    return Store.open(store_url(url, path), create=create)


def warn(text: str) -> None:
    """Say on standard error what the user should know; the command goes on."""
    errors.print(plain(text), style="yellow", soft_wrap=True)
