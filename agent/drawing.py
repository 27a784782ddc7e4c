"""Charts as files, by matplotlib, which several threads must not use at once: one place to draw at, and one at a time.

Its usual font, DejaVu Sans, comes along with matplotlib. Where the machine has one with East Asian signs
(``more_signs``), that may stand behind it (``lettering``); the signs of the usual one stay as they are.

No screen is needed, and nothing of matplotlib's own state is left changed but the fonts that it knows. What is written
into a chart is text and never a formula, since names come from outside. A file says no date and no program: the same
chart is the same octets.
"""

from __future__ import annotations

import io
import threading
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

Kind = Literal["svg", "png", "pdf"]
POINTS = 72
"""A unit of an SVG drawing is a point: so many make an inch."""
_ONE_AT_A_TIME = threading.Lock()
_NAMELESS: Mapping[Kind, Mapping[str, None]] = {
    "svg": {"Date": None, "Creator": None, "Format": None, "Type": None},
    "png": {"Software": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}
_FAMILY = "DejaVu Sans"  # comes with matplotlib, so it is everywhere the same
_STYLE: Mapping[str, Any] = {
    "text.parse_math": False,
    "text.usetex": False,
    "font.family": _FAMILY,
    "svg.fonttype": "none",  # words stay words, to be read, found and set in the reader's own font
    "svg.hashsalt": "lowmark",
}


_MORE_PLACES = (
    "/usr/share/fonts/truetype/droid/DroidSansFallbackFull.ttf",  # Debian: fonts-droid-fallback
    "/usr/share/fonts/google-droid-sans-fonts/DroidSansFallbackFull.ttf",  # Fedora: google-droid-sans-fonts
    "/usr/share/fonts/opentype/unifont/unifont.otf",  # Debian: fonts-unifont
)


def more_signs() -> Path | None:
    """A font with East Asian signs that this machine has, or None."""
    return next((path for path in map(Path, _MORE_PLACES) if path.is_file()), None)


def can_draw(text: str, more: Path | None = None) -> bool:
    """Whether there is a sign for each letter of the text: in the usual font, or in ``more``."""
    if text.isascii():
        return True
    with _ONE_AT_A_TIME:
        known = _signs(None), _signs(more) if more is not None else frozenset[int]()
    return all(ord(sign) in known[0] or ord(sign) in known[1] for sign in text)


@lru_cache(maxsize=4)
def _signs(font: Path | None) -> frozenset[int]:
    """The signs that a font has; None: the usual one."""
    from matplotlib import font_manager
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(str(font) if font is not None else font_manager.findfont(_FAMILY)).get_charmap())


def lettering(more: Path | None) -> Mapping[str, Any]:
    """The style for signs of ``more`` behind those of the usual font. Not for SVG, which holds words and no shapes."""
    if more is None:
        return {}
    from matplotlib import font_manager

    with _ONE_AT_A_TIME:
        known = font_manager.fontManager
        if all(one.fname != str(more) for one in known.ttflist):
            known.addfont(str(more))
        return {"font.family": [_FAMILY, next(one.name for one in known.ttflist if one.fname == str(more))]}


def drawn(
    draw: Callable[[Any], None],
    size: tuple[float, float],
    kind: Kind,
    *,
    dots: int = POINTS,
    ground: str = "white",
    style: Mapping[str, Any] | None = None,
    layout: Literal["constrained"] | None = None,
) -> bytes:
    """What ``draw`` draws on a ``matplotlib.figure.Figure`` of ``size`` inches (width, height).

    ``dots``: of a PNG, an inch; ``ground``: the colour behind it, "none" for what lies beneath; ``style``: settings of
    matplotlib besides; ``layout``: by which of its ways the axes are placed, None where ``draw`` does it.
    """
    with _ONE_AT_A_TIME:
        # Only here: it is heavy, and most of what the agent does goes without.
        import matplotlib as mpl
        from matplotlib.figure import Figure

        settings: Any = {**_STYLE, **(style or {})}
        with mpl.rc_context(settings):
            figure: Any = Figure(figsize=size, dpi=dots, layout=layout, facecolor=ground)
            draw(figure)
            made = io.BytesIO()
            figure.savefig(made, format=kind, metadata=_NAMELESS[kind])
            return made.getvalue()
