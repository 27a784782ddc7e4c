"""JSON that a command printed, for holding it against its documentation."""

from __future__ import annotations


def keys_in(value: object) -> set[str]:
    """Every key at any depth."""
    if isinstance(value, list):
        return {key for inner in value for key in keys_in(inner)}
    if isinstance(value, dict):
        return set(value) | {key for inner in value.values() for key in keys_in(inner)}
    return set()
