"""What a look at the agent and its surroundings finds."""

from __future__ import annotations

from dataclasses import dataclass

FINE = "fine"
LOOK = "look"
WRONG = "wrong"
VERDICTS = (FINE, LOOK, WRONG)
"""Nothing to do; works, and yet somebody should look; does not work."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at. ``says``: what was found; ``do``: what to do, empty where there is nothing."""

    area: str
    subject: str
    verdict: str
    says: str
    do: str = ""
