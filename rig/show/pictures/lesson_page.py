"""A lesson's page before the answer: question, prediction, and what is heard as it comes.

The prediction stands in the picture before anything is heard. Beside it run the strength strip
and the history. What the pings come to is drawn by :mod:`rig.show.pictures.lesson_picture`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.run.receiver import Receiver
from rig.run.results import PingResult
from rig.show.pictures.dot_stacks import axis_limits, plot_upright
from rig.show.pictures.ink import strength_colours
from rig.show.pictures.lettering import printable, text_width, wrapped
from rig.show.pictures.page import ACCENT, FAINT, INK, SOFT
from rig.show.pictures.scales import RangeColumns, decibels, range_scale, strength_limits_db
from rig.teach.guesses.guesses import Spread
from rig.teach.lessons.lesson import Question
from rig.teach.lessons.running import Prediction
from rig.teach.lessons.turn_text import prediction_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MARGIN = 28.0
HEAD_PT, _ASK_PT, TEXT_PT, _TICK_PT = 13.0, 19.0, 15.0, 13.0
LINE = 1.5 * 100 / 72
"""From line to line, in hundredths of an inch for each point of type."""

_COLUMNS = 400


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LessonPage:
    """What the page shows.

    Attributes
    ----------
    heading : str
        Which lesson, which part.
    question : Question
    answer : str
        The line of the prediction as it is typed; empty once it is given.
    prediction : float, str or None
    spread : Spread or None
        What a class guessed, in place of the one prediction.
    words : str
        What to set up, or what was missing.
    keys : str
        What the keys do now.
    receiver : Receiver or None
        Of the pings; None before the first step.
    results : sequence of PingResult
        What came so far, the oldest first.
    pings : int
        How many will come.
    """

    heading: str
    question: Question
    answer: str
    prediction: Prediction
    words: str
    keys: str
    receiver: Receiver | None = None
    results: Sequence[PingResult] = ()
    pings: int = 1
    spread: Spread | None = None


def draw_page(figure: Figure, page: LessonPage) -> None:
    """Draw the page on an empty figure of 12.8 × 7.2 inches or of another shape."""
    wide, tall = (float(100 * side) for side in figure.get_size_inches())
    figure.set_facecolor("white")
    top = write_on(figure, page.heading, 16.0, size_pt=HEAD_PT, colour=SOFT)
    # Once it is answered the question makes room for what is heard.
    asked_pt = _ASK_PT if page.answer else TEXT_PT
    top = write_on(figure, page.question.text, top + 6, size_pt=asked_pt, weight="bold")
    if page.answer:
        for place, choice in enumerate(page.question.choices, 1):
            top = write_on(figure, f"{place}   {choice}", top + 2, size_pt=_ASK_PT - 2)
        top = write_on(figure, page.answer, top + 6, size_pt=_ASK_PT, colour=ACCENT)
    foot = tall - 12 - HEAD_PT * LINE
    write_on(figure, page.keys, foot, size_pt=HEAD_PT, colour=SOFT)
    lines = wrapped(printable(page.words), wide - 2 * MARGIN, measured_at(TEXT_PT))
    low = foot - 8 - len(lines) * TEXT_PT * LINE
    write_on(figure, page.words, low, size_pt=TEXT_PT)
    upper, lower = top + 34, low - 58
    if lower - upper < 60:
        return  # a question so long leaves no room; the result has its own page
    left = MARGIN + 70
    middle = left + 0.24 * (wide - left - MARGIN)
    beside = box_on(figure, left, upper, middle, lower)
    if page.spread is None:
        _draw_prediction(beside, page, room=middle - left - 16)
    else:
        _draw_guesses(beside, page.spread, wide=middle - left)
    _draw_heard(figure, page, middle + 110, upper, wide - MARGIN, lower)


def measured_at(size_pt: float, weight: str = "normal") -> Any:
    """Return what measures a line of text, in hundredths of an inch."""
    return lambda text: text_width(text, size_pt=size_pt, bold=weight == "bold")


def write_on(
    figure: Figure,
    words: str,
    top: float,
    *,
    size_pt: float,
    colour: str = INK,
    weight: str = "normal",
) -> float:
    """Write words from the left margin on; return where they end."""
    wide, tall = (float(100 * side) for side in figure.get_size_inches())
    lines = wrapped(printable(words), wide - 2 * MARGIN, measured_at(size_pt, weight))
    for number, line in enumerate(lines):
        figure.text(
            MARGIN / wide,
            1 - (top + number * size_pt * LINE) / tall,
            line,
            fontsize=size_pt,
            fontweight=weight,
            color=colour,
            va="top",
            parse_math=False,
        )
    return top + len(lines) * size_pt * LINE


def box_on(figure: Figure, left: float, top: float, right: float, bottom: float) -> Axes:
    """Return axes in a box, in hundredths of an inch from the page's upper left corner."""
    wide, tall = (float(100 * side) for side in figure.get_size_inches())
    axes = figure.add_axes(
        (left / wide, 1 - bottom / tall, (right - left) / wide, (bottom - top) / tall)
    )
    axes.tick_params(color=SOFT, labelcolor=INK, labelsize=_TICK_PT)
    for spine in axes.spines.values():
        spine.set(color=SOFT, linewidth=1.0)
    return axes


