"""Templates and style: how the pages look. All of it comes with the program; nothing is fetched from elsewhere."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from agent.alarms.lifecycle import words as state_words
from agent.alarms.wording import spaced, span
from agent.insight.jobs import key_of
from agent.web import callers, forms, locales, words

POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
"""The Content-Security-Policy of the pages: a style sheet and one script of their own, no inline ones, nothing else."""


@lru_cache(maxsize=1)
def style() -> bytes:
    """The style sheet."""
    return files("agent.web").joinpath("static/look.css").read_bytes()


@lru_cache(maxsize=1)
def script() -> bytes:
    """The script that keeps open pages new."""
    return files("agent.web").joinpath("static/live.js").read_bytes()


@lru_cache(maxsize=1)
def script_path() -> str:
    """Where the script is served; another one has another path."""
    return f"/live-{hashlib.sha256(script()).hexdigest()[:12]}.js"


@lru_cache(maxsize=1)
def icon() -> bytes:
    """The picture for the browser's tab."""
    return files("agent.web").joinpath("static/icon.svg").read_bytes()


@lru_cache(maxsize=1)
def style_path() -> str:
    """Where the style sheet is served; another sheet has another path, so it may be kept for long."""
    return f"/look-{hashlib.sha256(style()).hexdigest()[:12]}.css"


def _digits(value: int, wheels: int = 7) -> list[str]:
    """A count as the digits of a mechanical counter, so many or more of them."""
    return list(f"{value:0{wheels}d}")


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The templates, with everything escaped that is not said to be safe."""
    made = Environment(
        loader=PackageLoader("agent.web", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    made.filters.update(
        said=words.said,
        told=words.told,
        named_day=words.named_day,
        named_moment=words.named_moment,
        harmless=words.harmless,
        moment=words.moment,
        clock=words.clock,
        day=words.day,
        near_day=words.near_day,
        away=words.away,
        decimal=locales.decimal,
        number=words.number,
        percent=words.percent,
        hours=words.hours,
        weekday=locales.weekday,
        deed=words.deed_name,
        card_key=lambda deed, printer_id: key_of(printer_id, deed),
        spaced=lambda label: words.harmless(spaced(str(label))),
        span=span,
        amount=words.amount_words,
        room=lambda amount, capacity, unit: words.harmless(words.room_words(amount, capacity, unit)),
        sub_unit=words.sub_unit_words,
        level=lambda one: words.harmless(words.level_words(one)),
        left=words.left_words,
        supply_name=lambda one: words.supply_name(one.kind, one.colorant, one.key, one.description),
        first_upper=words.first_upper,
        listed=words.listed,
        alarm_state=state_words,
        digits=_digits,
    )
    made.globals.update(
        style_path=style_path(), script_path=script_path(), csrf=forms.csrf, who_field=forms.who_field,
        caller=callers.caller,
        may=lambda role: callers.caller().may(role),
        # Where a page leads to; one of an earlier moment says it in another way (``leaf.as_of``).
        onward=lambda path: path,
    )  # fmt: skip
    return made


def render(template: str, **values: Any) -> Markup:
    """One page."""
    return Markup(environment().get_template(template).render(**values))  # noqa: S704 - autoescaped above
