"""From a symptom to the parts that are probably behind it, put in order by what is known of this very printer.

    ranking = rank(packaged(), case, Seen("repeating-mark", every=94.0))

The score of a part is its weight for the symptom (a table: common practice, no source) times a factor for everything
known that speaks for or against it; each factor comes with its words. It puts parts in order. It is no probability, and
none is made of it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import timedelta

from agent.insight import rollers
from agent.insight.clues import Case, called, clues
from agent.insight.process import Process
from agent.insight.rollers import LONGEST_MM, SHORTEST_MM, compare, factor, rollers_of, sensible
from agent.model.cautions import for_alert, for_supply
from agent.model.failure import Failure
from agent.model.fleet import SupplyTrack
from agent.model.symptom import ROLLERS, Cause, Clue, Match, Piece, Ranking, Reason, Seen, Suspect
from agent.model.wording import clean

NEAR = 1.5
"""Suspects whose scores are within this factor of the first are told to be about equally likely."""
OTHER_COLOUR = 0.2
IN_CARTRIDGE = 1.5
"""The part may sit in a cartridge that was exchanged lately."""
SILENT_FOR = timedelta(days=1)
_MONO = frozenset({"", "black", "none", "other", "unknown"})
_LASER = "electrophotographic"


class NotSeen(Failure):
    """What was said to be seen cannot be. ``where``: which of seen, every, colour is wrong."""

    status = 2

    def __init__(self, where: str, text: str) -> None:
        super().__init__(text)
        self.where = where


def read(process: Process, kind: str, every: float | None = None, colour: str = "") -> Seen:
    """What somebody says they see, checked. Raises NotSeen, whose text says what was expected."""
    known = process.kind_of(kind)
    if known is None:
        near = process.nearest(kind)
        hint = f"did you mean {' or '.join(near)}?" if near else f"known are {', '.join(process.symptoms)}"
        raise NotSeen("seen", f"no symptom is called {clean(kind, 60)!r}; {hint}")
    if every is not None and not sensible(every):
        raise NotSeen(
            "every",
            f"{every:g} mm is no distance between marks; measure along the travel of the paper, in mm, from "
            f"{SHORTEST_MM:g} to {LONGEST_MM:g}",
        )
    if every is not None and not process.symptoms[known].distance:
        kinds = ", ".join(kind for kind, one in process.symptoms.items() if one.distance)
        raise NotSeen("every", f"a distance says nothing about {known}; it does about {kinds}")
    return Seen(known, every, clean(colour, 40).casefold())


def distance(text: str) -> float | None:
    """A distance in mm as people write it (see ``rollers.distance``); None for nothing. Raises NotSeen."""
    try:
        return rollers.distance(text)
    except ValueError as problem:
        raise NotSeen("every", str(problem)) from None


def colours(case: Case) -> tuple[str, ...]:
    """The colorants of this printer's supplies; none where there is but one."""
    found = dict.fromkeys(one.colorant for one in case.tracks if one.colorant and one.colorant not in _MONO - {"black"})
    return tuple(found) if len(found) > 1 else ()


def rank(process: Process, case: Case, seen: Seen) -> Ranking:
    """The suspects, the likeliest first. Raises NotSeen for what ``read`` would not let pass."""
    seen = read(process, seen.kind, seen.every, seen.colour)
    _check_colour(case, seen)
    symptom = process.symptoms[seen.kind]
    known = clues(process, case)
    turning = rollers_of(case.history.printer.model, case.plans)
    matches = compare(seen.every, turning) if seen.every is not None else ()
    found = [
        suspect
        for cause in symptom.causes
        for suspect in _suspects(process, case, cause, [one for one in known if one.kind not in cause.deaf], seen)
    ]
    weighed = [_by_rollers(one, matches) for one in found]
    weighed.sort(key=lambda one: (-one.score, -one.weight, one.name))
    return Ranking(
        case.history.printer.id,
        case.as_of,
        seen,
        tuple(weighed),
        matches,
        _verdict(weighed),
        tuple(_notes(process, case, seen, matches)),
    )


def _check_colour(case: Case, seen: Seen) -> None:
    there = colours(case)
    if seen.colour and there and seen.colour not in there:
        raise NotSeen("colour", f"this printer has no {seen.colour!r}; its colours are {', '.join(there)}")
    if seen.colour and not there:
        raise NotSeen("colour", "this printer prints in one colour only; leave the colour out")


# --- suspects -------------------------------------------------------------------------------------------------------


