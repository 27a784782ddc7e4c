"""Charts as files: one thread at a time draws them, what they say is text, and the same chart is the same file."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from agent.drawing import Kind, drawn

FORMULA = r"cost $5 and $6, \frac{1}{0} & <b>"


def draw(figure: Any) -> None:
    axes = figure.subplots()
    axes.plot([0, 1, 2], [3, 1, 2])
    axes.set_title(FORMULA)
    axes.set_xticks([0, 2], ["from", FORMULA])


def test_what_looks_like_a_formula_or_like_markup_is_drawn_as_it_stands() -> None:
    words = [one.text for one in ET.fromstring(drawn(draw, (4, 3), "svg")).iter("{http://www.w3.org/2000/svg}text")]
    assert words.count(FORMULA) == 2


@pytest.mark.parametrize("kind", ["svg", "png", "pdf"])
def test_the_same_chart_is_the_same_file(kind: Kind) -> None:
    assert drawn(draw, (4, 3), kind) == drawn(draw, (4, 3), kind)


def test_many_threads_draw_what_one_would() -> None:
    alone = drawn(draw, (4, 3), "svg", style={"font.size": 8})
    with ThreadPoolExecutor(6) as pool:
        sizes = [8, 20] * 6
        made = list(pool.map(lambda size: drawn(draw, (4, 3), "svg", style={"font.size": size}), sizes))
    assert all((one == alone) == (size == 8) for one, size in zip(made, sizes, strict=True))
