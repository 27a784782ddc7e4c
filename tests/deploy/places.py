"""Where the files are that are deployed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"


def read(path: Path) -> Any:
    """One YAML document."""
    return yaml.safe_load(path.read_text("utf-8"))
