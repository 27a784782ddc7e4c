"""What a new file changes, for the log at a reload and for people."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from agent.settings.shape import Settings

AT_START_ONLY = ("store", "listen", "metrics")
"""These are read at the start; a change of them wants a restart."""

_ABSENT = "(absent)"


@dataclass(frozen=True, slots=True)
class Change:
    """One key whose value differs. Secrets show where they come from; a change behind that place is not seen."""

    key: str
    before: str
    after: str

    @property
    def wants_restart(self) -> bool:
        """True when the agent takes it up at its next start only."""
        return self.key.partition(".")[0] in AT_START_ONLY

    def __str__(self) -> str:
        return f"{self.key}: {self.before} -> {self.after}"


def diff(old: Settings, new: Settings) -> tuple[Change, ...]:
    """Every difference, in the order of the keys; entries of lists are told apart by their name or address."""
    before, after = dict(_flat("", _dump(old))), dict(_flat("", _dump(new)))
    return tuple(
        Change(key, before.get(key, _ABSENT), after.get(key, _ABSENT))
        for key in dict.fromkeys([*before, *after])
        if before.get(key) != after.get(key)
    )


def _dump(settings: Settings) -> Mapping[str, Any]:
    found: Mapping[str, Any] = settings.model_dump(mode="json", by_alias=True)
    return found


def _flat(path: str, value: Any) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(f"{path}.{key}" if path else key, inner)
    elif isinstance(value, list) and value and all(isinstance(entry, dict) for entry in value):
        for at, entry in enumerate(value):
            yield from _flat(f"{path}[{_label(entry, at)}]", entry)
    elif isinstance(value, list):
        yield path, f"[{', '.join(map(str, value))}]"
    else:
        yield path, "none" if value in (None, "") else str(value)


def _label(entry: Mapping[str, Any], at: int) -> str:
    address = entry.get("address")
    if address and entry.get("device"):
        return f"{address} device {entry['device']}"
    return str(address or entry.get("range") or entry.get("name") or at)
