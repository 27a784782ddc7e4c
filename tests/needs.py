"""What some tests need from the machine: programs of Debian packages, installed when that is possible.

As root, or where sudo asks no password, a missing package is installed. Elsewhere the test is skipped with a line that
names the package. Under CI (the environment variable ``CI``) a skip would hide a broken machine, so it fails.
"""

from __future__ import annotations

import functools
import os
import shutil
import subprocess
from pathlib import Path
from typing import NoReturn

import pytest


def missing(what: str) -> NoReturn:
    """Skip with a line that says what is missing; under CI fail with it."""
    if os.environ.get("CI"):
        pytest.fail(what, pytrace=False)
    pytest.skip(what)


@functools.cache
def _install(package: str) -> bool:
    if shutil.which("apt-get") is None:
        return False
    if os.geteuid() == 0:
        prefix: list[str] = []
    elif shutil.which("sudo") and subprocess.run(["sudo", "-n", "true"], capture_output=True).returncode == 0:
        prefix = ["sudo", "-n"]
    else:
        return False
    quiet = {"capture_output": True, "env": {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}}
    install = [*prefix, "apt-get", "install", "-y", "--no-install-recommends", package]
    if subprocess.run(install, **quiet).returncode == 0:
        return True
    subprocess.run([*prefix, "apt-get", "update"], **quiet)
    return subprocess.run(install, **quiet).returncode == 0


def debian(package: str, *places: str) -> str:
    """The first of ``places`` (program names or absolute paths) that exists once ``package`` is there."""

    def find() -> str | None:
        for place in places:
            found = place if Path(place).exists() else shutil.which(place, path=f"{os.environ['PATH']}:/usr/sbin:/sbin")
            if found:
                return found
        return None

    found = find()
    if found is None and _install(package):
        found = find()
    if found is None:
        missing(f"needs the Debian package {package}")
    return found
