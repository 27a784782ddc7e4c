"""Services as the ledger keeps them: several deeds in one entry, corrections, withdrawals, and what still holds.

An entry is never changed or erased. A wrong one is followed by another:

    service            data: corrects = the entry in whose place it stands, logged = when it was written down
    serviceWithdrawn   data: withdraws = the entry that is taken back; its moment is when that was done

A correction counts from the moment at which it was written down, so that an earlier "as of" sees what was believed
then. One deed stands in the entry's subject; several are numbered: deed1, part1, place1, fromShelf1, renews1, deed2 ...
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from types import MappingProxyType

from agent.model.fleet import LedgerEntry, Scalar
from agent.model.proof import Deed, Service
from agent.model.wording import supply_words

SERVICE = "service"
SERVICE_WITHDRAWN = "serviceWithdrawn"
SWAPPED = "swapped"
PROOF_KINDS = frozenset({"serviceProven", "serviceUnproven"})
MOST_DEEDS = 50
_BETWEEN = "|"
_PASSED_ON = ("counter", "accepted")


def entry_of(service: Service) -> LedgerEntry:
    """The entry that says this service; ``service.id`` is not looked at. ``logged`` must be known (ValueError)."""
    if service.logged is None or not service.deeds:
        raise ValueError("a service to be written has deeds, and a moment at which it is written down")
    data: dict[str, Scalar] = {"logged": service.logged.isoformat()}
    several = len(service.deeds) > 1
    for number, deed in enumerate(service.deeds, 1):
        tail = str(number) if several else ""
        if several:
            data[f"deed{tail}"] = deed.subject
        if deed.part:
            data[f"part{tail}"] = deed.part
        if deed.place:
            data[f"place{tail}"] = deed.place
        if not deed.from_shelf:
            data[f"fromShelf{tail}"] = False
        if deed.renews:
            data[f"renews{tail}"] = _BETWEEN.join(deed.renews)
    told: dict[str, Scalar] = {
        "counter": service.counter,
        "unit": service.unit,
        "counterFrom": service.counter_from,
        "remark": service.remarks,
        "photo": service.photo,
        "corrects": service.corrects,
    }
    data |= {key: value for key, value in told.items() if value not in (None, "")}
    if service.accepted:
        data["accepted"] = True
    subject = ", ".join(deed.subject for deed in service.deeds)
    return LedgerEntry(service.at, SERVICE, said(service), service.printer_id, subject, service.who, data)


def said(service: Service) -> str:
    """What the ledger says of it, in words."""
    made = f"{_did(service)} {'accepted as done' if service.accepted else 'done'}"
    if service.counter is not None:
        made += f" at {service.counter:,}"
        made += " (last known; the printer could not be read)" if service.counter_from == "last known" else ""
    if service.remarks:
        made += f" ({service.remarks})"
    if service.corrects is not None:
        made += f"; this stands in the place of entry {service.corrects}"
    return made


def _did(service: Service) -> str:
    return ", ".join(supply_words(deed.subject) for deed in service.deeds)


def withdrawal_of(service: Service, who: str, now: datetime, remarks: str = "") -> LedgerEntry:
    """The entry that takes a service back."""
    subject = ", ".join(deed.subject for deed in service.deeds)
    text = f"{_did(service)} was not done: entry {service.id} of {service.who} is withdrawn"
    data: dict[str, Scalar] = {"withdraws": service.id}
    if remarks:
        text, data["remark"] = f"{text} ({remarks})", remarks
    return LedgerEntry(now, SERVICE_WITHDRAWN, text, service.printer_id, subject, who, data)


def service_of(entry: LedgerEntry) -> Service | None:
    """The service that an entry says; None where it says something else."""
    if entry.kind != SERVICE or entry.printer_id is None:
        return None
    return Service(
        id=entry.id if entry.id is not None else 0,
        printer_id=entry.printer_id,
        who=entry.who,
        at=entry.at,
        deeds=_deeds(entry),
        counter=_number(entry, "counter"),
        unit=_word(entry, "unit"),
        counter_from=_word(entry, "counterFrom") or ("given" if _number(entry, "counter") is not None else ""),
        remarks=_word(entry, "remark"),
        photo=_word(entry, "photo"),
        corrects=_number(entry, "corrects"),
        accepted=entry.data.get("accepted") is True,
        logged=_logged(entry),
    )


def services_in(entries: Iterable[LedgerEntry], as_of: datetime) -> tuple[Service, ...]:
    """Every service that had been written by a moment, in order of time, those that hold no more marked so."""
    entries = [one for one in entries if _known_by(one, as_of)]
    corrected = {number: one.id for one in entries if (number := _corrects(one)) is not None}
    withdrawn = {number for one in entries if (number := _withdraws(one)) is not None}
    made = []
    for entry in entries:
        service = service_of(entry)
        if service is not None:
            by = corrected.get(service.id) if entry.id is not None else None
            gone = entry.id is not None and service.id in withdrawn
            made.append(replace(service, corrected_by=by, withdrawn=gone))
    return tuple(sorted(made, key=lambda one: (one.at, one.id)))


def holding(entries: Iterable[LedgerEntry], as_of: datetime) -> list[LedgerEntry]:
    """The entries by which one may reckon: without what was corrected or withdrawn, and one for each deed.

    A deed of a plan that renews supplies is followed by a ``swapped`` entry for each. Given its own result again it
    changes nothing.
    """
    entries = list(entries)
    known = [one for one in entries if _known_by(one, as_of)]
    gone = {number for one in known if (number := _corrects(one)) is not None}
    gone |= {number for one in known if (number := _withdraws(one)) is not None}
    made: list[LedgerEntry] = []
    for entry in entries:
        late = _corrects(entry) is not None and not _known_by(entry, as_of)
        if late or (entry.id is not None and entry.id in gone) or entry.kind == SERVICE_WITHDRAWN:
            continue
        made += _apart(entry) if entry.kind == SERVICE else (entry,)
    return made


def _apart(entry: LedgerEntry) -> list[LedgerEntry]:
    """One entry for each deed, and one for each supply that a plan renewed."""
    if "deed1" not in entry.data and "renews" not in entry.data:
        return [entry if "corrects" not in entry.data else replace(entry, data=_bare(entry, _deeds(entry)[0]))]
    made = []
    for deed in _deeds(entry):
        made.append(replace(entry, subject=deed.subject, data=_bare(entry, deed)))
        renewed = MappingProxyType({"plan": deed.subject})
        made += [
            replace(entry, kind=SWAPPED, subject=key, text=f"{key} renewed with {deed.subject}", data=renewed)
            for key in deed.renews
            if key != deed.subject
        ]
    return made


def _bare(entry: LedgerEntry, deed: Deed) -> MappingProxyType[str, Scalar]:
    data: dict[str, Scalar] = {key: entry.data[key] for key in _PASSED_ON if key in entry.data}
    if deed.part:
        data["part"] = deed.part
    if deed.place:
        data["place"] = deed.place
    if not deed.from_shelf:
        data["fromShelf"] = False
    return MappingProxyType(data)


def _deeds(entry: LedgerEntry) -> tuple[Deed, ...]:
    if "deed1" not in entry.data:
        return (_deed(entry, entry.subject, ""),)
    found = []
    for number in range(1, MOST_DEEDS + 1):
        subject = _word(entry, f"deed{number}")
        if not subject:
            break
        found.append(_deed(entry, subject, str(number)))
    return tuple(found)


def _deed(entry: LedgerEntry, subject: str, tail: str) -> Deed:
    renews: Sequence[str] = _word(entry, f"renews{tail}").split(_BETWEEN)
    return Deed(
        subject,
        _word(entry, f"part{tail}"),
        _word(entry, f"place{tail}"),
        entry.data.get(f"fromShelf{tail}") is not False,
        tuple(key for key in renews if key),
    )


def _known_by(entry: LedgerEntry, as_of: datetime) -> bool:
    """Whether it had been said by then. An entry without a correction counts from the moment that it is about."""
    if entry.at > as_of:
        return False
    logged = _logged(entry) if _corrects(entry) is not None else None
    return logged is None or logged <= as_of


def _corrects(entry: LedgerEntry) -> int | None:
    return _earlier(entry, "corrects") if entry.kind == SERVICE else None


def _withdraws(entry: LedgerEntry) -> int | None:
    return _earlier(entry, "withdraws") if entry.kind == SERVICE_WITHDRAWN else None


def _earlier(entry: LedgerEntry, key: str) -> int | None:
    """The entry that is meant; only one that was there before can be."""
    found = _number(entry, key)
    return found if found is None or entry.id is None or found < entry.id else None


def _logged(entry: LedgerEntry) -> datetime | None:
    try:
        found = datetime.fromisoformat(_word(entry, "logged"))
    except ValueError:
        return None
    return found if found.tzinfo is not None else None


def _word(entry: LedgerEntry, key: str) -> str:
    found = entry.data.get(key)
    return found if isinstance(found, str) else ""


def _number(entry: LedgerEntry, key: str) -> int | None:
    found = entry.data.get(key)
    return found if isinstance(found, int) and not isinstance(found, bool) and found >= 0 else None
