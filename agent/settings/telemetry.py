"""Where the metrics are sent to, besides being served: an OpenTelemetry collector."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Mapping
from datetime import timedelta
from importlib.util import find_spec
from types import MappingProxyType
from typing import Annotated

from pydantic import AfterValidator, Field, PlainSerializer, PlainValidator, ValidationInfo, WithJsonSchema

from agent.settings.channels import WebUrl
from agent.settings.secrets import SECRET_SCHEMA, Secret
from agent.settings.section import Section
from agent.settings.units import Duration, FilePath, Name, between, wrong

_TOKEN = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")
"""The name of a header (RFC 9110 section 5.6.2)."""
_LETS_IN = ("authorization", "cookie", "key", "token", "secret", "password")
_LONGEST_VALUE = 1_000


def _header(given: object, info: ValidationInfo) -> str | Secret:
    if isinstance(given, dict | Secret):
        return Secret.read(given, info)
    if not isinstance(given, str) or not given.isprintable() or not given.isascii() or len(given) > _LONGEST_VALUE:
        raise wrong("text of one line, or a secret: {env: NAME} or {file: PATH}")
    return given


_Header = Annotated[
    str | Secret,
    PlainValidator(_header),
    PlainSerializer(str, return_type=str),
    WithJsonSchema({"anyOf": [{"type": "string", "maxLength": _LONGEST_VALUE}, SECRET_SCHEMA]}),
]


def _headers(given: Mapping[str, str | Secret]) -> Mapping[str, str | Secret]:
    for name, value in given.items():
        if not _TOKEN.fullmatch(name):
            raise wrong("names of headers, like X-Tenant", f"{name!r} is none")
        if isinstance(value, str) and any(word in name.lower() for word in _LETS_IN):
            raise wrong(f"a secret for the header {name}", f"{name}: {{env: NAME}} or {{file: PATH}}")
    return MappingProxyType(dict(given))


class Otlp(Section):
    """Sends the metrics to an OpenTelemetry collector (OTLP over HTTP)."""

    endpoint: Annotated[WebUrl, Field(description="The whole URL, like http://127.0.0.1:4318/v1/metrics; or a secret.")]
    headers: Annotated[
        Mapping[Name, _Header],
        AfterValidator(_headers),
        PlainSerializer(lambda given: {name: str(value) for name, value in given.items()}, return_type=dict[str, str]),
        Field(default_factory=lambda: MappingProxyType({}), description="Headers to send along; secrets for keys."),
    ]
    every: Annotated[Duration, between("5s", "1h"), Field(description="How often.")] = timedelta(seconds=60)
    ca_file: Annotated[
        FilePath | None, Field(description="Trusted in place of the system's certificates (PEM file).")
    ] = None

    def reveal_endpoint(self) -> str:
        """The URL. Raises SecretMissing."""
        return self.endpoint.reveal() if isinstance(self.endpoint, Secret) else self.endpoint

    def reveal_headers(self) -> dict[str, str]:
        """The headers with their values. Raises SecretMissing; keep the result out of sight."""
        return {name: value.reveal() if isinstance(value, Secret) else value for name, value in self.headers.items()}

    def secrets(self) -> Mapping[str, Secret]:
        """The secrets in it, by key."""
        found = {f"headers.{name}": value for name, value in self.headers.items() if isinstance(value, Secret)}
        return {"endpoint": self.endpoint, **found} if isinstance(self.endpoint, Secret) else found


def installed(given: Otlp | None) -> Otlp | None:
    """Complains where the program cannot send, since the libraries for it are optional."""
    with contextlib.suppress(ModuleNotFoundError):
        if given is None or find_spec("opentelemetry.exporter.otlp.proto.http.metric_exporter") is not None:
            return given
    raise wrong(
        "the key left out, since the libraries that it needs are not installed",
        "install them: pip install 'lowmark[otlp]'",
    )
