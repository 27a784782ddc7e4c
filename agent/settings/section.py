"""What every mapping of the settings file has in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Section(BaseModel):
    """A mapping of the file: frozen, strict, and nothing in it that is not known."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, use_attribute_docstrings=True)
