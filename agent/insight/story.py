"""One supply's forecast: an answer with its odds, or the reason why there is none."""

from __future__ import annotations

import math
from datetime import date
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

from agent.insight import kin, runout
from agent.insight.days import Floats, day_of
from agent.insight.series import DAY, moment
from agent.insight.usage import Ahead
from agent.model.day_words import day_words
from agent.model.insight import Dates, Forecast, Spread
from agent.model.zones import zone_of

if TYPE_CHECKING:
    from agent.insight.printer import Part, Study

LONGEST_UNKNOWN = 30 * DAY
"""A level that has been unknown for longer is not guessed at any more (common practice, no source)."""
TOO_WIDE = 0.65
"""Standard deviation of the logarithm of the use a page, beyond which a date would be made up."""
PROBABLY_MISSED = 0.3
MISSED = 0.05
"""How often the swap of a supply that only says "some" is neither seen nor logged (common practice, no source)."""
PROBABLY_GONE = 0.25
"""The chance that a supply was exchanged during a silence, above which the old one is not spoken of any more."""
UNSEEN = 1.15
"""By how much more a life varies where only "some" is shown: a swap may be missing from the ledger, and earlier lives
may have been cut short by people (tried on simulated fleets, no source)."""
WORKDAYS = 10
WITHIN = (7, 14)
_NEXT = np.arange(1, WORKDAYS + 1)


def tell(study: Study, part: Part) -> Forecast:
    """The forecast of one supply."""
    blank = Forecast(
        printer_id=study.history.printer.id,
        supply=part.key,
        kind=part.track.kind,
        colorant=part.track.colorant,
        description=part.track.description,
        as_of=study.as_of,
        threshold=study.terms.threshold_of(part.track.key, part.track.kind),
    )
    reason = _no_level(study, part)
    if reason is not None:
        return _refuse(blank, reason)
    if part.use.reason and not part.use.by_time:
        return _refuse(blank, f"too early to tell: {part.use.reason}")
    prior, basis = _prior(study, part)
    if part.seen.only_some and (why := _some_only(part, prior)) is not None:
        return _refuse(blank, why)
    rest = runout.left(
        part.worn[-1], part.steps, prior, part.use.level, coverage=study.fleet.coverage, early=study.fleet.early
    )
    if rest is None:
        return _refuse(
            blank,
            "too early to tell: its level has not moved by two steps yet, no earlier life and no other "
            "printer shows what a page takes of it, and no yield is declared",
        )
    if part.seen.only_some and prior is not None and part.worn[-1].shown_last > 0.0:
        rest = rest.or_another(_missed(part, prior))
    return _answer(study, part, blank, rest, basis)


def _refuse(blank: Forecast, reason: str) -> Forecast:
    return Forecast(
        blank.printer_id,
        blank.supply,
        blank.kind,
        blank.colorant,
        blank.description,
        blank.as_of,
        reason=reason,
        threshold=blank.threshold,
    )


def _no_level(study: Study, part: Part) -> str | None:
    if part.levels_at.size == 0:
        return "nothing had been read of it by then"
    if not part.worn:
        return "the printer does not say how much is left"
    if part.unknown_since is not None and study.contact.latest - part.unknown_since > LONGEST_UNKNOWN:
        return f"the printer has not said how much is left since {_day(study, part.unknown_since)}"
    return None


def _prior(study: Study, part: Part) -> tuple[tuple[float, float] | None, list[str]]:
    """What to expect of this life's use a page before it is looked at, and on what that rests."""
    basis: list[str] = []
    printer = study.history.printer
    known = None if part.use.by_time else study.fleet.use_of(part.kind, printer.id, part.declared)
    if known is None and not part.own:
        return None, basis
    if known is None:
        known = kin.UsePrior(part.own[0][0], 4.0, kin.BETWEEN, kin.WITHIN, "")
    mean, variance, count = known.after(part.own)
    if count:
        basis.append(f"{count} earlier {'life' if count == 1 else 'lives'} in this printer")
    if known.source:
        basis.append(known.source)
    if part.seen.only_some:
        variance *= UNSEEN
    return (mean, variance), basis


def _some_only(part: Part, prior: tuple[float, float] | None) -> str | None:
    """Why a supply that only says "some remaining" cannot be told, or None where it can."""
    now = part.worn[-1]
    if prior is None:
        return (
            "too early to tell: the printer only says that some is left, and no life of its kind has been seen from "
            "fitting to end; log its swaps, or declare its yield"
        )
    if now.shown_last <= 0.0:
        return None
    if not now.full:
        return (
            "too early to tell: the printer only says that some is left, and its fitting was not seen; the next swap "
            "starts the count"
        )
    if _missed(part, prior) > PROBABLY_MISSED:
        return (
            f"too uncertain to tell: {now.pages:,.0f} impressions since the last swap that was seen are more than "
            "nearly any life of its kind; a swap was probably missed"
        )
    return None


