"""Messages on their way, as the outbox keeps them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime

from agent.model.alarm import Message


@dataclass(frozen=True, slots=True)
class Letter:
    """One message in the outbox.

    ``state``: ``waiting`` until it was sent (``sent``) or given up (``dead``). ``next_try``: not before this moment.
    ``tries`` counts the attempts so far, ``last_error`` is what the latest of them failed with.
    ``payload`` is the message as JSON text.
    """

    id: int
    dedupe_key: str
    channel: str
    payload: str
    created: datetime
    next_try: datetime
    tries: int = 0
    state: str = "waiting"
    last_error: str = ""

    @property
    def message(self) -> Message:
        """The message itself."""
        return Message.from_data(json.loads(self.payload))
