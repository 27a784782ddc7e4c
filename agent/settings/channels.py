"""How people are told: mail, signed web requests, Alertmanager, and whatever Apprise reaches."""

from __future__ import annotations

from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    PlainSerializer,
    PlainValidator,
    ValidationInfo,
    WithJsonSchema,
)

from agent.alarms.routes import Quiet, Route, Shift
from agent.settings.alarms import Condition
from agent.settings.hours import DayHours
from agent.settings.secrets import SECRET_SCHEMA, Secret
from agent.settings.section import Section
from agent.settings.units import FilePath, Host, Name, OneOrMany, Text, wrong

_SMTP_PORTS = {"starttls": 587, "tls": 465, "none": 25}


def _mail_address(text: str) -> str:
    mailbox, at, domain = text.rpartition("@")
    if not at or not mailbox or not domain or any(c.isspace() or c in "<>,;" for c in text):
        raise wrong("one mail address, like it@harrow-lane.example")
    return text


MailAddress = Annotated[
    Text, AfterValidator(_mail_address), WithJsonSchema({"type": "string", "pattern": "^[^\\s<>,;]+@[^\\s<>,;@]+$"})
]


def _web_url(given: object, info: ValidationInfo) -> str | Secret:
    if isinstance(given, dict | Secret):
        return Secret.read(given, info)
    expected = "a URL like https://hooks.example.org/lowmark, or a secret: {env: NAME} or {file: PATH}"
    if not isinstance(given, str):
        raise wrong(expected)
    try:
        parts = urlsplit(given)
        inside = parts.password is not None or parts.username is not None
        fine = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        raise wrong(expected) from None
    if not fine or any(c.isspace() for c in given):
        raise wrong(expected)
    if inside:
        raise wrong("a URL without user and password in it", "give the whole URL as a secret: url: {env: NAME}")
    return given


WebUrl = Annotated[
    str | Secret,
    PlainValidator(_web_url),
    PlainSerializer(str, return_type=str),
    WithJsonSchema({"anyOf": [{"type": "string", "pattern": "^https?://"}, SECRET_SCHEMA]}),
]


Severity = Literal["low", "medium", "high", "urgent"]


class QuietHours(DayHours):
    """A time of the day in which a channel is left in peace. What still stands afterwards is told then."""

    unless: Annotated[
        Severity | Literal["never"], Field(description="Alarms at least so grave are told all the same.")
    ] = "urgent"

    def quiet(self) -> Quiet:
        """As the core has it."""
        return Quiet(self.hours(), "" if self.unless == "never" else self.unless)


class WorkingHours(Section):
    """A channel that is told only while people are at work."""

    calendar: Annotated[
        Name | None,
        Field(description="One of the calendars; left out: that of the alarm's site, all hours without one."),
    ] = None
    otherwise: Annotated[
        Name,
        Field(description="Out of hours: wait, or the channel that is told instead (this one is told afterwards)."),
    ] = "wait"
    unless: Annotated[
        Severity | Literal["never"], Field(description="Alarms at least so grave are told all the same.")
    ] = "urgent"


class _Channel(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    name: Annotated[Name, Field(description="What the rules call it.")]
    sites: Annotated[
        tuple[Name, ...], OneOrMany(), Field(description="Only alarms of these sites; * and ? stand for anything.")
    ] = ()
    tags: Annotated[
        tuple[Name, ...], OneOrMany(), Field(description="Only alarms of printers with one of these tags.")
    ] = ()
    watches: Annotated[
        tuple[Condition, ...], OneOrMany(), Field(description="Only alarms of rules that watch this (their when).")
    ] = ()
    at_least: Annotated[Severity, Field(description="Only alarms at least so grave.")] = "low"
    quiet: Annotated[
        tuple[QuietHours, ...],
        Field(description="Hours in which it is told nothing, by the site's clock."),
    ] = ()
    working: Annotated[
        WorkingHours | None, Field(description="It is told only in working hours; left out: at any time.")
    ] = None

    def route(self, shift: Shift | None = None) -> Route:
        """What it takes, and when, as the core has it. ``shift``: its working hours, with their calendars."""
        quiet = tuple(one.quiet() for one in self.quiet)
        return Route(self.sites, self.at_least, quiet, self.tags, self.watches, shift)


class Mail(_Channel):
    """Mail over SMTP."""

    kind: Annotated[Literal["mail"], Field(description="mail")]
    host: Annotated[Host, Field(description="The mail server.")]
    port: Annotated[
        int | None, Field(ge=1, le=65535, description="Its port; without it 587 (starttls), 465 (tls) or 25 (none).")
    ] = None
    security: Annotated[Literal["starttls", "tls", "none"], Field(description="How the connection is encrypted.")] = (
        "starttls"
    )
    ca_file: Annotated[FilePath | None, Field(description="Certificates to trust besides the system's (PEM file).")] = (
        None
    )
    user: Annotated[Text | None, Field(description="User name at the mail server, where it wants one.")] = None
    password: Annotated[Secret | None, Field(description="Password at the mail server.")] = None
    sender: Annotated[MailAddress, Field(alias="from", description="The sender's mail address.")]
    to: Annotated[
        tuple[MailAddress, ...],
        Field(min_length=1, max_length=100, description="Who gets the mail."),
        OneOrMany(),
    ]

    @property
    def smtp_port(self) -> int:
        """The port, or the usual one for the security chosen."""
        return self.port or _SMTP_PORTS[self.security]


class Webhook(_Channel):
    """A POST with JSON, signed."""

    kind: Annotated[Literal["webhook"], Field(description="webhook")]
    url: Annotated[WebUrl, Field(description="Where to; a secret where the URL itself lets people in.")]
    secret: Annotated[Secret | None, Field(description="Key of the HMAC signature.")] = None

    def reveal_url(self) -> str:
        """The URL. Raises SecretMissing."""
        return self.url.reveal() if isinstance(self.url, Secret) else self.url


class Alertmanager(_Channel):
    """Alerts of Prometheus' Alertmanager (its API, version 2)."""

    kind: Annotated[Literal["alertmanager"], Field(description="alertmanager")]
    url: Annotated[WebUrl, Field(description="Its root, like http://127.0.0.1:9093; or a secret.")]
    ca_file: Annotated[FilePath | None, Field(description="Certificates to trust besides the system's (PEM file).")] = (
        None
    )

    def reveal_url(self) -> str:
        """The URL. Raises SecretMissing."""
        return self.url.reveal() if isinstance(self.url, Secret) else self.url


class ApprisePost(_Channel):
    """Any service that the Apprise library reaches."""

    kind: Annotated[Literal["apprise"], Field(description="apprise")]
    url: Annotated[Secret, Field(description="The Apprise URL; it holds the keys of the service, so it is a secret.")]


Channel = Annotated[Mail | Webhook | Alertmanager | ApprisePost, Field(discriminator="kind")]
