"""The example file loads, explains every key, and agrees with the schema."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from agent.settings import example, json_schema, load, parse

ROOT = Path(__file__).parents[2]


def switched_on() -> str:
    """The example with every line that begins with # and no space switched on."""
    return re.sub(r"^#(?=[^ #\n])|^#(?=  (- )?[a-z_]+:)|^#(?=    [a-z_]+:)", "", example(), flags=re.MULTILINE)


def validator() -> jsonschema.Draft202012Validator:
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def keys_of(schema: dict[str, Any], whole: dict[str, Any], path: str = "") -> set[str]:
    """Every key path that the schema knows; entries of lists and of mappings by name are written []."""
    found: set[str] = set()
    if "$ref" in schema:
        found |= keys_of(whole["$defs"][schema["$ref"].rsplit("/", 1)[-1]], whole, path)
    for inner in (*schema.get("anyOf", ()), *schema.get("oneOf", ())):
        found |= keys_of(inner, whole, path)
    for key, inner in schema.get("properties", {}).items():
        found |= {f"{path}.{key}"} | keys_of(inner, whole, f"{path}.{key}")
    for inner in (schema.get("items"), schema.get("additionalProperties")):
        if isinstance(inner, dict):
            found |= keys_of(inner, whole, f"{path}[]")
    return found


def keys_in(
    value: object, path: str = "", named: tuple[str, ...] = (".sites", ".credentials", ".calendars")
) -> set[str]:
    if isinstance(value, list):
        return {key for inner in value for key in keys_in(inner, f"{path}[]")}
    if not isinstance(value, dict):
        return set()
    if path in named:
        return {key for inner in value.values() for key in keys_in(inner, f"{path}[]")}
    return {f"{path}.{key}" for key in value} | {
        found for key, inner in value.items() for found in keys_in(inner, f"{path}.{key}")
    }


def test_the_example_in_config_loads() -> None:
    settings = load(ROOT / "config" / "lowmark.yaml")
    assert settings.printers
    assert settings.alarms
    assert settings.channels


def test_the_example_in_config_is_the_one_that_the_command_prints() -> None:
    assert (ROOT / "config" / "lowmark.yaml").read_text("utf-8") == example()


def test_the_schema_in_config_is_the_one_that_the_command_prints() -> None:
    assert json.loads((ROOT / "config" / "lowmark.schema.json").read_text("utf-8")) == json_schema()


def test_the_example_loads_with_every_optional_line_switched_on() -> None:
    settings = parse(switched_on())
    assert {channel.kind for channel in settings.channels} == {"mail", "webhook", "alertmanager", "apprise"}
    assert settings.printers[1].device == 2


def test_every_key_of_the_schema_is_explained_in_the_example() -> None:
    schema = json_schema()
    missing = keys_of(schema, schema) - keys_in(yaml.safe_load(switched_on()))
    # Each secret has two forms; that both exist is explained once at the top of the file.
    missing = {key for key in missing if not re.search(r"\.(env|file)$", key)}
    assert missing == set()


def test_optional_lines_show_the_usual_values() -> None:
    bare, shown = parse(""), parse(switched_on())
    assert shown.polling == bare.polling
    assert shown.retention == bare.retention
    assert shown.listen.address == bare.listen.address
    assert shown.store.url == bare.store.url


# jsonschema is the reference implementation of JSON Schema for Python, which none of us wrote.


def test_the_schema_accepts_the_example() -> None:
    assert list(validator().iter_errors(yaml.safe_load(example()))) == []
    assert list(validator().iter_errors(yaml.safe_load(switched_on()))) == []


@pytest.mark.parametrize(
    ("path", "bad"),
    [
        (("polling", "status"), "60"),
        (("polling", "retries"), "two"),
        (("poling",), {}),
        (("printers", 0, "colour"), "red"),
        (("credentials", "floor", "community"), "in-the-clear"),
        (("credentials", "floor", "version"), 4),
        (("alarms", 0, "below"), 15),
        (("alarms", 0, "when"), "tonerLow"),
        (("channels", 0, "kind"), "pigeon"),
        (("channels", 0, "port"), 70000),
        (("sites", "Depot"), {}),
    ],
)
def test_the_schema_refuses_what_the_loader_refuses(path: tuple[str | int, ...], bad: object) -> None:
    from tests.settings.texts import errors_of

    data = copy.deepcopy(yaml.safe_load(example()))
    spot = data
    for part in path[:-1]:
        spot = spot[part]
    spot[path[-1]] = bad
    assert list(validator().iter_errors(data)) != []
    assert errors_of(yaml.safe_dump(data)) != ()
