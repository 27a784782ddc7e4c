"""Charts as files, by matplotlib, which several threads must not use at once: one place to draw at, and one at a time.

No screen is needed, and nothing of matplotlib's own state is left changed. What is written into a chart is text and
never a formula, since names come from outside. A file says no date and no program: the same chart is the same octets.
"""

from __future__ import annotations

import io
import threading
from collections.abc import Callable, Mapping
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
_STYLE: Mapping[str, Any] = {
    "text.parse_math": False,
    "text.usetex": False,
    "font.family": "DejaVu Sans",  # comes with matplotlib, so it is everywhere the same
    "svg.fonttype": "none",  # words stay words, to be read, found and set in the reader's own font
    "svg.hashsalt": "lowmark",
}


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
