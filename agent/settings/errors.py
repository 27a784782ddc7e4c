"""What can be wrong with a settings file, said so that a person can mend it without looking anything up."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from agent.model.failure import Failure


@dataclass(frozen=True, slots=True)
class SettingsError:
    """One thing that is wrong, and where.

    ``line`` and ``column`` count from 1, and are None where no place in the file is meant (the file cannot be read).
    ``key`` is the path to it (``printers[2].address``), empty for the whole file. ``found`` never holds the value of
    a place where secrets stand, nor of one where people put them by mistake. ``hint`` says what to do.
    """

    file: str
    line: int | None
    column: int | None
    key: str
    found: str
    expected: str
    hint: str = ""

    @property
    def place(self) -> str:
        """``FILE:LINE:COLUMN``, as editors and terminals understand it."""
        return ":".join(str(part) for part in (self.file, self.line, self.column) if part is not None)

    def __str__(self) -> str:
        key = f"{self.key}: " if self.key else ""
        hint = f"; {self.hint}" if self.hint else ""
        return f"{self.place}: {key}found {self.found}, expected {self.expected}{hint}"


class SettingsErrors(Failure):
    """Everything that is wrong with one settings file, in the order of its lines."""

    status = 2

    def __init__(self, errors: Iterable[SettingsError]) -> None:
        self.errors = tuple(sorted(errors, key=lambda e: (e.line or 0, e.column or 0, e.key)))
        super().__init__("\n".join(map(str, self.errors)))
