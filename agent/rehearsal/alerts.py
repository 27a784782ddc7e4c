"""The alert table of a simulated printer (RFC 3805 sections 2.2.13 and prtAlertTable): rows come, stand, and go.

Only unary alerts are kept: a row stands while its condition does. prtAlertIndex grows and is never used again until
the printer is reset.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from agent.rehearsal.kinds import DEVELOPER, FILLED, INK_CARTRIDGE, OPC, STAPLES, TONER, WASTE_INK, WASTE_TONER, Part

CRITICAL, WARNING = 3, 4
UNTRAINED, TRAINED, FIELD_SERVICE, NOBODY = 3, 4, 5, 7
INPUT, MARKER, SUPPLIES, MEDIA_PATH = 8, 10, 11, 13
_LOW = {TONER: 1104, INK_CARTRIDGE: 1105, WASTE_TONER: 1107, WASTE_INK: 1108, OPC: 1111, DEVELOPER: 1113, STAPLES: 12}
_OUT = {TONER: 1101, INK_CARTRIDGE: 1102, WASTE_TONER: 1109, WASTE_INK: 1110, OPC: 1112, DEVELOPER: 1114, STAPLES: 13}
_LIFE_ALMOST_OVER, _LIFE_OVER, _JAM, _PAPER_LOW, _PAPER_OUT, _CALIBRATING = 10, 11, 8, 807, 808, 1005


@dataclass(frozen=True, slots=True)
class Row:
    """One prtAlertEntry; ``at`` is when it came (seconds of the epoch)."""

    index: int
    severity: int
    training: int
    group: int
    group_index: int
    code: int
    text: str
    at: float


@dataclass(slots=True)
class Board:
    """The standing alerts by what they are about, and the counts of prtGeneral."""

    rows: dict[str, Row] = field(default_factory=dict)
    critical_events: int = 0
    all_events: int = 0
    last_index: int = 0

    def open(self, about: str, grade: tuple[int, int], group: tuple[int, int], code: int, text: str, at: float) -> None:
        """A condition holds: a new row, unless this very row stands already.

        ``grade``: severity and training level; ``group``: alert group and the row in its table.
        """
        severity, training = grade
        standing = self.rows.get(about)
        if standing is not None and standing.code == code:
            return
        self.last_index += 1
        self.all_events += 1
        self.critical_events += severity == CRITICAL
        self.rows[about] = Row(self.last_index, severity, training, group[0], group[1], code, text, at)

    def close(self, about: str) -> None:
        """The condition is over."""
        self.rows.pop(about, None)

    def supply(self, part: Part, place: int, shown: float, at: float) -> None:
        """What the printer says about a supply of which it shows this share."""
        if shown > 0.10:
            self.close(f"supply:{part.key}")
            return
        out = shown <= 0.0
        code = (_OUT if out else _LOW).get(part.kind, _LIFE_OVER if out else _LIFE_ALMOST_OVER)
        full = "full" if out else "almost full"
        empty = "empty" if out else "low"
        worn = "end of life" if out else "near end of life"
        state = full if part.supply_class == FILLED else empty if part.wears == "ink" or part.kind == STAPLES else worn
        severity = CRITICAL if out and part.wears != "pages" else WARNING
        training = UNTRAINED if part.wears == "ink" else TRAINED
        text = f"{part.description}: {state}"
        self.open(f"supply:{part.key}", (severity, training), (SUPPLIES, place), code, text, at)

    def tray(self, place: int, sheets: int, out: bool, at: float) -> None:
        """Tray ``place`` (from 1) is low or empty; ``out``: no tray has paper left."""
        severity = CRITICAL if out else WARNING
        code = _PAPER_OUT if sheets <= 0 else _PAPER_LOW
        text = f"Tray {place}: {'load paper' if sheets <= 0 else 'paper low'}"
        self.open(f"tray:{place}", (severity, UNTRAINED), (INPUT, place), code, text, at)

    def jam(self, at: float) -> None:
        """Paper is jammed."""
        self.open("jam", (CRITICAL, UNTRAINED), (MEDIA_PATH, 1), _JAM, "Paper jam: open the front cover", at)

    def calibrating(self, at: float) -> None:
        """The marker adjusts its print quality."""
        self.open("calibrating", (WARNING, NOBODY), (MARKER, 1), _CALIBRATING, "Calibrating", at)
