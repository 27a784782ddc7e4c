"""Structured logs on standard error: aligned and readable at a terminal, one JSON object a line elsewhere.

What printers say never reaches the log raw: control characters would move the cursor of whoever reads it.
"""

from __future__ import annotations

import logging
import sys
from typing import Any

import structlog

LEVELS = ("debug", "info", "warning", "error")


def _printable(_logger: Any, _method: str, event: structlog.typing.EventDict) -> structlog.typing.EventDict:
    for key, value in event.items():
        if isinstance(value, str) and not value.isprintable():
            event[key] = "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in value)
    return event


def set_up(level: str = "info", *, form: str = "auto") -> None:
    """Set up the logs of the process. ``form``: ``text``, ``json``, or ``auto``: text at a terminal."""
    as_text = form == "text" or (form == "auto" and sys.stderr.isatty())
    renderer: Any = (
        structlog.dev.ConsoleRenderer() if as_text else structlog.processors.JSONRenderer(ensure_ascii=False)
    )
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            _printable if not as_text else _keep,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(getattr(logging, level.upper())),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )
    # The libraries' own logs: only what somebody should look at.
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")


def _keep(_logger: Any, _method: str, event: structlog.typing.EventDict) -> structlog.typing.EventDict:
    return event
