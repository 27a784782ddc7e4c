"""The shape of the file as JSON Schema (draft 2020-12), for editors that check while one types."""

from __future__ import annotations

from importlib import resources
from typing import Any

from agent.settings.shape import Settings

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def json_schema() -> dict[str, Any]:
    """Derived from the models. What one key asks of another (names, order) is beyond it: ``parse`` checks that."""
    made = Settings.model_json_schema(by_alias=True)
    made["title"] = "Lowmark settings"
    for key in (
        *("sites", "credentials", "printers", "alarms", "channels", "polling", "retention", "listen", "store"),
        *("parts", "shelf", "upkeep", "rounds"),
    ):
        inner = made["properties"][key]
        described = {word: inner.pop(word) for word in ("description", "default", "title") if word in inner}
        # A section whose lines are all switched off reads as null.
        made["properties"][key] = {**described, "anyOf": [inner, {"type": "null"}]}
    return {"$schema": DIALECT, **made}


def example() -> str:
    """The commented example file."""
    return resources.files("agent.settings").joinpath("example.yaml").read_text("utf-8")
