"""What one may do to a simulated printer with one's hands, so that a service can be tried out."""

from __future__ import annotations

from dataclasses import dataclass

FIT = "fit"
EMPTY = "empty"
RESET = "reset"
SET = "set"
CALIBRATE = "calibrate"
JAM = "jam"
CLEAR = "clear"
VERBS = (FIT, EMPTY, RESET, SET, CALIBRATE, JAM, CLEAR)
ABOUT_SUPPLIES = (FIT, EMPTY, RESET, SET)
"""These want a subject."""


@dataclass(frozen=True, slots=True)
class Handwork:
    """One thing done at a simulated printer.

    ``verb``: ``fit`` (a supply or part, ``share`` of it good), ``empty`` (a receptacle), ``reset`` (the printer's own
    counter of a part), ``set`` (what is left of a supply), ``calibrate``, ``jam`` or ``clear``. ``subject``: the
    supply's key, or a word of its description. ``reset`` False: a part is fitted and its counter is not set back.
    """

    verb: str
    subject: str = ""
    share: float = 1.0
    reset: bool = True