def _suspects(process: Process, case: Case, cause: Cause, known: Sequence[Clue], seen: Seen) -> Iterable[Suspect]:
    """One part at this printer: once for each supply or tray of which something is known, once for all the others."""
    piece = process.parts[cause.part]
    own = [one for one in known if one.part == piece.name]
    tracks = {one.key: one for one in case.tracks if one.kind in piece.supplies}
    units: dict[str, list[Clue]] = {key: [] for key in tracks}
    general = [one for one in own if not one.unit]
    for one in own:
        if one.unit:
            units.setdefault(one.unit, []).append(one)
    if not tracks:
        general += _in_cartridge(process, case, piece, known)
    for keys in _alike(units, tracks, seen):
        said = _together([one for key in keys for one in units[key]])
        name = _name(case, piece, keys, tracks)
        yield _suspect(process, cause, piece, keys, name, [*said, *general], seen, tracks)
    if not tracks:
        name = f"{piece.title} (the others)" if units else piece.title
        yield _suspect(process, cause, piece, (), name, general, seen, tracks)


def _alike(
    units: Mapping[str, Sequence[Clue]], tracks: Mapping[str, SupplyTrack], seen: Seen
) -> Iterable[tuple[str, ...]]:
    """Units of which the same is to be said, together: nothing at all, or that they are far from worn."""
    groups: dict[tuple[str, bool], list[str]] = {}
    for key, some in units.items():
        sound = bool(some) and all(one.kind == "spent" and one.factor < 1 for one in some)
        of_colour = key in tracks and tracks[key].colorant == seen.colour
        groups.setdefault((key if some and not sound else "sound" if sound else "", of_colour), []).append(key)
    return [tuple(keys) for keys in groups.values()]


def _together(known: Sequence[Clue]) -> list[Clue]:
    """Clues of several units that are far from worn, in one."""
    if len({one.unit for one in known}) < 2:
        return list(known)
    return [replace(known[0], text=", ".join(one.text for one in known))]


def _suspect(  # noqa: PLR0913 - it is put together here
    process: Process,
    cause: Cause,
    piece: Piece,
    units: tuple[str, ...],
    name: str,
    known: Sequence[Clue],
    seen: Seen,
    tracks: Mapping[str, SupplyTrack],
) -> Suspect:
    reasons = _strongest(known)
    shades = {tracks[key].colorant or "" for key in units if key in tracks}
    if seen.colour and shades and not shades & {seen.colour, ""}:
        reasons.append(Reason("colour", OTHER_COLOUR, f"it is of another colour than {seen.colour}"))
    score = cause.weight * math.prod(one.factor for one in reasons)
    return Suspect(
        piece.name, name, piece.stages, units, cause.weight, score, cause.why, tuple(reasons), piece.check, piece.who,
        cautions_of(piece),
    )  # fmt: skip


def _strongest(known: Sequence[Clue]) -> list[Reason]:
    """Of each kind of clue only the strongest counts: several often say the same."""
    best: dict[str, Clue] = {}
    for one in known:
        before = best.get(one.kind)
        # What is known of the very supply goes before what is known of the part as such.
        if before is None or (bool(one.unit), abs(math.log(one.factor))) > (
            bool(before.unit),
            abs(math.log(before.factor)),
        ):
            best[one.kind] = one
    found = [Reason(one.kind, one.factor, one.text) for one in best.values()]
    return sorted(found, key=lambda one: -one.factor)


def _in_cartridge(process: Process, case: Case, piece: Piece, known: Sequence[Clue]) -> list[Clue]:
    """That a cartridge is new also speaks for what often sits in it, where the printer tells of none of its own."""
    kinds = {one.kind for one in case.tracks}
    for name in piece.within:
        if kinds & set(process.parts[name].supplies):
            fresh = [one for one in known if one.part == name and one.kind == "new"]
            return [
                Clue("new", piece.name, "", IN_CARTRIDGE, f"it may sit in what is new: {one.text}") for one in fresh
            ]
    return []


def _name(case: Case, piece: Piece, units: Sequence[str], tracks: Mapping[str, SupplyTrack]) -> str:
    names = [called(tracks[key]) for key in units if key in tracks]
    if names:
        return ", ".join(names)
    trays = [int(key.removeprefix("tray:")) for key in units if key.startswith("tray:")]
    if trays:
        return f"{piece.title}: " + ", ".join(clean(case.trays.get(one, ""), 40) or f"tray {one}" for one in trays)
    return piece.title


