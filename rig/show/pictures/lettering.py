"""Lines of text: how wide they are, and how they are made to fit."""

from __future__ import annotations

import bisect
import functools
import itertools
import re
from collections.abc import Callable

_DIGIT = re.compile(r"[0-9]")
_BEFORE_UNIT = re.compile(
    r"(?<=[0-9]) (?=(?:m|mm|cm|km|s|ms|µs|Hz|kHz|dB|°C|m/s|%)(?:[ .,;:?)]|$))"
    r"|(?<=\bk) (?== 2\b)|(?<=\bk =) (?=2\b)"
)
"""The blank between a number and its unit, and those of "k = 2"."""
_KEPT = "\N{NO-BREAK SPACE}"


def wrapped(text: str, width: float, measure: Callable[[str], float]) -> list[str]:
    """Break a text at its spaces into lines no wider than `width`, none between number and unit.

    A word that is wider by itself is cut short with an ellipsis.
    """
    kept = _BEFORE_UNIT.sub(_KEPT, " ".join(text.split())).split(" ")
    words = [word.replace(_KEPT, " ") for word in kept if word]
    # As many letters as fit, by the mean letter: to measure a line takes longer than all else.
    letters = width * len(text) / max(measure(" ".join(words)), 1e-9) if words else 0.0
    lines: list[str] = []
    while words:
        fit = _as_many_as_fit(words, width, measure, letters)
        if fit == 0:
            words[0] = shortened(words[0], width, measure)
            fit = max(1, _as_many_as_fit(words, width, measure, letters))
        lines.append(" ".join(words[:fit]))
        words = words[fit:]
    return lines


def _as_many_as_fit(
    words: list[str], width: float, measure: Callable[[str], float], letters: float
) -> int:
    """Return how many of the words fit into one line, of so many letters or so."""
    ends = list(itertools.accumulate(len(word) + 1 for word in words))
    fit = max(1, bisect.bisect_right(ends, letters + 1))
    if measure(" ".join(words[:fit])) <= width:
        while fit < len(words) and measure(" ".join(words[: fit + 1])) <= width:
            fit += 1
        return fit
    while fit > 1 and measure(" ".join(words[: fit - 1])) > width:
        fit -= 1
    return fit - 1


def shortened(text: str, width: float, measure: Callable[[str], float]) -> str:
    """Return the text, its middle replaced by an ellipsis where it is too wide.

    The middle, since both ends of a file's name tell it from others.
    """
    if measure(text) <= width:
        return text
    low, high = 0, len(text)
    while low < high:
        keep = (low + high + 1) // 2
        if measure(_with_ellipsis(text, keep)) <= width:
            low = keep
        else:
            high = keep - 1
    return _with_ellipsis(text, low)


def _with_ellipsis(text: str, keep: int) -> str:
    head = keep - keep // 2
    tail = keep // 2
    return f"{text[:head]}…{text[len(text) - tail :]}"


def text_width(text: str, *, size_pt: float, bold: bool = False) -> float:
    """Width of a line of text, in units of the 1280 × 720 picture."""
    # All digits of the font are equally wide: a line is measured once, whatever its numbers.
    return _width(_DIGIT.sub("0", text), size_pt, bold)


@functools.lru_cache(maxsize=4096)
def _width(text: str, size_pt: float, bold: bool) -> float:
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(weight="bold" if bold else "normal", size=size_pt)
    width_pt, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return float(width_pt) * 100 / 72


@functools.cache
def _known_characters() -> frozenset[int]:
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return frozenset(get_font(findfont(FontProperties())).get_charmap())


def printable(text: str) -> str:
    """Return the text on one line, a ? for each character that the font lacks."""
    line = " ".join(text.split())
    return "".join(c if ord(c) in _known_characters() else "?" for c in line)
