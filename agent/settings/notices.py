"""What is no error, and still worth knowing before one relies on the settings."""

from __future__ import annotations

from collections.abc import Iterator
from fnmatch import fnmatchcase

from agent.settings.channels import Alertmanager, ApprisePost, Mail, Webhook
from agent.settings.secrets import Secret, SecretMissing
from agent.settings.shape import Settings
from agent.settings.units import read_endpoint

_SECRETS = {Mail: ("password",), Webhook: ("url", "secret"), Alertmanager: ("url",), ApprisePost: ("url",)}


def notices(settings: Settings) -> tuple[str, ...]:
    """One sentence each. Looks at the environment and at the secret files (whether they are there), at no network."""
    return (*_secrets(settings), *_printers(settings), *_alarms(settings), *_channels(settings))


def secrets(settings: Settings) -> Iterator[tuple[str, Secret]]:
    """Every secret of the settings with the path of its key."""
    if settings.store.password is not None:
        yield "store.password", settings.store.password
    if settings.listen.tls is not None:
        yield "listen.tls.key", settings.listen.tls.key
    if settings.metrics.token is not None:
        yield "metrics.token", settings.metrics.token
    if settings.metrics.otlp is not None:
        for key, secret in settings.metrics.otlp.secrets().items():
            yield f"metrics.otlp.{key}", secret
    for name, entry in settings.credentials.items():
        for key in ("community", "auth_key", "priv_key"):
            found = getattr(entry, key)
            if found is not None:
                yield f"credentials.{name}.{key}", found
    for at, channel in enumerate(settings.channels):
        for key in _SECRETS[type(channel)]:
            found = getattr(channel, key)
            if isinstance(found, Secret):
                yield f"channels[{at}].{key}", found


def _secrets(settings: Settings) -> Iterator[str]:
    for key, secret in secrets(settings):
        try:
            secret.reveal()
        except SecretMissing as missing:
            yield f"{key}: {missing}"
        exposed = secret.exposed()
        if exposed:
            yield f"{key}: {exposed}"
    if settings.store.password is not None and settings.store.url.startswith("sqlite"):
        yield "store.password: SQLite has no password; it is not used"


def _printers(settings: Settings) -> Iterator[str]:
    if not settings.printers:
        yield "printers: there is none; find them with: lowmark survey RANGE"
    used = {entry.credentials for entry in settings.printers}
    for name in settings.credentials:
        if name != "public" and name not in used:
            yield f"credentials.{name}: no printer uses it"


def _alarms(settings: Settings) -> Iterator[str]:
    tags = {tag for entry in settings.printers for tag in entry.tags}
    for at, alarm in enumerate(settings.alarms):
        for tag in alarm.tags:
            if not any(tag == known or fnmatchcase(known, tag) for known in tags):
                yield f"alarms[{at}].tags: no printer has the tag {tag}"
        if settings.channels and alarm.tell == ():
            yield f"alarms[{at}].tell: nobody is told of {alarm.name}; lowmark alarms shows it"
    lengths = [rule.for_ for rule in settings.rules() if rule.when == "unreachable"]
    for at, rule in enumerate(settings.rules()):
        if rule.when == "siteSilent" and lengths and rule.for_ >= min(lengths):
            yield (
                f"alarms[{at}].for: {rule.name} waits as long as a single printer's silence; "
                "make it shorter, or each printer of a silent site is told by itself"
            )


def _channels(settings: Settings) -> Iterator[str]:
    if settings.alarms and not settings.channels:
        yield "channels: there is none, so nobody is told of an alarm; lowmark alarms shows them"
    told = {name for rule in settings.rules() for name in (*rule.tell, *rule.escalate_to)}
    for at, channel in enumerate(settings.channels):
        if settings.alarms and channel.name not in told:
            yield f"channels[{at}]: no rule tells {channel.name}"
        if (
            isinstance(channel, Mail)
            and channel.security == "none"
            and channel.password is not None
            and not read_endpoint(channel.host).is_loopback
        ):
            yield f"channels[{at}].security: the password of {channel.name} crosses the network in the clear"
