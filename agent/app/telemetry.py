"""Sending the metrics to an OpenTelemetry collector, where the settings wish it.

A collector that is away costs nothing but a count, and one line in the log when it goes and when it is back.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from datetime import datetime
from typing import Any

from agent.metrics import Exporter, ExportFailed
from agent.model.health import Snapshot
from agent.settings.telemetry import Otlp


class Telemetry:
    """Sends what ``state`` hands out; ``count`` is told how each round ended, ``log`` of changes alone."""

    def __init__(
        self, state: Callable[[], Snapshot], count: Callable[[str], None], now: Callable[[], datetime], log: Any
    ) -> None:
        self._state = state
        self._count = count
        self._now = now
        self._log = log
        self._exporter: Exporter | None = None
        self._failing = False

    def start(self, wished: Otlp | None) -> None:
        """Make ready to send; nothing is sent yet. Raises SecretMissing."""
        if wished is None:
            return
        endpoint, headers = wished.reveal_endpoint(), wished.reveal_headers()
        self._exporter = Exporter(self._state, endpoint, headers, socket.gethostname(), ca_file=wished.ca_file)

    def end(self) -> None:
        """No more; what is under way is given up."""
        exporter, self._exporter = self._exporter, None
        if exporter is not None:
            exporter.close()

    async def send(self) -> None:
        """One round."""
        exporter = self._exporter
        if exporter is None:
            return
        try:
            await asyncio.to_thread(exporter.send, self._now())
        except ExportFailed as failure:
            if self._exporter is None:
                return  # given up at the end of the agent, which is nobody's failure
            self._count("failed")
            if not self._failing:
                self._log.warning("metrics could not be sent", problem=str(failure))
            self._failing = True
            return
        self._count("sent")
        if self._failing:
            self._log.info("metrics are sent again")
        self._failing = False
