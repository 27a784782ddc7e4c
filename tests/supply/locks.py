"""The lock files: which version of what, with which hashes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[2]
LOCKS = ROOT / "locks"


@dataclass(frozen=True)
class Locked:
    """One version of one package; ``text``: its lines as they stand in the file."""

    requirement: Requirement
    hashes: tuple[str, ...]
    text: str

    @property
    def version(self) -> str:
        (one,) = self.requirement.specifier
        assert one.operator == "=="
        return one.version

    @property
    def here(self) -> bool:
        """Whether it is for this Python and this system."""
        return self.requirement.marker is None or self.requirement.marker.evaluate()


def locked(file: Path) -> Iterator[Locked]:
    """Every entry. Raises ValueError for a line that is none: the file is made of nothing else."""
    for text in re.split(r"(?<!\\)\n", file.read_text("utf-8")):
        if not text.strip() or text.startswith("#"):
            continue
        head, *rest = (part.strip() for part in text.split("\\\n"))
        hashes = [re.fullmatch(r"--hash=(sha256:[0-9a-f]{64})", part) for part in rest]
        if not hashes or not all(hashes):
            raise ValueError(f"{file.name}: no entry with hashes: {text}")
        yield Locked(Requirement(head), tuple(found[1] for found in hashes if found), text)
