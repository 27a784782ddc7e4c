"""When the agent does what.

every status interval    sweep, then judge the agent itself
at a notification        ask that printer, beside the sweep (``hearing``)
every second             the outbox; at once when there is something to tell (``teller``)
every two seconds        look whether a service was logged; if so ask that printer, and see it proven
every half minute        reckon run-outs, upkeep and what to order anew, where something changed
every twenty seconds     write the letters that are due
every night              thin the history
now and then             tell the service manager that all is well
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from datetime import timedelta
from functools import partial
from typing import TYPE_CHECKING, Any

from apscheduler.schedulers.asyncio import AsyncIOScheduler

from agent.app.aftercare import LOGGED_SECONDS
from agent.app.loop import give_back, tidy
from agent.app.news import EVERY_SECONDS as WATCHED_SECONDS
from agent.app.pages import EVERY_SECONDS
from agent.app.writing import EVERY_SECONDS as LETTERS_SECONDS
from agent.store.errors import StoreError

if TYPE_CHECKING:
    from agent.app.service import Service

HEARTBEAT_SECONDS = 5.0
FIRST_RECKONING_SECONDS = 5.0
KEEP_UP_SECONDS = 1.0
SENT_KEPT = timedelta(days=30)
"""How long messages that were sent are kept, to be looked at and so that none is told twice."""
_SWEEP, _RECKONING = "sweep", "pages"


class Schedule:
    """The jobs of one service, in its loop. Before ``start`` and after ``end`` nothing happens by itself."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._jobs: Any = None
        self._tidied = False

    def start(self) -> None:
        """Begin. Called in the loop in which the jobs shall run."""
        service = self._service
        settings, now = service.settings, service.clocks.now()
        self._jobs = AsyncIOScheduler(timezone="UTC", job_defaults={"coalesce": True, "max_instances": 1})

        def add(job: Callable[[], Awaitable[None]], *words: str, **more: Any) -> None:
            self._jobs.add_job(partial(_to_the_end, job), *words, misfire_grace_time=None, **more)

        add(self._sweep, "interval", seconds=settings.polling.status.total_seconds(), id=_SWEEP, next_run_time=now)
        add(self._thin, "cron", hour=2, minute=30, id="thin")
        after = service.aftercare
        add(after.look, "interval", seconds=LOGGED_SECONDS, id="logged", max_instances=3)
        soon = now + timedelta(seconds=FIRST_RECKONING_SECONDS)
        add(after.reckon, "interval", seconds=EVERY_SECONDS, id=_RECKONING, next_run_time=soon, max_instances=3)
        if settings.metrics.otlp is not None:
            every = settings.metrics.otlp.every.total_seconds()
            add(service.telemetry.send, "interval", seconds=every, id="telemetry")
        if service.pages.open:
            add(service.pages.watch, "interval", seconds=WATCHED_SECONDS, id="news")
        add(self._write_letters, "interval", seconds=LETTERS_SECONDS, id="letters", next_run_time=soon)
        watchdog = service.supervisor.watchdog_seconds
        beat = min(HEARTBEAT_SECONDS, watchdog / 3 if watchdog else HEARTBEAT_SECONDS)
        add(self._beat, "interval", seconds=beat, id="beat", next_run_time=now)
        self._jobs.start()

    def pause(self) -> None:
        """Begin no job any more; those that are at work go on."""
        self._jobs.pause()

    def end(self) -> None:
        """End, and cancel the jobs that are at work."""
        self._jobs.shutdown(wait=False)

    def sweep_every(self, interval: timedelta) -> None:
        """Sweep in another interval from now on."""
        if self._jobs is not None:
            self._jobs.reschedule_job(_SWEEP, trigger="interval", seconds=interval.total_seconds())

    def reckon_now(self) -> None:
        """Do not wait with the reckoning until it is its time."""
        if self._jobs is not None and self._jobs.get_job(_RECKONING) is not None:
            self._jobs.modify_job(_RECKONING, next_run_time=self._service.clocks.now())

    # --- the jobs ------------------------------------------------------------------------------------------------

    async def _sweep(self) -> None:
        service = self._service
        keeping_up = asyncio.create_task(self._keep_up())
        try:
            await service.sweep_once()
        finally:
            keeping_up.cancel()
        await service.aftercare.surprises()
        await asyncio.to_thread(service.metrics.prepare)
        if not self._tidied:
            self._tidied = True
            await asyncio.to_thread(tidy)
        else:
            await asyncio.to_thread(give_back)

    async def _keep_up(self) -> None:
        """While a sweep goes on, write what it brings for the metrics page: a scrape in its midst is quick, too."""
        while True:
            await asyncio.sleep(KEEP_UP_SECONDS)
            await asyncio.to_thread(self._service.metrics.keep_up)

    async def _write_letters(self) -> None:
        """Not before the first sweep and the first reckoning: what nobody has looked up cannot be written about."""
        service = self._service
        if service.health().swept and (service.pages.foresight.insights or not service.sweep.fleet.views):
            await service.writer.look()

    async def _thin(self) -> None:
        service = self._service
        keep, store, now = service.settings.retention, service.store, service.clocks.now
        removed = 0
        try:
            await asyncio.to_thread(store.forget_sent, now() - SENT_KEPT)
            while True:
                step = await asyncio.to_thread(store.thin, now(), keep.raw, keep.hours, keep.days)
                removed += step.removed
                if step.done:
                    break
                await asyncio.sleep(1)
        except StoreError as error:
            service.log.warning("the history could not be thinned; it will be tried again tomorrow", problem=str(error))
        service.log.info("history thinned", points=removed)
        await asyncio.to_thread(tidy)

    async def _beat(self) -> None:
        self._service.pulse.beat()
        self._service.supervisor.alive()


async def _to_the_end(job: Callable[[], Awaitable[None]]) -> None:
    """Run a job. The end of the schedule cancels what is at work then; that is no failure to report."""
    with contextlib.suppress(asyncio.CancelledError):
        await job()
