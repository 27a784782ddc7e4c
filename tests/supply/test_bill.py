"""The bill of materials: valid, whole, and about the program rather than about its tests."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import cyclonedx.schema
import jsonschema_rs
import pytest
from packaging.utils import canonicalize_name

from tests.supply import bill
from tests.supply.locks import LOCKS, locked


@pytest.fixture(scope="module")
def made() -> dict[str, Any]:
    return bill.bill()


def test_it_follows_the_schema_of_cyclonedx(made: dict[str, Any]):
    """ECMA-424, schema 1.6 with all that it refers to, as cyclonedx-python-lib ships them."""
    folder = Path(cyclonedx.schema.__file__).parent / "_res"
    schema, spdx, jsf = (
        json.loads((folder / f"{name}.SNAPSHOT.schema.json").read_text("utf-8"))
        for name in ("bom-1.6", "spdx", "jsf-0.82")
    )
    known = {f"http://cyclonedx.org/schema/{name}.schema.json": it for name, it in (("spdx", spdx), ("jsf-0.82", jsf))}
    known |= {f"http://cyclonedx.org/schema/{name}.SNAPSHOT.schema.json": it for name, it in
              (("spdx", spdx), ("jsf-0.82", jsf))}  # fmt: skip
    validator = jsonschema_rs.validator_for(schema, retriever=known.__getitem__, validate_formats=True)
    assert [str(error) for error in validator.iter_errors(made)] == []
    assert not validator.is_valid({**made, "specVersion": 7})
    assert not validator.is_valid({**made, "components": [{**made["components"][0], "type": "toner"}]})
    refs = [one["bom-ref"] for one in made["components"]]
    assert len(set(refs)) == len(refs)


def test_it_names_what_is_locked_for_the_program_with_its_hashes(made: dict[str, Any]):
    lock = {canonicalize_name(one.requirement.name): one for one in locked(LOCKS / "runtime.txt") if one.here}
    found = {canonicalize_name(one["name"]): one for one in made["components"]}
    assert found.keys() == lock.keys()
    assert "pytest" not in found
    for name, one in found.items():
        assert one["version"] == lock[name].version
        assert re.fullmatch(r"pkg:pypi/[\w.-]+@[\w.]+", one["purl"])
        (files,) = [ref for ref in one["externalReferences"] if ref.get("comment", "").endswith("as locked")]
        assert {f"sha256:{digest['content']}" for digest in files["hashes"]} == set(lock[name].hashes)


def test_each_part_is_needed_by_another_and_all_hang_on_the_program(made: dict[str, Any]):
    needs = {one["ref"]: one["dependsOn"] for one in made["dependencies"]}
    reached, ahead = set(), [made["metadata"]["component"]["bom-ref"]]
    while ahead:
        one = ahead.pop()
        if one not in reached:
            reached.add(one)
            ahead += needs[one]
    assert reached == needs.keys()
    assert made["metadata"]["component"]["name"] == "lowmark"


def test_nearly_every_part_tells_its_licence(made: dict[str, Any]):
    silent = [one["name"] for one in made["components"] if not one.get("licenses")]
    assert len(silent) <= len(made["components"]) // 20, silent
