"""The fenced blocks of a page, in order: their mark (``sh``, ``sh background``, ``yaml`` ...) and their text."""

from __future__ import annotations

import re
from pathlib import Path


def blocks(page: Path) -> list[tuple[str, str]]:
    """Every block; what has no mark is text, which nothing runs."""
    found = re.findall(r"^```([^\n]*)\n(.*?)^```$", page.read_text("utf-8"), re.MULTILINE | re.DOTALL)
    return [(mark.strip() or "text", text) for mark, text in found]
