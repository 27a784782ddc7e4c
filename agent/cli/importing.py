"""Reading a CSV of readings row by row into a store."""

from __future__ import annotations

import csv
import difflib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from agent.cli import csv_rows
from agent.cli.csv_rows import COLUMNS, Row, Wrong
from agent.cli.show import fail
from agent.model.contact import Observation, SeenSupply
from agent.model.fleet import Place, Printer
from agent.store import Store, StoreRejected

_ROWS_AT_ONCE = 20_000


def _no_text(name: str, cell: str) -> Wrong | None:
    """What is wrong with a cell whose octets are no UTF-8."""
    try:
        cell.encode()
    except UnicodeEncodeError:
        shown = cell.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
        return Wrong(name, shown, "text in UTF-8")
    return None


def _is_text(name: str) -> bool:
    """Whether these were octets of UTF-8, and of no file of another kind."""
    return not any(sign == "\0" or "\ud800" <= sign <= "\udfff" for sign in name)


@dataclass(frozen=True, slots=True)
class BadRow:
    """One row that did not go in: its bad cells, each by its column (empty: the row as a whole) and what is wrong."""

    file: str
    line: int
    cells: tuple[tuple[str, str], ...]

    def __str__(self) -> str:
        return "\n".join(f"{self.file}, line {self.line}, {what}" for _, what in self.cells)


class _Badly(ValueError):
    """A row with cells that cannot be understood."""

    def __init__(self, *cells: Wrong) -> None:
        super().__init__("; ".join(map(str, cells)))
        self.cells = cells


