"""The pages of one service: whether there are any, and the reckoning behind them."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from starlette.types import ASGIApp

from agent.app.entry import gate_of, make_sure
from agent.app.foresight import Foresight
from agent.app.house import ServiceHouse
from agent.app.keeper import Keeper
from agent.store.errors import StoreError
from agent.web import build_app

if TYPE_CHECKING:
    from agent.app.service import Service

EVERY_SECONDS = 30.0
"""How often it is looked whether anything has to be reckoned anew; looking costs next to nothing."""
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

    @property
    def open(self) -> bool:
        """Whether there are pages."""
        return self._service.settings.listen.pages

    def make_sure(self) -> None:
        """Raises NotSafe where the pages would ask people to sign in, and nobody could."""
        make_sure(self._service.settings, self._keeper())

    def _keeper(self) -> Keeper:
        clocks, listen = self._service.clocks, self._service.settings.listen
        return Keeper(
            self._service.store, clocks.now, clocks.timer, idle=listen.session_idle, absolute=listen.session_longest
        )

    def app(self) -> ASGIApp:
        """What is served: metrics and health, and the pages where they are open."""
        service = self._service
        secret = service.settings.metrics.token
        token = None if secret is None else secret.reveal
        if self.open:
            gate = gate_of(service.settings, self._keeper())
            return build_app(service.metrics.stream, service.health, self.house, gate=gate, metrics_token=token)
        return build_app(service.metrics.stream, service.health, note=NOT_HERE, metrics_token=token)

    async def reckon(self) -> None:
        """Reckon anew what wants it. The schedule calls this every ``EVERY_SECONDS``, one call at a time."""
        house = self.house
        try:
            await asyncio.to_thread(self.foresight.learn, house.now(), house.views())
            await asyncio.to_thread(house.reckon, house.now())
        except StoreError as error:
            self._service.log.warning("run-outs for the pages could not be reckoned yet", problem=str(error))

    def stop(self) -> None:
        """End a reckoning under way."""
        self.foresight.stop()
