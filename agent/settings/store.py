"""Where the history is kept."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import parse_qs, quote, urlsplit, urlunsplit

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, WithJsonSchema
from pydantic.config import JsonDict

from agent.settings.secrets import Secret
from agent.settings.units import wrong

DEFAULT_URL = "sqlite:///lowmark.sqlite"
_SCHEMES = ("sqlite", "postgresql", "postgresql+psycopg")
_EXPECTED = "a URL like sqlite:///lowmark.sqlite or postgresql://lowmark@db.example.org/lowmark"


def check_url(text: str) -> str:
    """A store URL without a password in it; raises PydanticCustomError, which never repeats the URL."""
    try:
        parts = urlsplit(text)
        password, _ = parts.password, parts.port
        asked = parse_qs(parts.query)
    except ValueError:
        raise wrong(_EXPECTED) from None
    if parts.scheme not in _SCHEMES or "://" not in text:
        raise wrong(_EXPECTED, f"it begins with one of {', '.join(_SCHEMES)}")
    if password is not None or any("pass" in key.lower() for key in asked):
        raise wrong(
            "a URL without a password in it",
            "write store: {url: ..., password: {env: NAME}}, and change the password if others can read this file",
        )
    if parts.scheme == "sqlite" and parts.netloc:
        raise wrong(_EXPECTED, "sqlite takes three slashes before a relative path, four before an absolute one")
    return text


StoreUrl = Annotated[str, AfterValidator(check_url), WithJsonSchema({"type": "string", "minLength": 1})]


def _or_text(schema: JsonDict) -> None:
    """In the file the URL may stand alone: ``store: sqlite:///lowmark.sqlite``."""
    inner = dict(schema)
    schema.clear()
    schema["anyOf"] = [{"type": "string", "minLength": 1}, inner]


class Store(BaseModel):
    """Where the history is kept."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, json_schema_extra=_or_text)

    url: Annotated[StoreUrl, Field(description="sqlite:///PATH, or postgresql://USER@HOST/DATABASE.")] = DEFAULT_URL
    password: Annotated[Secret | None, Field(description="The password for a database server.")] = None

    def reveal_url(self) -> str:
        """The URL with the password in its place. Raises SecretMissing; keep the result out of sight."""
        if self.password is None:
            return self.url
        parts = urlsplit(self.url)
        user, _, host = parts.netloc.rpartition("@")
        return urlunsplit(parts._replace(netloc=f"{user}:{quote(self.password.reveal(), safe='')}@{host}"))


def store_from_text(given: object) -> object:
    """``store: URL`` is short for ``store: {url: URL}``."""
    return {"url": given} if isinstance(given, str) else given
