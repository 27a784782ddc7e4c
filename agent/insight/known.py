"""The printers that are known, by what they are recognised by; and what became of one answer."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from agent.insight.evidence import usable_mac, usable_serial
from agent.model.fleet import Finding, LedgerEntry, Printer
from agent.model.reading import Reading

NOT_SAVED = 0
"""The ``id`` of a printer that the store has not seen yet, and in ledger entries about it."""

Spot = tuple[str, int]
"""Where a printer answers: address (in lower case) and hrDeviceIndex."""


def spot_of(thing: Printer | Reading) -> Spot:
    """Where it answers."""
    return (thing.address.casefold(), thing.device_index)


def serial_of(thing: Printer | Reading) -> str:
    """Its serial number; empty where that is none."""
    return usable_serial(thing.serial, thing.model)


@dataclass(frozen=True, slots=True)
class Known:
    """All printers known, indexed. Made by ``Known.of``; it never changes, ``having`` returns a new one.

    ``doubles``: places where a printer also answers besides its own, each with that printer's id.
    """

    printers: Mapping[int, Printer] = field(default_factory=lambda: MappingProxyType({}))
    doubles: Mapping[Spot, int] = field(default_factory=lambda: MappingProxyType({}))
    _serials: Mapping[str, tuple[int, ...]] = field(default_factory=lambda: MappingProxyType({}), repr=False)
    _macs: Mapping[tuple[str, int], tuple[int, ...]] = field(default_factory=lambda: MappingProxyType({}), repr=False)
    _spots: Mapping[Spot, int] = field(default_factory=lambda: MappingProxyType({}), repr=False)

    @classmethod
    def of(cls, printers: Iterable[Printer], ledger: Iterable[LedgerEntry] = ()) -> Known:
        """Index ``printers`` (all must have been saved). The ledger's ``doubled`` entries restore the doubles."""
        doubles = {
            (str(entry.data["address"]).casefold(), int(str(entry.data["device"]))): entry.printer_id
            for entry in ledger
            if entry.kind == "doubled" and entry.printer_id is not None
        }
        return cls._index({printer.id: printer for printer in printers}, doubles)

    @classmethod
    def _index(cls, printers: Mapping[int, Printer], doubles: Mapping[Spot, int]) -> Known:
        serials: dict[str, tuple[int, ...]] = {}
        macs: dict[tuple[str, int], tuple[int, ...]] = {}
        spots: dict[Spot, int] = {}
        for printer in sorted(printers.values(), key=lambda one: one.id):
            if key := serial_of(printer):
                serials[key] = (*serials.get(key, ()), printer.id)
            if key := usable_mac(printer.mac):
                place = (key, printer.device_index)
                macs[place] = (*macs.get(place, ()), printer.id)
            if printer.retired is None and printer.address:
                spots[spot_of(printer)] = printer.id  # Of several the newest is the one that stands there.
        kept = {spot: one for spot, one in doubles.items() if one in printers and spot not in spots}
        return cls(*(MappingProxyType(index) for index in (dict(printers), kept, serials, macs, spots)))

    def having(self, printers: Iterable[Printer], doubles: Mapping[Spot, int] | None = None) -> Known:
        """The same with these printers added, or changed where the id is known."""
        return self._index(
            {**self.printers, **{printer.id: printer for printer in printers}},
            self.doubles if doubles is None else doubles,
        )

    def at(self, spot: Spot) -> Printer | None:
        """The printer that stands at this place."""
        return self.printers.get(self._spots.get(spot, -1))

    def with_serial(self, key: str) -> tuple[Printer, ...]:
        """Every printer with this serial number (a key of ``usable_serial``), also retired ones."""
        return tuple(self.printers[one] for one in self._serials.get(key, ()))

    def with_mac(self, key: str, device_index: int) -> tuple[Printer, ...]:
        """Every printer with this MAC address (a key of ``usable_mac``) and hrDeviceIndex, also retired ones."""
        return tuple(self.printers[one] for one in self._macs.get((key, device_index), ()))


@dataclass(frozen=True, slots=True)
class Recognition:
    """Which printer one reading is of.

    ``event``: ``known``; ``new`` (first contact at a place where none stood); ``exchanged`` (first contact, at the
    place of another); ``moved``; ``returned`` (was retired); ``named`` (its serial number became known); ``doubled``
    (this is another interface of a printer that has been read in the same sweep); ``elsewhere`` (it answered at its
    other interface only, which is no move).
    ``printer``: as it is from now on. ``id`` is NOT_SAVED for a new one; see ``numbered``.
    ``save``: whether the store must save ``printer``. ``record``: whether the reading belongs into the history.
    ``displaced``: printers that lost their place to this one, already marked retired; save them too.
    """

    reading: Reading
    printer: Printer
    event: str
    save: bool = False
    record: bool = True
    ledger: tuple[LedgerEntry, ...] = ()
    findings: tuple[Finding, ...] = ()
    displaced: tuple[Printer, ...] = ()

    def numbered(self, printer_id: int) -> Recognition:
        """The same once the store has given the new printer its id: in the printer and in the ledger's entries."""
        ledger = (replace(one, printer_id=printer_id) if one.printer_id == NOT_SAVED else one for one in self.ledger)
        return replace(self, printer=replace(self.printer, id=printer_id), ledger=tuple(ledger))
