"""How the agent does: counted as it goes; shown to the metrics, to the health pages and to the judging of itself."""

from __future__ import annotations

import platform
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from importlib.metadata import version

from agent.app.recorder import Recorder
from agent.model.alarm import AgentHealth, AlarmRecord
from agent.model.fleet import PrinterView
from agent.model.health import Health, Snapshot, Vitals
from agent.sweep.work import Report

State = Callable[[], tuple[Mapping[int, PrinterView], Mapping[str, AlarmRecord]]]
"""The printers as last seen, and every alarm on record."""


class Pulse:
    """The agent's state. What other threads read is replaced as a whole, never changed.

    ``state`` is asked for at each snapshot. ``now``: UTC; ``timer``: seconds that never go back.
    """

    def __init__(
        self, recorder: Recorder, state: State, *, now: Callable[[], datetime], timer: Callable[[], float]
    ) -> None:
        self._recorder = recorder
        self._state = state
        self._now = now
        self._timer = timer
        self._beat: float | None = None
        self._last: Report | None = None
        self.vitals = Vitals(version=version("lowmark"), python=platform.python_version())

    def started(self, engine: str) -> None:
        """The agent has begun, with these settings and this SNMP engine."""
        now = self._now()
        self.vitals = replace(self.vitals, started=now, engine=engine, settings_accepted=1, settings_loaded=now)

    def settings_accepted(self, engine: str) -> None:
        """New settings are in force."""
        accepted = self.vitals.settings_accepted + 1
        self.vitals = replace(self.vitals, engine=engine, settings_accepted=accepted, settings_loaded=self._now())

    def settings_refused(self) -> None:
        """New settings were wrong."""
        self.vitals = replace(self.vitals, settings_refused=self.vitals.settings_refused + 1)

    def watching(self, stops: int) -> None:
        """So many addresses are to be asked."""
        self.vitals = replace(self.vitals, stops=stops)

    def exported(self, outcome: str) -> None:
        """A round of sending the metrics elsewhere has ended like this: sent or failed."""
        counts = {"sent": 0, "failed": 0, **self.vitals.exports}
        self.vitals = replace(self.vitals, exports={**counts, outcome: counts[outcome] + 1})

    def beat(self) -> None:
        """The loop turns."""
        self._beat = self._timer()

    def count(self, report: Report, *, whole: bool = True) -> None:
        """Add what a pass did. ``whole``: it was a sweep over the fleet, not a look at a few printers."""
        readings = dict(self.vitals.readings)
        readings["read"] = readings.get("read", 0) + report.answered
        for reason, count in report.failures.items():
            readings[reason] = readings.get(reason, 0) + count
        if whole:
            self._last = report
        self.vitals = replace(
            self.vitals,
            sweeps=self.vitals.sweeps.add(report.seconds) if whole else self.vitals.sweeps,
            swept=self._now() if whole else self.vitals.swept,
            readings=readings,
            requests=self.vitals.requests + report.requests,
            retries=self.vitals.retries + report.retries,
            timeouts=self.vitals.timeouts + report.timeouts,
        )

    def health(self) -> Health:
        """For /healthz and /readyz."""
        age = None if self._beat is None else self._timer() - self._beat
        return Health(
            settings_loaded=True,
            store_open=self._recorder.failing_since is None,
            swept=self._last is not None,
            heartbeat_age=age,
        )

    def snapshot(self, notifications: Mapping[str, int]) -> Snapshot:
        """For the metrics and the pages."""
        views, alarms = self._state()
        standing: dict[tuple[str, str], int] = {}
        for record in list(alarms.values()):
            if record.standing:
                key = (record.severity, record.state.value)
                standing[key] = standing.get(key, 0) + 1
        recorder = self._recorder
        vitals = replace(
            self.vitals,
            buffered=recorder.depth,
            buffer_limit=recorder.limit,
            dropped=recorder.dropped,
            store_errors=recorder.errors,
            store_failing=recorder.failing_since is not None,
            waiting=recorder.waiting,
            dead=recorder.dead,
            alarms=standing,
            notifications=notifications,
        )
        return Snapshot(dict(views), vitals)

    def agent_health(self, sweep_interval: float) -> AgentHealth:
        """For judging the agent itself."""
        recorder = self._recorder
        return AgentHealth(
            store_failing_since=recorder.failing_since,
            store_error=recorder.last_error,
            buffered=recorder.depth,
            buffer_limit=recorder.limit,
            dropped=recorder.dropped,
            sweep_seconds=self._last.seconds if self._last else 0.0,
            sweep_interval=sweep_interval,
            dead_letters=recorder.dead,
            waiting=recorder.waiting,
        )