def cautions_of(piece: Piece) -> tuple[str, ...]:
    """What to take care of with this part; the sentence about the maker's manual, which holds for all, is left out."""
    if not piece.care:
        return ()
    care = for_alert(piece.care) if piece.care in ("jam", "open") else for_supply(piece.care)
    return care[:-1]


def _by_rollers(suspect: Suspect, matches: Sequence[Match]) -> Suspect:
    own = tuple(one for one in matches if ROLLERS.get(one.roller.name) == suspect.part)
    if not own:
        return suspect
    by = factor(own)
    best = own[0]
    text = f"{roller_words(best)}: {match_words(best)}" if best.fits else "none of its rollers has this circumference"
    reasons = tuple(sorted((*suspect.reasons, Reason("roller", by, text)), key=lambda one: -one.factor))
    return replace(suspect, score=suspect.score * by, reasons=reasons, matches=own)


def roller_words(match: Match) -> str:
    """``fuser roller, diameter 30 mm``."""
    one = match.roller
    return one.name + (f", diameter {one.diameter:g} mm" if one.diameter is not None else "")


def off_words(match: Match) -> str:
    """``-0.2``, ``+3.1``: how far off it is, in mm; what is as good as nothing has no sign."""
    off = round(match.deviation, 1)
    return f"{off:+.1f}" if off else "0.0"


def match_words(match: Match) -> str:
    """``one turn is 94.2 mm, off by -0.2 mm (up to 1.7 mm may be)``."""
    turns = {1.0: "one turn is", 2.0: "two turns are", 3.0: "three turns are", 0.5: "half a turn is"}
    words = turns.get(match.turns, "a third of a turn is")
    return f"{words} {match.expected:.1f} mm, off by {off_words(match)} mm (up to {match.tolerance:.1f} mm may be)"


# --- how far it can be trusted ----------------------------------------------------------------------------------------


def _verdict(found: Sequence[Suspect]) -> str:
    if not found or not any(one.factor != 1.0 for suspect in found for one in suspect.reasons):
        return (
            "Nothing that is known of this printer speaks for or against one of these: the order is that of common "
            "practice alone."
        )
    near = [one for one in found if one.score * NEAR >= found[0].score]
    if len(near) > 1:
        return f"The first {len(near)} are about equally likely: look at the one that is easiest to look at first."
    return "The first is the likeliest by what is known of this printer; it is an order to look in, no proof."


def _notes(process: Process, case: Case, seen: Seen, matches: Sequence[Match]) -> Iterable[str]:
    if case.mark_techs and not any(one.startswith(_LASER) for one in case.mark_techs):
        yield (
            f"This printer says that it marks by {', '.join(clean(one, 60) for one in case.mark_techs)}; the table is "
            "about laser and LED printers, and fits it only where paper and jobs are concerned."
        )
    if not case.history.contacts and not case.tracks:
        yield "Nothing has been read from this printer by then."
    else:
        last = max((one.last for one in case.history.contacts if one.reachable), default=None)
        if last is not None and case.as_of - last > SILENT_FOR:
            yield f"It has not answered since {case.ago(last)}; what is known of it is as old."
    if process.symptoms[seen.kind].distance:
        yield from _about_distance(case, seen, matches)


def _about_distance(case: Case, seen: Seen, matches: Sequence[Match]) -> Iterable[str]:
    model = clean(case.history.printer.model, 60) or "this model"
    if seen.every is None:
        yield "With the distance in mm between the marks (every) the rollers of its upkeep plan can be compared."
        return
    yield (
        f"{seen.every:g} mm is one turn of something with a diameter of {seen.every / math.pi:.1f} mm, where it turns "
        "as fast as the paper moves. Developing rollers often turn faster, so that their marks come closer together."
    )
    if not matches:
        yield f"The settings name no rollers of {model} (upkeep, rollers), so the distance could not be compared."
    elif not any(one.fits for one in matches):
        names = ", ".join(f"{one.roller.name} {one.roller.around:.1f} mm" for one in matches)
        yield f"None of the rollers in the plans of {model} fits: {names}. Measure over several marks and divide."


def care(found: Iterable[Suspect]) -> tuple[str, ...]:
    """All cautions of these suspects, each once, the one about the maker's manual last."""
    lines: Collection[str] = dict.fromkeys(line for one in found for line in one.cautions)
    return (*lines, for_supply("")[-1])
