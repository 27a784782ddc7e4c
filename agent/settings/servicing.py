"""Servicing: how long a service may take to be proven."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

from pydantic import Field

from agent.settings.section import Section
from agent.settings.units import Duration, between


class Servicing(Section):
    """What happens after somebody said what was done at a printer."""

    prove_within: Annotated[
        Duration,
        between("5s", "30d"),
        Field(description="The printer must show a service within so much time during which it answers."),
    ] = timedelta(hours=2)
