"""Settings -> the values that the parts take. Each part is given plain arguments and never sees the settings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from difflib import get_close_matches
from importlib.resources import files
from pathlib import Path

from agent.alarms.hours import Calendar
from agent.alarms.routes import Route, Shift
from agent.app.calendars import days_off
from agent.insight.printer import Terms
from agent.insight.scene import Ground
from agent.insight.upkeep import upkeep
from agent.mib.oddities import Oddity, OddityErrors, parse
from agent.model.contact import StatusPoint
from agent.model.failure import Failure
from agent.model.fleet import Place, PrinterHistory
from agent.model.insight import Insight
from agent.model.reading import Reading
from agent.model.upkeep import PrinterUpkeep
from agent.model.wire import Peer
from agent.notify.channel import Channel, MakeLink, no_link
from agent.notify.mail import MailChannel, Server
from agent.settings import Alertmanager, ApprisePost, Mail, Secret, SecretMissing, SecretUnfit, Settings, Webhook
from agent.settings.targets import Target
from agent.sweep.station import Stop


class Unfit(Failure):
    """Settings that are sound by themselves, but that nothing can be built of here and now."""

    status = 2


def packaged_oddities() -> tuple[Oddity, ...]:
    """The oddities that come with Lowmark."""
    return parse(files("agent.mib").joinpath("oddities.toml").read_text("utf-8"))


def oddities(settings: Settings, base: Path) -> tuple[Oddity, ...]:
    """The packaged oddities and those of the settings' own tables (paths from ``base``). Raises Unfit."""
    found = list(packaged_oddities())
    for name in settings.oddity_tables:
        path = base / name
        try:
            found += parse(path.read_text("utf-8"))
        except OSError as error:
            raise Unfit(f"oddity_tables: {path} cannot be read ({error.strerror}).") from None
        except UnicodeDecodeError:
            raise Unfit(f"oddity_tables: {path} is no UTF-8 text; save it as UTF-8.") from None
        except OddityErrors as error:
            raise Unfit(f"oddity_tables: {path}: {error}") from None
    return tuple(found)


def stops(settings: Settings, known: Sequence[Oddity]) -> list[Stop]:
    """Whom to ask. Raises Unfit when a secret is missing or an oddity is named that nobody knows, UnknownCalendar."""
    for site in settings.sites.values():
        if site.holidays:
            days_off(site.holidays)
    names = {oddity.name for oddity in known}
    credentials = {}
    for name in {target.credentials for target in settings.targets()}:
        try:
            credentials[name] = settings.credentials[name].wire()
        except (SecretMissing, SecretUnfit) as error:
            raise Unfit(f"credentials {name}: {error}") from None
    polling = settings.polling
    timeout, deadline = polling.timeout.total_seconds(), polling.deadline.total_seconds()
    places: dict[Place, Place] = {}  # one object for all that stand in one room
    made = []
    for target in settings.targets():
        _check_oddities(target, names)
        peer = Peer(
            host=target.host,
            port=target.port,
            credentials=credentials[target.credentials],
            timeout=timeout,
            retries=polling.retries,
            deadline=deadline,
        )
        made.append(
            Stop(
                peer=peer,
                name=target.name,
                place=places.setdefault(target.place, target.place),
                tags=target.tags,
                device=target.device,
                named_oddities=target.oddities,
                expected=target.listed,
            )
        )
    return made


def _check_oddities(target: Target, names: set[str]) -> None:
    for name in target.oddities:
        if name not in names:
            near = get_close_matches(name, names, 1)
            hint = f"; did you mean {near[0]}?" if near else f"; known are {', '.join(sorted(names))}"
            raise Unfit(f"printer {target.name or target.host}: there is no oddity called {name!r}{hint}")


