"""The pages of docs/ that are made from the program itself. ``make docs`` writes them; a test keeps them true."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from agent.alarms.picture import mermaid, rows
from agent.metrics import catalogue
from agent.settings import json_schema
from tests.docs import shapes

DOCS = Path(__file__).parents[2] / "docs"
MADE = "<!-- Made by `make docs` from the program; change the program, not this page. -->"


def metrics() -> str:
    """Every metric."""
    lines = [
        "# Metrics",
        MADE,
        "",
        "`/metrics` speaks Prometheus text and OpenMetrics. `printer` is the name, which two printers may share;",
        "`printer_id` is the store's number, which none share. What a printer does not say is absent.",
        "",
        "| metric | kind | labels | meaning |",
        "|---|---|---|---|",
    ]
    for one in catalogue():
        labels = ", ".join(f"`{label}`" for label in one.labels)
        lines.append(f"| `{one.name}` | {one.kind} | {labels} | {one.help} |")
    return "\n".join(lines) + "\n"


def settings() -> str:
    """Every key of the settings file."""
    schema = json_schema()
    lines = [
        "# Settings",
        MADE,
        "",
        "One YAML file; `lowmark settings example` prints a commented one. `[]` stands for each entry of a list, `*`",
        "for a name of your own. A secret is written `{env: NAME}` or `{file: PATH}`.",
        "",
        "| key | what it may be | meaning |",
        "|---|---|---|",
    ]
    found: dict[str, tuple[dict[str, None], dict[str, None]]] = {}
    for key, what, text in _keys(schema, schema, ""):
        whats, texts = found.setdefault(key, ({}, {}))
        whats[what] = texts[text] = None
    lines += [f"| `{key}` | {', '.join(whats)} | {'; '.join(texts)} |" for key, (whats, texts) in found.items()]
    return "\n".join(lines) + "\n"


def _resolved(part: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    ref = part.get("$ref")
    if ref is None:
        return part
    return {**schema["$defs"][ref.rsplit("/", 1)[1]], **{key: value for key, value in part.items() if key != "$ref"}}


def _keys(part: dict[str, Any], schema: dict[str, Any], path: str) -> Iterator[tuple[str, str, str]]:
    part = _resolved(part, schema)
    for name, inner in part.get("properties", {}).items():
        one = _resolved(inner, schema)
        key = f"{path}{name}"
        yield key, _what(one, schema), str(one.get("description", "")).replace("|", "\\|").replace("\n", " ")
        yield from _inside(one, schema, key)


def _choices(one: dict[str, Any], schema: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """The part itself, or, where it may be one of several things, each of them."""
    inner = [*one.get("anyOf", ()), *one.get("oneOf", ())]
    if not inner:
        yield one
    for choice in inner:
        yield from _choices(_resolved(choice, schema), schema)


def _inside(one: dict[str, Any], schema: dict[str, Any], key: str) -> Iterator[tuple[str, str, str]]:
    for found in _choices(one, schema):
        if found.get("properties", {}).keys() and found["properties"].keys() <= {"env", "file"}:
            continue  # a secret; how those are written stands at the top of the page
        yield from _keys(found, schema, f"{key}.")
        more = found.get("additionalProperties")
        if isinstance(more, dict):
            yield from _keys(more, schema, f"{key}.*.")
            yield from _inside(_resolved(more, schema), schema, f"{key}.*") if "properties" not in more else ()
        items = found.get("items")
        if isinstance(items, dict):
            yield from _inside(_resolved(items, schema), schema, f"{key}[]")


def _what(one: dict[str, Any], schema: dict[str, Any]) -> str:
    if "enum" in one:
        return ", ".join(dict.fromkeys(f"`{value}`" for value in one["enum"]))
    if "const" in one:
        return f"`{one['const']}`"
    choices = [*one.get("anyOf", ()), *one.get("oneOf", ())]
    if choices:
        words = dict.fromkeys(_what(_resolved(choice, schema), schema) for choice in choices)
        return " or ".join(word for word in words if word != "nothing")
    kind = one.get("type", "a value")
    if isinstance(kind, list):
        return "text"  # a name may look like a number
    if kind == "array":
        return "a list"
    words = {"object": "a mapping", "string": "text", "null": "nothing", "boolean": "`true` or `false`"}
    return words.get(str(kind), str(kind))


def alarms() -> str:
    """The page about alarms, with the picture and the table of the life of an alarm as the program has them."""
    page = (DOCS / "alarms.md").read_text("utf-8")
    page = re.sub(r"```mermaid\nstateDiagram.*?```\n", lambda _: f"```mermaid\n{mermaid()}```\n", page, flags=re.DOTALL)
    return re.sub(r"(?m)^\| state \|.*\n(\|.*\n)*", lambda _: rows(), page)


PAGES = {"metrics.md": metrics, "settings.md": settings, "alarms.md": alarms, "json.md": shapes.page}


def main() -> None:
    """Write all pages."""
    DOCS.mkdir(exist_ok=True)
    for name, make in PAGES.items():
        (DOCS / name).write_text(make(), "utf-8")


if __name__ == "__main__":
    main()
