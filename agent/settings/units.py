"""The small languages inside the file: durations, fractions, zones, addresses, ranges. Text in, values out.

Each reader raises ``PydanticCustomError`` of type ``settings`` whose context says what was expected and what to do.
"""

from __future__ import annotations

import difflib
import ipaddress
import re
import zoneinfo
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BeforeValidator,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    PlainSerializer,
    PlainValidator,
    ValidationInfo,
    WithJsonSchema,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import PydanticCustomError, core_schema

Network = ipaddress.IPv4Network | ipaddress.IPv6Network

LARGEST_RANGE = 4096
"""Addresses in one range: a /20. A longer one is a slip of the pen, and would keep the agent asking for hours."""

_SECONDS = {"ms": 0.001, "s": 1, "m": 60, "h": 3600, "d": 86400, "w": 604800}
_DURATION = r"^([0-9]+(\.[0-9]+)?(ms|s|m|h|d|w))+$"
_PART = re.compile(r"([0-9]+(?:\.[0-9]+)?)(ms|s|m|h|d|w)")
_PERCENT = r"^[0-9]+(\.[0-9]+)?\s?%$"
_LABEL = re.compile(r"[A-Za-z0-9_]([A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?")


def wrong(expected: str, hint: str = "") -> PydanticCustomError:
    """What a reader raises: what was expected, what to do."""
    return PydanticCustomError("settings", "not what was expected", {"expected": expected, "hint": hint})


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that ``word`` was probably meant to be; letter case and ``-``/``_`` count for nothing."""

    def plain(text: str) -> str:
        return text.casefold().replace("-", "_").replace(" ", "_")

    by_plain = {plain(name): name for name in known}
    found = difflib.get_close_matches(plain(word), by_plain, n=1, cutoff=0.6)
    return by_plain[found[0]] if found else None


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """``did you mean X?`` or nothing."""
    near = nearest(word, known)
    return f"did you mean {near}?" if near else ""


# --- text ----------------------------------------------------------------------------------------------------------


def read_text(given: object) -> object:
    """Text; a plain number is taken as it was written (``room: 007`` is the room 007)."""
    return getattr(given, "written", given)


def _checked(longest: int) -> Callable[[str], str]:
    def check(text: str) -> str:
        if not text.strip():
            raise wrong("some text", "write something, or leave the key out")
        if len(text) > longest:
            raise wrong(f"at most {longest} characters")
        if any(ord(c) < 32 or 127 <= ord(c) < 160 for c in text):
            raise wrong("text on one line, without control characters")
        return text.strip()

    return check


def _text_schema(longest: int) -> WithJsonSchema:
    return WithJsonSchema({"type": ["string", "number"], "minLength": 1, "maxLength": longest})


def matching(pattern: str, expected: str) -> AfterValidator:
    """Text that matches the whole of ``pattern``."""

    def check(text: str | None) -> str | None:
        if text is not None and not re.fullmatch(pattern, text):
            raise wrong(expected)
        return text

    return AfterValidator(check)


Text = Annotated[str, BeforeValidator(read_text), AfterValidator(_checked(200)), _text_schema(200)]
"""One line of text."""
Name = Annotated[str, BeforeValidator(read_text), AfterValidator(_checked(100)), _text_schema(100)]
"""What something is called, and by which other places of the file refer to it."""
KeyName = Annotated[Name, matching(r"[^|]{1,64}", "a name of at most 64 characters without |")]
"""A name that becomes part of a key, whose parts are divided by bars."""


class OneOrMany:
    """Marks a list that may be written as its one entry alone: ``tags: colour`` for ``tags: [colour]``."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        def listed(given: object) -> object:
            return given if given is None or isinstance(given, tuple | list | dict) else (given,)

        return core_schema.no_info_before_validator_function(listed, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        many = handler(schema)
        return {"anyOf": [many, many["items"]]}


def _path(given: object, info: ValidationInfo) -> Path:
    if isinstance(given, Path):
        return given
    if not isinstance(given, str) or not given or "\0" in given:
        raise wrong("the path of a file")
    return Path((info.context or {}).get("base") or "") / Path(given).expanduser()


FilePath = Annotated[
    Path,
    PlainValidator(_path),
    PlainSerializer(str, return_type=str),
    WithJsonSchema({"type": "string", "minLength": 1}),
]
"""The path of a file; a relative one starts from the directory of the settings file."""


# --- durations and fractions ---------------------------------------------------------------------------------------


def read_duration(given: object) -> timedelta:
    """``90s``, ``5m``, ``1h30m``, ``6h``, ``7d``, ``2w``, ``500ms``."""
    expected = "a duration with its unit, like 60s, 5m, 6h or 30d"
    if isinstance(given, timedelta):
        return given
    if isinstance(given, int | float) and not isinstance(given, bool):
        raise wrong(expected, f"say the unit: {read_text(given)}s, {read_text(given)}m, {read_text(given)}h ...")
    if not isinstance(given, str) or len(given) > 40:
        raise wrong(expected)
    text = given.replace(" ", "")
    if not re.fullmatch(_DURATION, text):
        raise wrong(expected, "the units are ms, s, m (minutes), h, d and w")
    try:
        return timedelta(seconds=sum(float(number) * _SECONDS[unit] for number, unit in _PART.findall(text)))
    except OverflowError:
        raise wrong("a duration that a calendar can hold") from None


def write_duration(span: timedelta) -> str:
    """The shortest form that reads back: ``1h30m``, ``6h``, ``500ms``. Parts below a millisecond are dropped."""
    left = round(span / timedelta(milliseconds=1))
    parts = []
    for unit, size in (("d", 86_400_000), ("h", 3_600_000), ("m", 60_000), ("s", 1000), ("ms", 1)):
        count, left = divmod(left, size)
        if count:
            parts.append(f"{count}{unit}")
    return "".join(parts) or "0s"


def between(least: str, most: str) -> AfterValidator:
    """A duration from ``least`` to ``most``, both included."""
    low, high = read_duration(least), read_duration(most)

    def check(span: timedelta | None) -> timedelta | None:
        if span is not None and not low <= span <= high:
            raise wrong(f"a duration from {least} to {most}")
        return span

    return AfterValidator(check)


Duration = Annotated[
    timedelta,
    BeforeValidator(read_duration),
    PlainSerializer(write_duration, return_type=str),
    WithJsonSchema({"type": "string", "pattern": _DURATION, "examples": ["60s", "5m", "6h", "30d"]}),
]


def read_fraction(given: object) -> float:
    """``15%`` or ``0.15`` -> 0.15. A bare 15 is refused, and so is 1, which could mean either end."""
    expected = "a share like 15% or 0.15"
    if isinstance(given, str) and re.fullmatch(_PERCENT, given):
        share = float(given.rstrip("% ")) / 100
    elif isinstance(given, float):
        share = given
    elif isinstance(given, int) and not isinstance(given, bool):
        if given != 0:
            raise wrong(expected, f"write {given}%" if 1 <= given <= 100 else "")
        share = 0.0
    else:
        raise wrong(expected)
    if not 0 <= share <= 1:
        raise wrong(f"{expected}, from 0% to 100%")
    return share


Fraction = Annotated[
    float,
    BeforeValidator(read_fraction),
    WithJsonSchema(
        {
            "anyOf": [{"type": "string", "pattern": _PERCENT}, {"type": "number", "minimum": 0, "maximum": 1}],
            "examples": ["15%", 0.15],
        }
    ),
]


# --- time zones ----------------------------------------------------------------------------------------------------


def _zone(name: str) -> str:
    known = zoneinfo.available_timezones()
    if name not in known:
        raise wrong("a time zone of the IANA database, like Europe/London or UTC", did_you_mean(name, known))
    return name


Zone = Annotated[
    str,
    AfterValidator(_zone),
    WithJsonSchema({"type": "string", "minLength": 1, "examples": ["UTC", "Europe/London", "America/New_York"]}),
]


# --- addresses -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Endpoint:
    """A host (name, IPv4 or IPv6 address without brackets) and a port, None where none was given."""

    host: str
    port: int | None = None

    def __str__(self) -> str:
        if self.port is None:
            return self.host
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    @property
    def is_loopback(self) -> bool:
        """True when only this machine can reach it."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"


_ADDRESS = "an address: a host name, an IPv4 or IPv6 address, with :port where it is not the usual one"


def read_host(text: str) -> str:
    """A host name (RFC 1123, underscores suffered) or an IP address; raises PydanticCustomError."""
    try:
        return str(ipaddress.ip_address(text))
    except ValueError:
        pass
    labels = text.removesuffix(".").split(".")
    if len(text) > 253 or not all(_LABEL.fullmatch(label) for label in labels):
        raise wrong(_ADDRESS, "a host name has letters, digits, hyphens and dots only")
    if labels[-1].isdigit():
        raise wrong(_ADDRESS, "this is neither a host name nor a whole IPv4 address (four numbers up to 255)")
    return text.lower()


def read_endpoint(given: object) -> Endpoint:
    """``host``, ``host:port``, ``2001:db8::1``, ``[2001:db8::1]:port`` -> Endpoint."""
    if isinstance(given, Endpoint):
        return given
    if isinstance(given, list | tuple):
        raise wrong(_ADDRESS, 'YAML takes [ ] for a list: write it in quotes, "[2001:db8::1]:161"')
    if not isinstance(given, str):
        raise wrong(_ADDRESS)
    if "/" in given:
        raise wrong(_ADDRESS, "a range of addresses goes under the key range; an address has no scheme before it")
    bracketed = re.fullmatch(r"\[([^\]]+)\](?::(.*))?", given)
    if bracketed:
        host, port = bracketed[1], bracketed[2]
    elif given.count(":") == 1:
        host, port = given.split(":")
    else:
        host, port = given, None
    if port is not None and not (port.isascii() and port.isdigit() and 1 <= int(port[:6]) <= 65535):
        raise wrong("a port from 1 to 65535 after the colon")
    return Endpoint(read_host(host), None if port is None else int(port))


Address = Annotated[
    Endpoint,
    BeforeValidator(read_endpoint),
    PlainSerializer(str, return_type=str),
    WithJsonSchema({"type": "string", "minLength": 1, "examples": ["printer-1.example.org", "192.0.2.7:1161"]}),
]
Host = Annotated[str, AfterValidator(read_host), WithJsonSchema({"type": "string", "minLength": 1})]


def read_network(given: object) -> Network:
    """``192.0.2.0/28``, ``2001:db8::/120``, or one address."""
    if isinstance(given, ipaddress.IPv4Network | ipaddress.IPv6Network):
        return given
    expected = "a range of addresses like 192.0.2.0/28 or 2001:db8::/120"
    if not isinstance(given, str):
        raise wrong(expected)
    try:
        made = ipaddress.ip_network(given)
    except ValueError:
        raise wrong(expected, _network_hint(given)) from None
    if made.num_addresses > LARGEST_RANGE:
        raise wrong(
            f"a range of at most {LARGEST_RANGE} addresses",
            f"it has {made.num_addresses:,}; list smaller ranges, or find the printers with lowmark survey",
        )
    return made


def _network_hint(given: str) -> str:
    try:
        return f"did you mean {ipaddress.ip_network(given, strict=False)}?"
    except ValueError:
        return ""


Range = Annotated[
    Network,
    BeforeValidator(read_network),
    PlainSerializer(str, return_type=str),
    WithJsonSchema({"type": "string", "pattern": "^[0-9A-Fa-f:.]+(/[0-9]{1,3})?$", "examples": ["192.0.2.0/28"]}),
]
