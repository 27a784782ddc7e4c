"""The pages of one service: whether there are any, and the reckoning behind them."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from starlette.types import ASGIApp

from agent.app.foresight import Foresight
from agent.app.house import ServiceHouse
from agent.store.errors import StoreError
from agent.web import build_app
from agent.web.guard import is_loopback

if TYPE_CHECKING:
    from agent.app.service import Service

EVERY_SECONDS = 30.0
"""How often it is looked whether anything has to be reckoned anew; looking costs next to nothing."""
NOT_HERE = (
    "The pages about the printers and their JSON API are served only while the agent listens on loopback "
    "(listen.address) and listen.allow_network is not set, since nothing asks who is calling."
)


class Pages:
    """Pages and API over a service, where nobody but this machine's own users can reach them."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self.foresight = Foresight(service.store, lambda: service.settings, service.clocks.timer)
        self.house = ServiceHouse(service, self.foresight)

    @property
    def open(self) -> bool:
        """Whether there are pages: only on loopback, and not where the network was meant to look in."""
        listen = self._service.settings.listen
        return is_loopback(listen.address.host) and not listen.allow_network

    def app(self) -> ASGIApp:
        """What is served: metrics and health, and the pages where they are open."""
        service = self._service
        if self.open:
            return build_app(service.metrics.stream, service.health, self.house)
        return build_app(service.metrics.stream, service.health, note=NOT_HERE)

    async def reckon(self) -> None:
        """Reckon anew what wants it. The schedule calls this every ``EVERY_SECONDS``, one call at a time."""
        house = self.house
        try:
            await asyncio.to_thread(self.foresight.learn, house.now(), house.views())
        except StoreError as error:
            self._service.log.warning("run-outs for the pages could not be reckoned yet", problem=str(error))

    def stop(self) -> None:
        """End a reckoning under way."""
        self.foresight.stop()
