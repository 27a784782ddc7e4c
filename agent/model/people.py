"""Who may do what: roles, each of which holds those before it."""

from __future__ import annotations

from typing import Literal

Role = Literal["look", "serve", "administer"]
ROLES: tuple[Role, ...] = ("look", "serve", "administer")
"""``look``: read everything. ``serve``: also record work, count parts and acknowledge alarms. ``administer``: all."""

DOES = {
    "look": "look at everything",
    "serve": "look, record work, count parts and acknowledge alarms",
    "administer": "do everything, also what concerns people and tokens",
}
"""What each role may do, in words for people."""


def holds(role: str, wanted: str) -> bool:
    """Whether who has ``role`` may do what ``wanted`` may. An unknown role holds nothing."""
    return role in ROLES and wanted in ROLES and ROLES.index(role) >= ROLES.index(wanted)  # type: ignore[arg-type]