def _draw_prediction(axes: Axes, page: LessonPage, *, room: float) -> None:
    """Put the prediction where the measurement will be."""
    axes.set_title("Prediction", fontsize=TEXT_PT, color=INK, loc="left")
    axes.set_xticks([])
    if isinstance(page.prediction, float):
        value = page.prediction
        low, high = sorted((0.0, 1.5 * value if value else 1.0))
        axes.set_ylim(low, high)
        axes.axhline(value, color=ACCENT, linewidth=2.6, linestyle=(0, (4, 2.5)))
        axes.grid(axis="y", color=FAINT, linewidth=0.8)
        axes.set_ylabel(page.question.unit, fontsize=TEXT_PT, color=INK)
        words = prediction_text(page.prediction, page.question)
        axes.annotate(
            words,
            (0.5, value),
            xycoords=("axes fraction", "data"),
            xytext=(0, 6 if value >= 0 else -6),
            textcoords="offset points",
            ha="center",
            va="bottom" if value >= 0 else "top",
            fontsize=TEXT_PT,
            fontweight="bold",
            color=ACCENT,
        )
        return
    axes.set_yticks([])
    words = page.prediction or ("" if page.answer else "none")
    lines = wrapped(printable(words), room, measured_at(TEXT_PT, "bold"))
    axes.text(
        0.5,
        0.5,
        "\n".join(lines),
        ha="center",
        va="center",
        fontsize=TEXT_PT,
        fontweight="bold",
        color=ACCENT,
        transform=axes.transAxes,
    )


def _draw_guesses(axes: Axes, spread: Spread, *, wide: float) -> None:
    """Put a class's last guesses where the measurement will be: dots, or a count a choice."""
    axes.set_title("Guesses", fontsize=TEXT_PT, color=INK, loc="left")
    axes.set_xticks([])
    guesses = np.array([v for v in spread.rounds[-1] if isinstance(v, float)])
    if spread.question.choices or not guesses.size:
        axes.set_yticks([])
        counts = zip(spread.counts(-1), spread.question.choices, strict=True)
        said = [f"{count} × {choice}" for count, choice in counts] or ["none"]
        lines = [wrapped(printable(each), wide - 16, measured_at(HEAD_PT, "bold")) for each in said]
        axes.text(
            0.5,
            0.5,
            "\n\n".join("\n".join(each) for each in lines),
            ha="center",
            va="center",
            fontsize=HEAD_PT,
            fontweight="bold",
            color=ACCENT,
            parse_math=False,
            transform=axes.transAxes,
        )
        return
    axes.set_ylim(*axis_limits(guesses, None))
    axes.grid(axis="y", color=FAINT, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_ylabel(spread.question.unit, fontsize=TEXT_PT, color=INK)
    plot_upright(axes, spread, wide=wide)


def _draw_heard(
    figure: Figure, page: LessonPage, left: float, top: float, right: float, bottom: float
) -> None:
    """Draw the strip of the newest ping, and under it the history."""
    parting = top + 0.34 * (bottom - top)
    strip = box_on(figure, left, top, right, parting - 8)
    history = box_on(figure, left, parting, right, bottom)
    strip.set_title(
        "Now: the newest ping / dB re full scale", fontsize=TEXT_PT, color=INK, loc="left"
    )
    strip.set_xticklabels([])
    history.set_xlabel("range / m", fontsize=TEXT_PT, color=INK)
    history.set_ylabel("age / s", fontsize=TEXT_PT, color=INK)
    good = [r for r in page.results if r.profile is not None]
    if page.receiver is None or not good:
        strip.set_xticks([])
        strip.set_yticks([])
        history.set_xticks([])
        history.set_yticks([])
        history.text(
            0.5,
            0.5,
            "nothing heard yet",
            ha="center",
            va="center",
            fontsize=TEXT_PT,
            color=SOFT,
            transform=history.transAxes,
        )
        return
    scale = range_scale(page.receiver)
    low_db, high_db = strength_limits_db(good, scale)
    newest, interval_s = good[-1], page.receiver.plan.timing.ping_interval_s
    rows = np.full((page.pings, _COLUMNS), np.nan)
    columns: dict[tuple[int, float], RangeColumns] = {}
    for r in good:
        age, profile = newest.index - r.index, r.profile
        if profile is None or age >= page.pings:
            continue
        key = (profile.envelope.size, profile.bin_s)
        if key not in columns:
            range_m = scale.range_m(np.arange(key[0]) * profile.bin_s)
            columns[key] = RangeColumns(range_m, stop_m=scale.stop_m, columns=_COLUMNS)
        rows[age] = decibels(columns[key](np.abs(profile.envelope)))
    place_m = (np.arange(_COLUMNS) + 0.5) * scale.stop_m / _COLUMNS
    strip.plot(place_m, rows[0], color=INK, linewidth=1.4)
    from matplotlib.colors import ListedColormap

    history.imshow(
        rows,
        cmap=ListedColormap(strength_colours(), name="strength"),
        vmin=low_db,
        vmax=high_db,
        aspect="auto",
        interpolation="nearest",
        extent=(0.0, scale.stop_m, (page.pings - 0.5) * interval_s, -0.5 * interval_s),
    )
    for axes in (strip, history):
        axes.set_xlim(0.0, scale.stop_m)
    strip.set_ylim(low_db, high_db)
