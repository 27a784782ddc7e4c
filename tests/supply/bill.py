"""``make sbom``: what the program consists of, as CycloneDX JSON (ECMA-424), into artefacts/sbom.cdx.json.

    python -m tests.supply.bill [FILE]

cyclonedx-py describes what is installed; of that, what locks/runtime.txt names is kept, with its hashes, and who needs
whom without the extras that nobody asked for. What is locked and not installed is for another system or Python.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from importlib import metadata
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.supply.locks import LOCKS, ROOT, Locked, locked

EXTRAS = frozenset(("postgresql", "otlp"))


def _needs(name: str, extras: frozenset[str]) -> dict[str, frozenset[str]]:
    """What a package needs here, each with the extras that it is wanted with."""
    found: dict[str, frozenset[str]] = {}
    for text in metadata.requires(name) or ():
        one = Requirement(text)
        if one.marker is None or any(one.marker.evaluate({"extra": extra}) for extra in ("", *extras)):
            key = canonicalize_name(one.name)
            found[key] = found.get(key, frozenset()) | one.extras
    return found


def graph() -> dict[str, set[str]]:
    """Who needs whom, from the program down."""
    needs: dict[str, set[str]] = {}
    wanted = {"lowmark": EXTRAS}
    while wanted:
        name, extras = wanted.popitem()
        found = _needs(name, extras)
        before = needs.setdefault(name, set())
        for key, more in found.items():
            if key not in needs or (more and key not in before):
                wanted[key] = wanted.get(key, frozenset()) | more
        before.update(found)
    return needs


def _described() -> dict[str, Any]:
    """Everything that is installed, as cyclonedx-py says it."""
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / "all.json"
        kind = ["--mc-type", "application", "--pyproject", str(ROOT / "pyproject.toml")]
        form = ["--sv", "1.6", "--of", "JSON", "--no-validate", "--output-reproducible", "-o", str(made)]
        subprocess.run(
            [sys.executable, "-m", "cyclonedx_py", "environment", *kind, *form, sys.executable],
            check=True,
            capture_output=True,
        )
        told: dict[str, Any] = json.loads(made.read_text("utf-8"))
        return told


def bill() -> dict[str, Any]:
    """The bill of materials. Raises RuntimeError where what is installed is not what is locked."""
    needs = graph()
    lock: dict[str, Locked] = {
        canonicalize_name(one.requirement.name): one for one in locked(LOCKS / "runtime.txt") if one.here
    }
    told = _described()
    root = told["metadata"]["component"]["bom-ref"]
    parts = {canonicalize_name(one["name"]): one for one in told["components"]}
    kept = sorted(needs.keys() - {"lowmark"})
    for name in kept:
        if name not in lock or parts[name]["version"] != lock[name].version:
            raise RuntimeError(f"{name} {parts[name]['version']} is installed and not locked: make clean, or make lock")
        parts[name].setdefault("externalReferences", []).append(
            {
                "type": "distribution",
                "url": parts[name]["purl"],
                "comment": "any of these files, as locked",
                "hashes": [{"alg": "SHA-256", "content": text.removeprefix("sha256:")} for text in lock[name].hashes],
            }
        )
    refs = {"lowmark": root, **{name: parts[name]["bom-ref"] for name in kept}}
    told["components"] = [parts[name] for name in kept]
    told["dependencies"] = [
        {"ref": refs[name], "dependsOn": sorted(refs[other] for other in needs[name])} for name in refs
    ]
    return told


def main(names: Sequence[str]) -> None:
    target = Path(names[0]) if names else ROOT / "artefacts" / "sbom.cdx.json"
    made = bill()
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(json.dumps(made, indent=2, ensure_ascii=False) + "\n", "utf-8")
    print(f"{len(made['components'])} components written to {target.name}.")  # noqa: T201


if __name__ == "__main__":
    main(sys.argv[1:])
