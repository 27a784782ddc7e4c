"""A maintenance window that a person opened, as it is kept until it is over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Self


@dataclass(frozen=True, slots=True)
class Opened:
    """``sites``, ``tags``, ``printers``: names or patterns that narrow it, as in alarm rules; all empty: everywhere."""

    name: str
    begin: datetime
    end: datetime
    who: str
    reason: str
    sites: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    printers: tuple[str, ...] = ()

    def to_data(self) -> dict[str, Any]:
        """A mapping of plain JSON values."""
        return {
            "name": self.name,
            "begin": self.begin.isoformat(),
            "end": self.end.isoformat(),
            "who": self.who,
            "reason": self.reason,
            "sites": list(self.sites),
            "tags": list(self.tags),
            "printers": list(self.printers),
        }

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> Self:
        """Back from ``to_data``. Raises KeyError, ValueError or TypeError when it is no such mapping."""
        return cls(
            data["name"],
            datetime.fromisoformat(data["begin"]),
            datetime.fromisoformat(data["end"]),
            data["who"],
            data["reason"],
            tuple(data["sites"]),
            tuple(data["tags"]),
            tuple(data["printers"]),
        )
