"""The page about the shapes of JSON, made from the OpenAPI document of the API; the commands print the same shapes."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any, cast

from agent.web.api import ROOT, build_api
from agent.web.house import House

_REF = "#/components/schemas/"
_PLAIN = {
    "string": "text",
    "integer": "a whole number",
    "number": "a number",
    "boolean": "`true` or `false`",
    "null": "`null`",
    "object": "an object",
}
_FORMATS = {"date-time": "a moment", "date": "a day", "duration": "a duration"}

COMMANDS = """\
| command | `format` | where it is told |
|---|---|---|
| `read --json` | `lowmark.read.v1` | below: `address`, `at`, `engine`, `printers` (each a [Reading](#reading)) |
| `sweep --json` | `lowmark.sweep.v1` | the figures of the sweep, and `printers` (each a [Seen](#seen)); an `id` below zero: the history does not know it yet |
| `survey --json` | `lowmark.survey.v1` | `lowmark survey --help`; `settings` is the YAML to paste |
| `history`, `ledger` | `lowmark.history.v1`, `lowmark.ledger.v1` | [History](#history); `since`, `until`, `entries` (each an [Entry](#entry)) |
| `alarms` | `lowmark.alarms.v1` | `at` and `alarms` (each an [Alarm](#alarm)) |
| `alarms --report`, `alarms rehearse`, `alarms outbox`, `alarms window` | `lowmark.alarms.report.v1`, `lowmark.alarms.rehearsal.v1`, `lowmark.outbox.v1`, `lowmark.alarms.windows.v1` | [alarms](alarms.md) |
| `runout`, `lives`, `usage` | `lowmark.runout.v1`, `lowmark.lives.v1`, `lowmark.usage.v1` | [insight](json-insight.md) |
| `upkeep`, `shelf`, `yields` | `lowmark.upkeep.v1`, `lowmark.shelf.v1`, `lowmark.yields.v1` | [upkeep](json-upkeep.md) |
| `round` | `lowmark.round.v1` | [round](json-round.md) |
| `service`, `proofs`, `suggestions` | `lowmark.service.v1`, `lowmark.proofs.v1`, `lowmark.suggestions.v1` | [service](json-service.md) |
| `symptom` | `lowmark.symptom.v1` | [symptom](json-symptom.md) |
| `letters` | `lowmark.letters.v1` | `at`, `letters`: name, kind, channel, to, sites, at, days, zone, locale, next |
| `fitness`, `backup`, `restore`, `import` | `lowmark.fitness.v1`, `lowmark.backup.v1`, `lowmark.restore.v1`, `lowmark.import.v1` | [operations](operations.md) |
| `settings check` | `lowmark.settings-check.v1` | `file`, `valid`, `errors` (each with its place), `notices`; of valid ones `counts`: addresses_listed, addresses_from_ranges, sites, credentials, alarms, channels |
| `people`, `tokens list`, `tokens add` | `lowmark.people.v1`, `lowmark.tokens.v1`, `lowmark.token.v1` | [who may](who-may.md); `token` is shown this once |
| `rehearse`, `hands` | `lowmark.rehearse.v1`, `lowmark.hands.v1` | `printers`, `settings`; `printer`, `done` |
| `/healthz`, `/readyz` | `lowmark.health.v1`, `lowmark.ready.v1` | `alive`, `heartbeat_age` (since the loop last turned); `ready`, `missing` |
| a webhook's body | `lowmark.messages.v1` | [alarms](alarms.md#the-webhook) |
"""  # noqa: E501 - rows of a table


def page() -> str:
    """The page."""
    document = build_api(cast(House, object())).openapi()  # the document is made of the models; no house is asked
    schemas: Mapping[str, Any] = document["components"]["schemas"]
    lines = [
        "# Shapes of JSON",
        "<!-- Made by `make docs` from the program; change the program, not this page. -->",
        "",
        "Every object that is printed or served says in its first key, `format`, what it is. Within a version no key",
        "is renamed or taken out, none changes its meaning; new ones may come. Moments are ISO 8601 with an offset,",
        "durations are in seconds unless they say otherwise, shares are 0 to 1, and what is not known is `null`.",
        f"The API's own document is at `{ROOT}/openapi.json` (OpenAPI 3.1); this page is made from it.",
        "",
        "## Of the commands",
        "",
        COMMANDS,
        "## Of the API",
        "",
        "| | path | answers with |",
        "|---|---|---|",
        *_operations(document["paths"]),
        "",
        "What is refused answers with a [Problem](#problem).",
    ]
    for name, schema in sorted(_told(schemas)):
        lines += ["", f"### {name}", "", *_told_of(schema)]
    return "\n".join(lines) + "\n"


def _operations(paths: Mapping[str, Any]) -> Iterator[str]:
    for path, operations in paths.items():
        for method, one in operations.items():
            answer = next(answer for status, answer in one["responses"].items() if status.startswith("2"))
            kind = answer["content"]["application/json"]["schema"]
            yield f"| {one['summary']} | `{method.upper()} {path}` | {_kind(kind)} |"


def _told(schemas: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    for name, schema in schemas.items():
        if not name.startswith("Body_"):  # a form, told at its operation
            yield name, schema


def _told_of(schema: Mapping[str, Any]) -> Iterator[str]:
    text = " ".join(str(schema.get("description", "")).split())
    if "enum" in schema:
        yield f"One of {', '.join(f'`{one}`' for one in schema['enum'])}."
        return
    if text:
        yield text
        yield ""
    yield "| key | what it is | meaning |"
    yield "|---|---|---|"
    wanted = schema.get("required", ())
    for key, one in schema.get("properties", {}).items():
        meaning = " ".join(str(one.get("description", "")).split()).replace("|", "\\|")
        left = "" if key in wanted or "default" in one else "; may be left out"
        yield f"| `{key}` | {_kind(one)}{left} | {meaning} |"


def _kind(one: Mapping[str, Any]) -> str:
    if "$ref" in one:
        name = one["$ref"].removeprefix(_REF)
        return f"[{name}](#{re.sub(r'[^a-z0-9_-]', '', name.lower())})"
    values = one.get("enum", [one["const"]] if "const" in one else [])
    if values:
        return ", ".join(f"`{value}`" for value in values)
    if choices := [*one.get("anyOf", ()), *one.get("oneOf", ())]:
        return " or ".join(dict.fromkeys(_kind(choice) for choice in choices))
    plain = _FORMATS.get(str(one.get("format")), _PLAIN.get(str(one.get("type")), "anything"))
    inner = one.get("items") if one.get("type") == "array" else one.get("additionalProperties")
    if one.get("type") == "array":
        return f"a list, each {_kind(inner)}" if inner else "a list"
    return f"{plain}, each value {_kind(inner)}" if isinstance(inner, Mapping) else plain