def terms(settings: Settings, history: PrinterHistory) -> Terms:
    """What the settings say about one printer: the declared yields of the parts that fit it, its site's holidays.

    Raises UnknownCalendar.
    """
    spares = [part for part in settings.spares() if part.declared_yield is not None]
    declared: dict[str, float] = {}
    for track in history.supplies:
        told = {part.declared_yield for part in spares if part.serves(history.printer.model, track.key)}
        if len(told) == 1 and (only := told.pop()) is not None:
            declared[track.key] = float(only)
    site = settings.sites.get(history.printer.place.site)
    return Terms(declared=declared, holidays=days_off(site.holidays) if site and site.holidays else frozenset())


def rows_of(reading: Reading | None) -> dict[int, str]:
    """The keys of the supplies by their rows: what an alert's row of prtMarkerSuppliesTable is about."""
    return {one.index: one.key for one in reading.supplies} if reading is not None else {}


def due_of(
    settings: Settings,
    history: PrinterHistory,
    insight: Insight,
    statuses: Sequence[StatusPoint],
    reading: Reading | None,
    at: datetime,
) -> PrinterUpkeep:
    """The work that falls due at one printer. ``statuses``: up to ``at``, in order. ``reading``: for its rows.

    Raises UnknownCalendar.
    """
    status = statuses[-1] if statuses else None
    off = terms(settings, history).holidays
    return upkeep(
        Ground(history, insight, status, rows_of(reading), settings.polling.status, off), settings.plans(), at
    )


def routes(settings: Settings) -> dict[str, Route]:
    """What each channel takes, and when. Raises UnknownCalendar."""
    made = {}
    for channel in settings.channels:
        shift = None
        if (working := channel.working) is not None:
            named = {name: working.calendar or site.calendar for name, site in settings.sites.items()}
            by_site = {site: found for site, name in named.items() if (found := calendar(settings, name, site))}
            otherwise = "" if working.otherwise == "wait" else working.otherwise
            unless = "" if working.unless == "never" else working.unless
            shift = Shift(calendar(settings, working.calendar), by_site, otherwise, unless)
        made[channel.name] = channel.route(shift)
    return made


def calendar(settings: Settings, name: str | None, site: str = "") -> Calendar | None:
    """A calendar of the settings with the holidays of a site; None where none is named. Raises UnknownCalendar."""
    if name is None:
        return None
    given = settings.calendars[name]
    here = settings.sites.get(site)
    code = given.holidays or (here.holidays if here is not None else None)
    off = {*given.closed, *(days_off(code) if code else ())}
    return Calendar(tuple(one.hours() for one in given.hours), frozenset(off))


def channels(
    settings: Settings, base: Path, clock: Callable[[], datetime], link: MakeLink = no_link
) -> dict[str, Channel]:
    """How people are told, by name; paths start from ``base``. Secrets are revealed late. Raises Unfit.

    ``link``: makes the address at which a receiver acknowledges what a message tells.
    """
    made: dict[str, Channel] = {}
    for one in settings.channels:
        try:
            made[one.name] = _channel(one, base, clock, link)
        except ValueError as error:
            raise Unfit(f"channel {one.name}: {error}") from None
    return made


def _channel(
    one: Mail | Webhook | Alertmanager | ApprisePost, base: Path, clock: Callable[[], datetime], link: MakeLink
) -> Channel:
    match one:
        case Mail():
            server = Server(
                host=one.host,
                port=one.smtp_port,
                security=one.security,
                user=one.user,
                password=_reveal(one.password),
                ca_file=base / one.ca_file if one.ca_file else None,
            )
            return MailChannel(one.name, server, one.sender, one.to, link)
        # The channels that speak HTTP need some megabytes, which who has none of them need not give.
        case Webhook():
            from agent.notify.webhook import WebhookChannel

            return WebhookChannel(one.name, one.reveal_url, clock=clock, secret=_reveal(one.secret), link=link)
        case Alertmanager():
            from agent.notify.alertmanager import AlertmanagerChannel

            return AlertmanagerChannel(one.name, one.reveal_url, ca_file=base / one.ca_file if one.ca_file else None)
        case ApprisePost():
            from agent.notify.apprise_channel import AppriseChannel

            return AppriseChannel(one.name, (one.url.reveal,), link)


def _reveal(secret: Secret | None) -> Callable[[], str] | None:
    return None if secret is None else secret.reveal
