"""The shape of the settings file. The models are frozen; each field's description is also its documentation.

Written in the file as they are named here, save for the words that Python keeps to itself: ``from``, ``for`` and
``except`` are the fields ``sender``, ``lasting`` and ``excluded``.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema

from agent.alarms.rules import Rule
from agent.alarms.windows import Window
from agent.model.shelf import PlaceRule, SparePart
from agent.model.upkeep import Plan
from agent.model.wire import Community, UsmUser
from agent.settings.alarms import USUAL_ALARMS, Alarm
from agent.settings.channels import Alertmanager, ApprisePost, Channel, Mail, Webhook
from agent.settings.entry import HostName, MetricsAccess, Proxy, Tls, known_locale
from agent.settings.hours import HOLIDAYS, Maintenance, WorkCalendar
from agent.settings.letters import LOCALE, Letter
from agent.settings.parts import Part, Shelf, ShelfPlace
from agent.settings.rounds import Rounds
from agent.settings.secrets import Secret, SecretUnfit
from agent.settings.section import Section
from agent.settings.servicing import Servicing
from agent.settings.store import Store, store_from_text
from agent.settings.targets import Target, expand
from agent.settings.units import (
    Address,
    Duration,
    Endpoint,
    FilePath,
    Name,
    OneOrMany,
    Range,
    Text,
    Zone,
    between,
    matching,
    read_text,
)
from agent.settings.upkeep import USUAL_UPKEEP, Upkeep

__all__ = [
    "Alarm",
    "Alertmanager",
    "ApprisePost",
    "Channel",
    "Credentials",
    "Letter",
    "Listen",
    "Mail",
    "Maintenance",
    "Part",
    "Polling",
    "PrinterEntry",
    "Retention",
    "Rounds",
    "Section",
    "Servicing",
    "Settings",
    "Shelf",
    "ShelfPlace",
    "Site",
    "Store",
    "Target",
    "Upkeep",
    "Webhook",
    "WorkCalendar",
]

METRICS_PORT = 9633
NOTIFICATIONS_PORT = 162
PUBLIC = "public"
"""The credentials that exist without being written down: v2c, community ``public``."""

AuthName = Literal["MD5", "SHA-1", "SHA-224", "SHA-256", "SHA-384", "SHA-512"]
PrivName = Literal["DES", "AES-128", "AES-192", "AES-256"]


class Frozen(dict[str, Any]):
    """A mapping that cannot be changed any more."""

    def _refuse(self, *_: object, **__: object) -> Any:
        raise TypeError("settings do not change; load the file again")

    __setitem__ = __delitem__ = __ior__ = clear = pop = popitem = setdefault = update = _refuse

    def __reduce__(self) -> tuple[Any, ...]:
        return Frozen, (dict(self),)


class Listen(Section):
    """Where Lowmark itself listens."""

    address: Annotated[Address, Field(description="Address and port of /metrics, /healthz and /readyz.")] = Endpoint(
        "127.0.0.1", METRICS_PORT
    )
    link_key: Annotated[
        Secret | None,
        Field(description="Key by which those links are signed; left out: one that is made and kept in the store."),
    ] = None
    notifications: Annotated[
        Address | None, Field(description="Address and port for SNMP notifications of the printers; none: not heard.")
    ] = None
    allow_network: Annotated[
        bool,
        Field(description="true: listen where other machines can reach it. Without tls or behind_proxy: no pages."),
    ] = False
    tls: Annotated[Tls | None, Field(description="Serve over TLS; then other machines may have pages, with users.")] = (
        None
    )
    behind_proxy: Annotated[
        bool, Field(description="true: a proxy of yours that speaks TLS stands before it; pages, with users.")
    ] = False
    proxy: Annotated[Proxy | None, Field(description="A proxy that may say who asks.")] = None
    names: Annotated[
        tuple[HostName, ...],
        OneOrMany(),
        Field(description="Host names that people ask for it by, besides those of this machine itself."),
    ] = ()
    sign_in: Annotated[bool, Field(description="true: sign in on loopback, too.")] = False
    session_idle: Annotated[
        Duration, between("5m", "30d"), Field(description="A session that is not used ends after this time.")
    ] = timedelta(hours=12)
    session_longest: Annotated[
        Duration, between("5m", "365d"), Field(description="A session ends after this time in any case.")
    ] = timedelta(days=7)
    locale: Annotated[
        Text | None,
        AfterValidator(known_locale),
        Field(description="How pages write numbers and dates, like de-CH; without it as each browser asks."),
    ] = None

    @property
    def pages(self) -> bool:
        """Whether there are pages: on loopback, and elsewhere where what is said cannot be overheard."""
        return self.tls is not None or self.behind_proxy or (self.address.is_loopback and not self.allow_network)

    @property
    def asks_who(self) -> bool:
        """Whether people have to sign in."""
        known = self.behind_proxy or self.proxy is not None or self.sign_in
        return self.pages and (known or self.allow_network or not self.address.is_loopback)

    public_url: Annotated[
        Text | None,
        matching(r"https?://[A-Za-z0-9.\-_~:%/\[\]]+", "a web address like https://lowmark.example.org"),
        Field(description="Where people's browsers and phones find the pages; printed rounds and messages lead there."),
    ] = None


class Polling(Section):
    """How the printers are asked."""

    status: Annotated[
        Duration, between("5s", "1d"), Field(description="How often status, levels, counters and alerts are read.")
    ] = timedelta(seconds=60)
    inventory: Annotated[
        Duration, between("1m", "30d"), Field(description="How often everything else is read: names, serial, trays ...")
    ] = timedelta(hours=6)
    timeout: Annotated[
        Duration, between("50ms", "60s"), Field(description="How long one request waits for its answer.")
    ] = timedelta(seconds=2)
    retries: Annotated[int, Field(ge=0, le=10, description="How often an unanswered request is sent again.")] = 2
    deadline: Annotated[
        Duration, between("200ms", "10m"), Field(description="The longest that reading one printer may take in all.")
    ] = timedelta(seconds=10)
    in_flight: Annotated[int, Field(ge=1, le=1000, description="How many printers are asked at the same time.")] = 50
    rate: Annotated[
        int, Field(ge=1, le=100_000, description="At most so many requests a second, over all printers.")
    ] = 2000
    engine: Annotated[
        Literal["auto", "gufo", "pysnmp"],
        Field(description="The SNMP engine; auto takes the quicker one that is installed."),
    ] = "auto"


class Retention(Section):
    """How long the history is kept, and how finely."""

    raw: Annotated[Duration, between("1d", "36500d"), Field(description="Every change of a level or counter.")] = (
        timedelta(days=90)
    )
    hours: Annotated[Duration, between("1d", "36500d"), Field(description="Then one point an hour.")] = timedelta(
        days=730
    )
    days: Annotated[Duration, between("1d", "36500d"), Field(description="Then one point a day.")] = timedelta(
        days=3650
    )


class Credentials(Section):
    """How Lowmark presents itself to printers. Versions 1 and 2c have a community, version 3 a user."""

    version: Annotated[
        Literal["1", "2c", "3"],
        BeforeValidator(read_text),
        WithJsonSchema({"enum": ["1", "2c", "3", 1, 3]}),
        Field(description="SNMP version."),
    ]
    community: Annotated[Secret | None, Field(description="Versions 1 and 2c; without it: public.")] = None
    user: Annotated[Text | None, Field(description="Version 3: the user's name.")] = None
    auth: Annotated[
        AuthName | None, Field(description="Version 3: how requests are signed; without it: not at all.")
    ] = None
    auth_key: Annotated[Secret | None, Field(description="Version 3: pass phrase for auth, 8 characters or more.")] = (
        None
    )
    priv: Annotated[PrivName | None, Field(description="Version 3: how requests are encrypted; without it: not.")] = (
        None
    )
    priv_key: Annotated[Secret | None, Field(description="Version 3: pass phrase for priv, 8 characters or more.")] = (
        None
    )
    context: Annotated[Text, Field(description="Version 3: the SNMP context; most printers have none.")] = ""

    def wire(self) -> Community | UsmUser:
        """As the wire takes them, secrets revealed. Raises SecretMissing, SecretUnfit."""
        if self.version != "3":
            return Community(self.version, self.community.reveal() if self.community else "public")
        return UsmUser(
            user=self.user or "",
            auth=self.auth,
            auth_key=_pass_phrase(self.auth_key),
            priv=self.priv,
            priv_key=_pass_phrase(self.priv_key),
            context=self.context,
        )


def _pass_phrase(secret: Secret | None) -> str | None:
    if secret is None:
        return None
    found = secret.reveal()
    if len(found) < 8:  # RFC 3414 section 11.2
        raise SecretUnfit(f"the SNMPv3 pass phrase from {secret.source} is shorter than 8 characters")
    return found


class Site(Section):
    """A place with its own clock and calendar."""

    zone: Annotated[Zone, Field(description="IANA time zone; days and weekdays are reckoned in it.")]
    locale: Annotated[
        Text | None,
        LOCALE,
        Field(description="Language of messages and dates, like en-GB."),
    ] = None
    holidays: Annotated[
        Text | None,
        HOLIDAYS,
        Field(description="ISO 3166 code of the public holidays kept, like GB or GB-ENG."),
    ] = None
    calendar: Annotated[
        Name | None, Field(description="One of the calendars: when people work here; left out: at all hours.")
    ] = None


class PrinterEntry(Section):
    """One printer by its address, or every printer in a range of addresses."""

    address: Annotated[
        Address | None, Field(description="Host name or IP address, with :port where it is not 161.")
    ] = None
    range: Annotated[Range | None, Field(description="A range of addresses; each printer found in it is read.")] = None
    excluded: Annotated[
        tuple[Range, ...],
        OneOrMany(),
        Field(alias="except", description="Addresses and ranges inside the range to leave alone."),
    ] = ()
    port: Annotated[int, Field(ge=1, le=65535, description="The port for all addresses of a range.")] = 161
    name: Annotated[
        Name | None, Field(description="What people call it; without it, what the printer calls itself.")
    ] = None
    site: Annotated[Name | None, Field(description="One of the sites.")] = None
    building: Annotated[Text, Field(description="Where it stands.")] = ""
    floor: Annotated[Text, Field(description="Where it stands.")] = ""
    room: Annotated[Text, Field(description="Where it stands.")] = ""
    tags: Annotated[
        tuple[Name, ...], OneOrMany(), Field(description="Words of your own, for alarm rules to choose by.")
    ] = ()
    credentials: Annotated[Name, Field(description="One of the credentials.")] = PUBLIC
    device: Annotated[
        int | None,
        Field(
            ge=1, le=2**31 - 1, description="hrDeviceIndex, where only one of several printers at an address is wanted."
        ),
    ] = None
    oddities: Annotated[
        tuple[Name, ...],
        OneOrMany(),
        Field(description="Known oddities of this printer, besides those it is recognised by."),
    ] = ()


def _with_public(given: Mapping[str, Credentials]) -> Mapping[str, Credentials]:
    return Frozen({PUBLIC: Credentials(version="2c"), **given})


class Settings(Section):
    """The whole file."""

    store: Annotated[Store, BeforeValidator(store_from_text), Field(description="Where the history is kept.")] = Store()
    listen: Annotated[Listen, Field(description="Where Lowmark listens.")] = Listen()
    metrics: Annotated[MetricsAccess, Field(description="Who may read /metrics.")] = MetricsAccess()
    zone: Annotated[Zone, Field(description="IANA time zone of printers without a site, and of the agent.")] = "UTC"
    polling: Annotated[Polling, Field(description="How the printers are asked.")] = Polling()
    retention: Annotated[Retention, Field(description="How long the history is kept.")] = Retention()
    oddity_tables: Annotated[
        tuple[FilePath, ...],
        OneOrMany(),
        Field(description="TOML files with oddities of your own printers (relative to this file)."),
    ] = ()
    sites: Annotated[
        Mapping[Name, Site], AfterValidator(Frozen), Field(default_factory=Frozen, description="Places, by name.")
    ]
    credentials: Annotated[
        Mapping[Name, Credentials],
        AfterValidator(_with_public),
        Field(
            default_factory=lambda: _with_public({}),
            description="SNMP credentials, by name. One called public exists: v2c, community public.",
        ),
    ]
    printers: Annotated[tuple[PrinterEntry, ...], Field(description="Whom to ask.")] = ()
    alarms: Annotated[
        tuple[Alarm, ...], Field(description="Alarm rules; without the key the usual ones, [] for none.")
    ] = USUAL_ALARMS
    channels: Annotated[tuple[Channel, ...], Field(description="How people are told.")] = ()
    calendars: Annotated[
        Mapping[Name, WorkCalendar],
        AfterValidator(Frozen),
        Field(default_factory=Frozen, description="When people work, by name; sites and channels refer to them."),
    ]
    maintenance: Annotated[
        tuple[Maintenance, ...], Field(description="Maintenance windows, in which alarms are suppressed.")
    ] = ()
    letters: Annotated[tuple[Letter, ...], Field(description="Letters that are written regularly, by mail.")] = ()
    parts: Annotated[tuple[Part, ...], Field(description="Spare parts: what fits where, prices, yields, orders.")] = ()
    shelf: Annotated[Shelf, Field(description="Where spare parts are kept, and how they are ordered.")] = Shelf()
    upkeep: Annotated[
        tuple[Upkeep, ...],
        Field(description="Work due by pages, days or events; without the key the usual plans, [] for none."),
    ] = USUAL_UPKEEP
    servicing: Annotated[Servicing, Field(description="How services are proven.")] = Servicing()

    rounds: Annotated[Rounds, Field(description="When rounds are made, and what is weighed for them.")] = Rounds()

    def targets(self) -> tuple[Target, ...]:
        """Whom to ask, ranges taken apart, each address (with its device) once."""
        return expand(self)

    def plans(self) -> tuple[Plan, ...]:
        """The upkeep plans as the core takes them."""
        return tuple(entry.plan() for entry in self.upkeep)

    def spares(self) -> tuple[SparePart, ...]:
        """The spare parts as the core takes them."""
        return tuple(self.shelf.spare(part) for part in self.parts)

    def places(self) -> tuple[PlaceRule, ...]:
        """The places where parts lie."""
        return tuple(PlaceRule(place.name, place.sites) for place in self.shelf.places)

    def windows(self) -> tuple[Window, ...]:
        """The maintenance windows of the file."""
        return tuple(one.window() for one in self.maintenance)

    def rules(self) -> tuple[Rule, ...]:
        """The alarm rules as the core takes them."""
        names = tuple(channel.name for channel in self.channels)
        return tuple(alarm.rule(names) for alarm in self.alarms)