def _missed(part: Part, prior: tuple[float, float]) -> float:
    """The chance that a swap was missed since the one that was seen, by how long this life would have lasted."""
    over = (math.log(max(1.0, part.worn[-1].pages)) + prior[0]) / math.sqrt(prior[1])
    lasted, missed = float(ndtr(-over)), MISSED * float(ndtr(over))
    return missed / (missed + lasted)


def _answer(study: Study, part: Part, blank: Forecast, rest: runout.Left, basis: list[str]) -> Forecast:
    if rest.doubt > TOO_WIDE:
        return _refuse(
            blank, "too early to tell: a page may take anything of it; it needs more pages or an earlier life"
        )
    start = study.contact.latest
    days = study.road(part.use, _horizon(part, rest))
    way = runout.course(part.use, days)
    lag = study.as_of.timestamp() - start
    empty, empty_dates, law = _spread(rest.pages, rest, way, lag, study)
    chance = law.chance
    if lag > DAY and _gone(study, rest, way, days, chance) > PROBABLY_GONE:
        return _refuse(
            blank,
            f"the printer has been silent since {_day(study, start)}, and what was in it then has "
            "probably been used up or exchanged by now",
        )
    threshold = blank.threshold if blank.threshold is not None else 0.0
    low, low_dates = empty, empty_dates
    if threshold > 0:
        low, low_dates, _ = _spread(rest.until(threshold), rest, way, lag, study, nights=False)
    now = study.as_of.timestamp()
    until = law.at([now + many * DAY for many in WITHIN])
    today = int(days.ends.searchsorted(now, side="right"))
    gone = int(days.work[today - 1]) if 0 < today <= days.work.size else 0
    place = np.minimum(days.work.searchsorted(gone + _NEXT), chance.size - 1)
    share = rest.quantiles(rest.share)
    if rest.measured:
        basis.insert(0, "what this one has shown since it was fitted")
    if part.use.by_time:
        basis.append("elapsed workdays in place of pages")
    return Forecast(
        blank.printer_id,
        blank.supply,
        blank.kind,
        blank.colorant,
        blank.description,
        blank.as_of,
        empty=empty,
        empty_dates=empty_dates,
        threshold=blank.threshold,
        low=low,
        low_dates=low_dates,
        level=share[1],
        level_low=share[0],
        level_high=share[2],
        pages_left=None if part.use.by_time else rest.quantiles(rest.pages),
        chance=MappingProxyType(dict(zip(WITHIN, until, strict=True))),
        chance_workdays=tuple(chance[place].tolist()),
        basis=tuple(basis),
    )


def _gone(study: Study, rest: runout.Left, way: runout.Course, days: Ahead, chance: Floats) -> float:
    """The chance that the supply was emptied, or swapped early as people do here, since the last contact."""
    share, most = study.fleet.early
    sooner = runout.chances(rest.until(most / 2), rest.blur, way, rest.weight)
    at = study.as_of.timestamp()
    return float(share * np.interp(at, days.ends, sooner) + (1 - share) * np.interp(at, days.ends, chance))


def _horizon(part: Part, rest: runout.Left) -> int:
    week = max(0.2, sum(part.use.shape.weekday) * (1 - part.use.shape.closed))
    expected = float(rest.pages.max()) / part.use.level / week * 7
    return int(min(runout.HORIZON, 21 + 2.2 * expected))


def _spread(
    pages: Floats, rest: runout.Left, way: runout.Course, lag: float, study: Study, *, nights: bool = True
) -> tuple[Spread, Dates, runout.Curve]:
    """The law as of the moment asked for, from the law as of the last contact (``lag`` seconds before).

    ``nights``: keep what is known of the nights; nobody asks for the chance of falling to the threshold by a morning.
    """
    already = min(1.0, float(rest.weight[pages < 0.5].sum()))
    law = runout.law(pages, rest.blur, way, rest.weight, already)
    found, beyond = law.quantiles()
    shift = lag / DAY
    whole = runout.dates(law.chance, way.ahead.first_day)
    floor = date.fromordinal(day_of(study.zone, study.as_of.timestamp()))
    whole = Dates(max(whole.p10, floor), max(whole.p50, floor), max(whole.p90, floor))
    kept = law.nights() if nights else ()
    passed = tuple((close - shift, opens - shift, one) for close, opens, one in kept if opens > shift)
    spread = Spread(study.as_of, tuple(max(0.0, one - shift) for one in found), max(0.0, beyond - shift), passed)
    return spread, whole, law


def _day(study: Study, at: float) -> str:
    """The day of a moment (POSIX seconds) at the site."""
    there = zone_of(study.zone)
    return day_words(moment(at).astimezone(there), study.as_of.astimezone(there))
