"""What really happened to the simulated printers, for checking what somebody else worked out from the readings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

from agent.model.fleet import Scalar


@dataclass(frozen=True, slots=True)
class Deed:
    """Something that was done to a printer, or befell it.

    ``kind``: ``swap`` (data: left, shown, pages, early, lateReset, number), ``counterReset`` (the gauge of a part is
    set to new only now, days after the swap), ``ranDry``, ``jam``, ``cleared``, ``refill``, ``calibrated``, ``off``,
    ``on``, ``exchanged``, ``moved``, ``lifeReset``, ``levelSet`` (somebody
    interfered; data: left). ``subject``: the supply key or the tray.
    """

    at: datetime
    printer: str
    kind: str
    subject: str = ""
    data: dict[str, Scalar] = field(default_factory=dict)


@dataclass(slots=True)
class Truth:
    """All deeds in the order in which they were simulated (printer by printer between two moments)."""

    deeds: list[Deed] = field(default_factory=list)

    def of(self, printer: str, *kinds: str) -> Iterator[Deed]:
        """The deeds of one printer in order of time, of these kinds or of all."""
        for deed in self.deeds:
            if deed.printer == printer and (not kinds or deed.kind in kinds):
                yield deed
