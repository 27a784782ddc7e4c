"""``make audit``: the locked versions, looked up among known weaknesses by pip-audit.

    python -m tests.supply.audit [FILE ...]

Exit status 1 when a weakness is known or a package could not be looked up, 2 when pip-audit failed. Where no advisory
service answers for any package, that is said in one line, and nothing else is: 0. PIP_AUDIT_VULNERABILITY_SERVICE and
PIP_AUDIT_OSV_URL choose another service, as pip-audit's documentation says.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.supply.locks import LOCKS, Locked, locked

PROBES = 2
"""So many packages are looked up first. When the service knows none of them, it is no advisory service: a mirror of
packages alone answers 404 to everything that is asked about weaknesses."""
_UNREACHED = re.compile(r"ConnectionError|ConnectTimeout|ReadTimeout|Could not connect|Failed to (resolve|establish)")


@dataclass(frozen=True)
class Looked:
    """What pip-audit told. ``weak``: lines about findings; ``unknown``: packages without an answer, and why."""

    asked: int
    weak: tuple[str, ...]
    unknown: tuple[str, ...]


class Unreached(Exception):
    """No advisory service can be reached."""


class Failed(Exception):
    """pip-audit did not do its work."""


def look_up(some: Sequence[Locked], timeout: float = 15) -> Looked:
    """Ask about these. Raises Unreached, Failed."""
    with tempfile.NamedTemporaryFile("w", suffix=".txt", encoding="utf-8") as file:
        file.write("\n".join(one.text for one in some) + "\n")
        file.flush()
        ask = ["--requirement", file.name, "--require-hashes", "--disable-pip", "--format", "json", "--desc", "off"]
        quiet = ["--progress-spinner", "off", "--timeout", str(round(timeout))]
        done = subprocess.run([sys.executable, "-m", "pip_audit", *ask, *quiet], capture_output=True, text=True)
    try:
        told: list[dict[str, Any]] = json.loads(done.stdout)["dependencies"]
    except (ValueError, KeyError):
        if _UNREACHED.search(done.stderr):
            raise Unreached from None
        raise Failed(done.stderr.strip()[-2_000:] or f"status {done.returncode}") from None
    weak = tuple(
        f"{one['name']} {one['version']}: {found['id']}, mended in {', '.join(found['fix_versions']) or 'no version'}"
        for one in told
        for found in one.get("vulns", ())
    )
    unknown = tuple(f"{one['name']}: {one['skip_reason']}" for one in told if "skip_reason" in one)
    if bool(weak) != bool(done.returncode) or not told:
        raise Failed(done.stderr.strip()[-2_000:] or f"status {done.returncode}")
    return Looked(len(told), weak, unknown)


def look(files: Sequence[Path]) -> Looked:
    """Ask about everything in these lock files that is for this system. Raises Unreached, Failed."""
    entries = {(one.requirement.name, one.version): one for file in files for one in locked(file) if one.here}
    found = list(entries.values())
    first = look_up(found[:PROBES])
    if len(first.unknown) == first.asked:
        raise Unreached
    return look_up(found)


def main(names: Sequence[str]) -> int:
    files = [Path(name) for name in names] or [LOCKS / "runtime.txt", LOCKS / "build.txt", LOCKS / "dev.txt"]
    try:
        told = look(files)
    except Unreached:
        print("audit: no advisory service answers here, so known weaknesses were NOT looked up.")  # noqa: T201
        return 0
    except Failed as problem:
        print(f"audit: pip-audit failed: {problem}", file=sys.stderr)  # noqa: T201
        return 2
    for line in (*told.weak, *told.unknown):
        print(f"audit: {line}", file=sys.stderr)  # noqa: T201
    if told.weak or told.unknown:
        return 1
    print(f"audit: no known weakness in {told.asked} packages.")  # noqa: T201
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
