"""From the settings to the doors: who is asked to sign in, and whether it is safe to open them at all."""

from __future__ import annotations

from urllib.parse import urlsplit

from agent.app.keeper import Keeper
from agent.model.failure import Failure
from agent.settings import Settings
from agent.web.gate import Gate
from agent.web.tls import Certificate


class NotSafe(Failure):
    """The pages would be open to whom they must not be; ``str()`` says what to do."""

    status = 2


def gate_of(settings: Settings, keeper: Keeper) -> Gate:
    """How the doors are set. Where nobody signs in, tokens are good all the same."""
    listen = settings.listen
    names = {name.lower() for name in listen.names}
    if listen.public_url:
        names.add((urlsplit(listen.public_url).hostname or "").lower())
    if not listen.address.is_loopback:
        names.add(listen.address.host.lower())
    proxy = listen.proxy
    return Gate(
        keeper=keeper,
        sign_in=listen.asks_who,
        names=frozenset(names - {""}),
        elsewhere=not listen.address.is_loopback,
        behind_proxy=listen.behind_proxy,
        header=(proxy.header or "") if proxy else "",
        trusted=proxy.sender if proxy else (),
        locale=listen.locale or "",
    )


def make_sure(settings: Settings, keeper: Keeper) -> None:
    """Raises NotSafe where people have to sign in and there is nobody who could. Looks into the store.

    Raises SecretMissing where the token of the metrics cannot be had.
    """
    listen = settings.listen
    if settings.metrics.token is not None:
        settings.metrics.token.reveal()
    if not listen.asks_who:
        return
    people = keeper.people()
    header = listen.proxy is not None and listen.proxy.header is not None
    if any(one.password or header for one in people):
        return
    proxy_words = " (or, for who comes through the proxy: --no-password)" if header else ""
    raise NotSafe(
        f"the pages at {listen.address} ask people to sign in, and there is nobody who could: enter the first one with "
        f"lowmark people add NAME --role administer{proxy_words}, then start again; without pages, "
        "take listen.tls, listen.behind_proxy, listen.proxy and listen.sign_in out"
    )


def certificate_of(settings: Settings) -> Certificate | None:
    """What the server proves itself with. Raises CannotProve."""
    tls = settings.listen.tls
    if tls is None or tls.key.file is None:
        return None
    return Certificate(tls.certificate, tls.key.file)
