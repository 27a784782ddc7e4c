"""How the web server proves itself, and whom it believes."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, Field, WithJsonSchema

from agent.model.locales import LOCALES
from agent.settings.secrets import Secret
from agent.settings.section import Section
from agent.settings.telemetry import Otlp, installed
from agent.settings.units import FilePath, OneOrMany, Range, Text, did_you_mean, read_host, wrong


def _in_a_file(secret: Secret) -> Secret:
    if secret.file is None:
        raise wrong("a file: {file: PATH}", "the key is read from a file; give its path")
    return secret


def _token(name: str) -> str:
    # RFC 9110 section 5.6.2.
    if not re.fullmatch(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+", name):
        raise wrong("the name of an HTTP header, like X-Remote-User")
    if name.lower() in ("authorization", "cookie", "host", "origin", "x-forwarded-for"):
        raise wrong("the name of a header of its own", "this one means something else already")
    return name


def _host(name: str) -> str:
    return read_host(name).lower()


def known_locale(tag: str | None) -> str | None:
    """The tag, if CLDR knows how numbers and dates are written there."""
    if tag is not None:
        from babel import Locale, UnknownLocaleError

        try:
            Locale.parse(tag, sep="-" if "-" in tag else "_")
        except (ValueError, UnknownLocaleError):
            raise wrong("a language tag like en-GB or de-CH", did_you_mean(tag, LOCALES)) from None
    return tag


HostName = Annotated[Text, AfterValidator(_host)]


class Tls(Section):
    """The certificate of the web server."""

    certificate: Annotated[
        FilePath, Field(description="PEM file with the certificate and those between it and its root.")
    ]
    key: Annotated[
        Secret,
        AfterValidator(_in_a_file),
        WithJsonSchema(
            {
                "type": "object",
                "properties": {"file": {"type": "string", "minLength": 1}},
                "required": ["file"],
                "additionalProperties": False,
            }
        ),
        Field(description="PEM file with its private key, without a pass phrase: {file: PATH}."),
    ]


class Proxy(Section):
    """A proxy that knows who asks."""

    header: Annotated[
        Text | None,
        AfterValidator(lambda name: name and _token(name)),
        Field(description="The header in which it says the name; the proxy must take it off what comes from outside."),
    ] = None
    sender: Annotated[
        tuple[Range, ...],
        OneOrMany(),
        Field(
            alias="from", min_length=1, description="Addresses of the proxy; from others the header is not believed."
        ),
    ]


class MetricsAccess(Section):
    """Who may read /metrics, and where they are sent to besides."""

    token: Annotated[
        Secret | None, Field(description="Asked for as Authorization: Bearer TOKEN; without it everybody may.")
    ] = None
    otlp: Annotated[
        Otlp | None, AfterValidator(installed), Field(description="Sends them to an OpenTelemetry collector as well.")
    ] = None
