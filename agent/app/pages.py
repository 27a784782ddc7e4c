"""The pages of one service: whether there are any, and the reckoning behind them."""

from __future__ import annotations

import asyncio
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from starlette.types import ASGIApp

from agent.alarms.outlook import Outlooks
from agent.app.entry import gate_of, make_sure
from agent.app.foresight import Foresight
from agent.app.house import ServiceHouse
from agent.app.keeper import Keeper
from agent.app.news import News
from agent.app.outlooks import outlooks, wants_outlooks
from agent.store.errors import StoreError
from agent.web import build_app
from agent.web.live import Bulletin

if TYPE_CHECKING:
    from agent.app.service import Service

EVERY_SECONDS = 30.0
"""How often it is looked whether anything has to be reckoned anew; looking costs next to nothing."""
OUTLOOKS_KEPT = timedelta(minutes=5)
"""So long what rules about run-outs are judged by stays as it is, although somebody may have moved a part."""
NOT_HERE = (
    "The pages about the printers and their JSON API are not served where other machines could listen in or look in "
    "unasked: listen on loopback without listen.allow_network, or over TLS (listen.tls), or behind a proxy that speaks "
    "TLS (listen.behind_proxy), and enter people (lowmark people add)."
)


class Pages:
    """Pages and API over a service, where nobody can reach them but this machine's own users or who signs in."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self.foresight = Foresight(service.store, lambda: service.settings, service.clocks.timer)
        self.house = ServiceHouse(service, self.foresight)
        self.bulletin = Bulletin()
        self._news = News(service)
        self._made: datetime | None = None
        self._rests_on: tuple[object, object] = (None, None)

    @property
    def open(self) -> bool:
        """Whether there are pages."""
        return self._service.settings.listen.pages

    def make_sure(self) -> None:
        """Raises NotSafe where the pages would ask people to sign in, and nobody could."""
        make_sure(self._service.settings, self._keeper())

    def _keeper(self) -> Keeper:
        service = self._service
        clocks, listen = service.clocks, service.settings.listen
        return Keeper(
            service.store, clocks.now, clocks.timer, idle=listen.session_idle, absolute=listen.session_longest,
            zone=lambda: service.settings.zone,
        )  # fmt: skip

    def app(self) -> ASGIApp:
        """What is served: metrics and health, and the pages where they are open."""
        service = self._service
        secret = service.settings.metrics.token
        token = None if secret is None else secret.reveal
        if self.open:
            gate = gate_of(service.settings, self._keeper())
            return build_app(
                service.metrics.stream, service.health, self.house, gate=gate, metrics_token=token,
                bulletin=self.bulletin,
            )  # fmt: skip
        return build_app(service.metrics.stream, service.health, note=NOT_HERE, metrics_token=token)

    async def reckon(self) -> None:
        """Reckon anew what wants it. The schedule calls this every ``EVERY_SECONDS``, one call at a time."""
        service, house = self._service, self.house
        asked = wants_outlooks(service.settings)
        if not (self.open or asked or service.settings.letters):
            return
        try:
            await asyncio.to_thread(service.recorder.flush)  # it is the store that is reckoned from
            await asyncio.to_thread(self.foresight.learn, house.now(), service.sweep.fleet.views)
            if self.open:
                await asyncio.to_thread(house.reckon, house.now())
            service.sweep.outlooks = await asyncio.to_thread(self._outlooks) if asked else {}
        except StoreError as error:
            service.log.warning("run-outs could not be reckoned yet", problem=str(error))

    def _outlooks(self) -> Outlooks:
        """For the rules about run-outs. What rests on the same is not worked out again for a while."""
        service, house, now = self._service, self.house, self.house.now()
        rests_on = (self.foresight.insights, service.settings)
        fresh = self._made is not None and timedelta(0) <= now - self._made < OUTLOOKS_KEPT
        if fresh and all(one is two for one, two in zip(rests_on, self._rests_on, strict=True)):
            return service.sweep.outlooks
        found = outlooks(
            service.settings,
            self.foresight.insights,
            house.views().values(),
            house.stock(now) if service.settings.parts else None,
            now,
        )
        self._made, self._rests_on = now, rests_on
        return found

    async def watch(self) -> None:
        """Tell open pages what has changed. The schedule calls this every ``news.EVERY_SECONDS``."""
        if self.bulletin.wanted:
            self.bulletin.tell(await asyncio.to_thread(self._news.look))
        else:
            self._news.forget()

    def stop(self) -> None:
        """End a reckoning under way, and let those go who listen."""
        self.bulletin.close()
        self.foresight.stop()
