"""A picture's letters as the SVG file has them, against those that Matplotlib itself writes."""

from __future__ import annotations

import io
import re
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.transforms import Affine2D, Bbox
from numpy.typing import NDArray

from rig.show.pictures.saving import packed, plain_settings

_SVG, _LINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"


def figure(**how: Any) -> Figure:
    page = Figure(figsize=(4, 3))
    page.text(0.1, 0.8, "Echoes at 20 °C: $-6$ dB", fontsize=14, **{"parse_math": False, **how})
    page.text(0.1, 0.6, "To scale.\nTo\xa0the left <&>", color="#c2410c", linespacing=1.2)
    page.text(0.9, 0.2, "depth / m", rotation=90, fontweight="bold", alpha=0.5, va="bottom")
    page.text(0.5, 0.3, "middle", ha="center", va="center_baseline")
    return page


def transform(words: str) -> Affine2D:
    """The transforms of an element, the last first (SVG 1.1, 7.6)."""
    all_of = Affine2D()
    for name, given in reversed(re.findall(r"(\w+)\(([^)]*)\)", words)):
        numbers = [float(number) for number in given.split()]
        step = Affine2D()
        if name == "rotate":
            step.rotate_deg(*numbers)
        elif name == "scale":
            step.scale(*numbers)
        else:
            assert name == "translate"
            step.translate(*(numbers if len(numbers) == 2 else (*numbers, 0.0)))
        all_of = all_of + step
    return all_of


def letters(svg: bytes) -> list[tuple[str, str, NDArray[np.float64]]]:
    """What is drawn of each letter: its colour and strength, its strokes, and their corners."""
    page = ElementTree.fromstring(svg)
    made = {each.get("id"): each for each in page.iter(f"{_SVG}path") if each.get("id")}
    found = []
    for group in page.iter(f"{_SVG}g"):
        style = dict(re.findall(r"([\w-]+): ([^;]+)", group.get("style", "")))
        ink = group.get("fill", style.get("fill", "#000000"))
        ink += f" {float(group.get('opacity', style.get('opacity', '1'))):g}"
        for used in group.findall(f"{_SVG}use"):
            outline = made[used.get(_LINK, "").removeprefix("#")]
            strokes = outline.get("d", "")
            corners = np.array(re.findall(r"-?[\d.]+", strokes), float).reshape(-1, 2)
            place = Affine2D().translate(float(used.get("x", 0)), float(used.get("y", 0)))
            way = transform(outline.get("transform", "")) + place
            way += transform(used.get("transform", "")) + transform(group.get("transform", ""))
            found.append((ink, re.sub(r"[^A-Za-z]", "", strokes), way.transform(corners)))
    return found


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"clip_on": True, "clip_box": Bbox([[0, 0], [99, 300]])},
        {"url": "x"},
        {"parse_math": True},
    ],
    ids=["plain", "clipped", "linked", "formula"],
)
def test_letters_are_those_of_matplotlib_and_stand_where_it_puts_them(how: dict[str, Any]) -> None:
    with plain_settings():
        ours = letters(packed(figure(**how), "svg", 100))
        theirs_to = io.BytesIO()
        FigureCanvasSVG(figure(**how)).print_figure(theirs_to, format="svg", dpi=100)
    theirs = letters(theirs_to.getvalue())
    assert len(theirs) > 50
    assert [each[:2] for each in ours] == [each[:2] for each in theirs]
    for (_, _, own), (_, _, other) in zip(ours, theirs, strict=True):
        # Written to six digits are a letter's place and its line's, in both files: four times
        # half a millionth.
        assert own == pytest.approx(other, abs=2e-6)
