"""What is locked is what is asked for, with hashes, and nothing says where it is fetched from."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.supply.locks import LOCKS, ROOT, locked

FILES = sorted(LOCKS.glob("*.txt"))
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))


def wanted(file: str) -> list[str]:
    """What pyproject.toml asks for, for each lock file."""
    extras = PROJECT["project"]["optional-dependencies"].values()
    build: list[str] = PROJECT["dependency-groups"]["build"]
    runtime = [*PROJECT["project"]["dependencies"], *(text for extra in extras for text in extra)]
    develop = [text for text in PROJECT["dependency-groups"]["dev"] if isinstance(text, str)]
    return {"build.txt": build, "runtime.txt": runtime, "dev.txt": [*build, *runtime, *develop]}[file]


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name)
def test_every_package_asked_for_is_locked_at_a_version_that_fits(file: Path):
    found = {canonicalize_name(one.requirement.name): one.version for one in locked(file) if one.here}
    for text in wanted(file.name):
        one = Requirement(text)
        if one.marker is None or one.marker.evaluate():
            name = canonicalize_name(one.name)
            assert name in found, f"{name} is not in locks/{file.name}: run make lock"
            assert one.specifier.contains(found[name], prereleases=True), f"{name} {found[name]}: run make lock"


def test_all_files_agree_on_each_version():
    everything = {(one.requirement.name, one.version, one.hashes) for one in locked(LOCKS / "dev.txt")}
    for file in FILES:
        assert {(one.requirement.name, one.version, one.hashes) for one in locked(file)} <= everything


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name)
def test_no_line_says_where_anything_is_fetched_from(file: Path):
    text = file.read_text("utf-8")
    assert not re.search(r"https?:|file:|--(extra-)?index|--find-links|@ ", text)
    comments = [line for line in text.splitlines() if line.startswith("#")]
    assert comments[1:] == ["#    make lock"]


def test_the_build_system_is_locked_too():
    locked_names = {one.requirement.name for one in locked(LOCKS / "build.txt")}
    assert {Requirement(text).name for text in PROJECT["build-system"]["requires"]} <= locked_names


def test_pip_refuses_a_package_whose_hash_is_another(tmp_path: Path):
    """The very option that Makefile and Dockerfile use (pip's documentation, Secure installs); nothing is fetched."""
    wheel = tmp_path / "empty_thing-1.0-py3-none-any.whl"
    made = "import sys, zipfile; z = zipfile.ZipFile(sys.argv[1], 'w'); i = 'empty_thing-1.0.dist-info/'\n"
    made += "z.writestr(i + 'METADATA', 'Metadata-Version: 2.1\\nName: empty-thing\\nVersion: 1.0\\n')\n"
    made += "z.writestr(i + 'WHEEL', 'Wheel-Version: 1.0\\nRoot-Is-Purelib: true\\nTag: py3-none-any\\n')\n"
    made += "z.writestr(i + 'RECORD', '')\n"
    subprocess.run([sys.executable, "-c", made, str(wheel)], check=True)
    right = subprocess.run(["sha256sum", str(wheel)], check=True, capture_output=True, text=True).stdout.split()[0]
    for digest, status in ((right, 0), ("0" * 64, 1)):
        (tmp_path / "lock.txt").write_text(f"empty-thing==1.0 \\\n    --hash=sha256:{digest}\n")
        pip = [sys.executable, "-m", "pip", "install", "--no-index", "--find-links", str(tmp_path), "--no-deps"]
        done = subprocess.run(
            [*pip, "--require-hashes", "--target", str(tmp_path / "into"), "-r", str(tmp_path / "lock.txt")],
            capture_output=True,
            text=True,
        )
        assert done.returncode == status, done.stderr
    assert "DO NOT MATCH" in done.stderr
