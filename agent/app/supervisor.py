"""Telling the service manager how the agent does (sd_notify(3)), when it was started by one that listens.

The protocol is one datagram of ``KEY=VALUE`` lines to the UNIX socket that NOTIFY_SOCKET names. WATCHDOG_USEC says how
often the agent must show that it is alive, else the manager starts it again.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping


class Supervisor:
    """Speaks to the service manager of ``environ``; says nothing where there is none."""

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        path = environ.get("NOTIFY_SOCKET", "")
        # A leading @ means the abstract namespace of Linux.
        self._path = "\0" + path[1:] if path.startswith("@") else path
        self._watchdog = environ.get("WATCHDOG_USEC", "")
        self._for = environ.get("WATCHDOG_PID", "")

    @property
    def watchdog_seconds(self) -> float | None:
        """How often ``alive`` must be said at the latest, or None where nobody waits for it."""
        meant_for_us = self._for in ("", str(os.getpid()))
        if not self._path or not meant_for_us or not self._watchdog.isdecimal():
            return None
        return int(self._watchdog) / 1_000_000 or None

    def ready(self, status: str) -> None:
        """The agent is up."""
        self._say("READY=1", f"STATUS={status}")

    def reloading(self, monotonic_usec: int) -> None:
        """New settings are being read; ``ready`` follows."""
        self._say("RELOADING=1", f"MONOTONIC_USEC={monotonic_usec}")

    def alive(self) -> None:
        """The watchdog may rest for another while."""
        self._say("WATCHDOG=1")

    def status(self, text: str) -> None:
        """One line on how it goes."""
        self._say(f"STATUS={text}")

    def stopping(self) -> None:
        """The agent is going down."""
        self._say("STOPPING=1")

    def _say(self, *lines: str) -> None:
        if not self._path:
            return
        message = "\n".join(line.replace("\n", " ") for line in lines).encode()
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as one:
            try:
                one.sendto(message, self._path)
            except OSError:
                return  # A manager that does not listen any more is no reason to stop reading printers.