class Import:
    """One import: what went in, and what did not and why. At most ``shown`` bad rows are kept, all are counted."""

    def __init__(self, store: Store, file: str, shown: int) -> None:
        self._store = store
        self._file = file
        self._shown = shown
        self._waiting: list[Row] = []
        self._by_serial: dict[str, Printer] = {}
        self._by_name: dict[str, Printer] = {}
        self._by_id: dict[int, Printer] = {}
        self._earliest: dict[int, datetime] = {}
        for printer in sorted(store.printers(retired=True), key=lambda one: one.retired is None):
            self._know(printer)
        self.bad: list[BadRow] = []
        self.latest: datetime | None = None
        self.bad_rows = self.good_rows = self.changed = self.new_printers = 0

    def read(self, lines: Iterable[str]) -> None:
        """Take in all rows. Leaves with status 2 when the header is wrong; raises StoreError."""
        reader = csv.reader(lines)
        header = self._header(reader)
        for line, cells in self._rows(reader):
            if not any(cells):
                continue
            try:
                self._waiting.append(self._row(header, cells))
            except _Badly as bad:
                self._complain(line, *((one.column, str(one)) for one in bad.cells))
            else:
                self.good_rows += 1
                at = self._waiting[-1].at
                self.latest = at if self.latest is None else max(at, self.latest)
            if len(self._waiting) >= _ROWS_AT_ONCE:
                self._write()
        self._write()
        for printer_id, earliest in self._earliest.items():
            printer = self._by_id[printer_id]
            if printer.first_seen is None or earliest < printer.first_seen:
                self._know(self._store.save_printer(replace(printer, first_seen=earliest)))

    def summary(self) -> dict[str, Any]:
        """What happened, for ``--json``."""
        return {
            "file": self._file,
            "good": self.good_rows,
            "bad": self.bad_rows,
            "changed": self.changed,
            "new_printers": self.new_printers,
            "errors": [
                {"line": one.line, "column": column or None, "error": what}
                for one in self.bad
                for column, what in one.cells
            ],
        }

    def _complain(self, line: int, *cells: tuple[str, str]) -> None:
        self.bad_rows += 1
        if len(self.bad) < self._shown:
            self.bad.append(BadRow(self._file, line, cells))

    def _header(self, reader: Iterator[list[str]]) -> list[str]:
        try:
            written = [name.strip() for name in next(reader)]
        except StopIteration:
            fail(f"{self._file} is empty; its first line must name the columns: {','.join(COLUMNS)}", 2)
        except csv.Error as error:
            fail(f"{self._file}, line 1: this is no CSV ({error})", 2)
        if any(not _is_text(name) for name in written):
            fail(f"{self._file}, line 1: this is no text in UTF-8; save the table as CSV in UTF-8", 2)
        header = [name.lower() for name in written]
        if len(header) == 1 and any(mark in header[0] for mark in ";\t"):
            fail(
                f"{self._file}, line 1: the columns must be separated by commas, not by semicolons or tabs, "
                "and numbers be whole, without a decimal comma",
                2,
            )
        for name, shown in zip(header, written, strict=True):
            if name not in COLUMNS:
                near = difflib.get_close_matches(name, COLUMNS, 1)
                hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(COLUMNS)}"
                fail(f"{self._file}, line 1: found the column {shown!r}; {hint}", 2)
        twice = {name for name in header if header.count(name) > 1}
        if twice:
            fail(f"{self._file}, line 1: the column {min(twice)} stands there twice", 2)
        if "at" not in header or not {"printer", "serial"} & set(header):
            fail(f"{self._file}, line 1: the columns at and printer (or serial) must be there", 2)
        return header

    def _rows(self, reader: Any) -> Iterator[tuple[int, list[str]]]:
        """Each row with the number of the line on which it begins; a row that is no CSV is a bad one."""
        while True:
            line = reader.line_num + 1
            try:
                yield line, next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                self._complain(line, ("", f"this is no row of CSV ({error})"))

    def _row(self, header: list[str], cells: list[str]) -> Row:
        if len(cells) != len(header):
            counted = "1 cell" if len(cells) == 1 else f"{len(cells)} cells"
            where = header[min(len(cells), len(header) - 1)]
            raise _Badly(Wrong(where, counted, f"{len(header)} cells, as in line 1"))
        row = dict(zip(header, cells, strict=True))
        strange = {name: one for name, cell in row.items() if (one := _no_text(name, cell)) is not None}
        if not strange:
            try:
                return csv_rows.read(row)
            except Wrong as wrong:
                raise _Badly(*(csv_rows.faults(row) or (wrong,))) from None
        others = csv_rows.faults({**row, **dict.fromkeys(strange, "")}, unread=strange)
        raise _Badly(*sorted((*strange.values(), *others), key=lambda one: COLUMNS.index(one.column)))

    # --- into the store -----------------------------------------------------------------------------------------

    def _write(self) -> None:
        rows, self._waiting = self._waiting, []
        supplies: dict[tuple[int, Any], dict[tuple[str, str], SeenSupply]] = {}
        counts: dict[tuple[int, Any], int | None] = {}
        for row in rows:
            printer_id = self._printer(row).id
            self._earliest[printer_id] = min(row.at, self._earliest.get(printer_id, row.at))
            where = (printer_id, row.at)
            seen = supplies.setdefault(where, {})
            if row.supply is not None:
                seen[row.supply.key, row.supply.unit] = row.supply
            if row.impressions is not None or where not in counts:
                counts[where] = row.impressions
        told = [
            Observation(at, printer_id, tuple(seen.values()), counts[printer_id, at])
            for (printer_id, at), seen in supplies.items()
        ]
        try:
            self.changed += self._store.observe(told)
        except StoreRejected as error:
            raise StoreRejected(f"{error}. The {self.good_rows - len(rows)} rows before this part are in") from None

    def _know(self, printer: Printer) -> None:
        if printer.serial:
            self._by_serial[printer.serial] = printer
        self._by_name[printer.name] = printer
        self._by_id[printer.id] = printer

    def _printer(self, row: Row) -> Printer:
        """The printer that a row is about: by its serial number, else by its name; a new one if there is none."""
        name, serial = row.printer.strip() and row.printer, row.serial.strip()
        known = self._by_serial.get(serial) if serial else None
        if known is None:
            named = self._by_name.get(name or serial)
            if named is not None and not (serial and named.serial):
                known = named
        if known is None:
            place = Place(row.site)
            known = Printer(0, name or serial, "", serial=serial, model=row.model, place=place, first_seen=row.at)
            self.new_printers += 1
        else:
            # What the store knows already stays; what it lacks is filled in.
            more = replace(
                known,
                serial=known.serial or serial,
                model=known.model or row.model,
                place=known.place if known.place.site or not row.site else replace(known.place, site=row.site),
            )
            if more == known:
                return known
            known = more
        saved = self._store.save_printer(known)
        self._know(saved)
        return saved
