"""What holds for all tests: the width of the terminal is what a test says, not what it was at import."""

from __future__ import annotations

import os

os.environ.pop("COLUMNS", None)

import agent.cli.show  # noqa: F401 - its consoles keep the width that they find when they are made
