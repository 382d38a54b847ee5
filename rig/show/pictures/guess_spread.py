"""A class's guesses in one picture: dots along the quantity's own axis, or a bar a choice.

Each guess is one mark, so that a class can count itself. What was measured, with its interval,
and what theory expects are drawn through the same axis. Rounds are told apart by the form of
their marks and by their place, not by colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.show.pictures.dot_stacks import DOT_FILLS, DOT_FORMS, axis_limits, fitted
from rig.show.pictures.lesson_page import (
    HEAD_PT,
    LINE,
    MARGIN,
    TEXT_PT,
    box_on,
    measured_at,
    write_on,
)
from rig.show.pictures.lettering import printable, wrapped
from rig.show.pictures.page import ACCENT, FAINT, INK, SOFT
from rig.show.pictures.saving import drawn_bytes
from rig.teach.guesses.guesses import Spread
from rig.teach.guesses.spread_text import ROUNDS, right_text
from rig.teach.lessons.running import Turn
from rig.teach.lessons.turn_text import expected_text, measured_text, plain_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_ASK_PT = 17.0
_NAMES = 150.0
"""Room at the left for the names of the rounds."""


_SHEET_PX = (900, 400)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpreadPage:
    """What the page shows.

    Attributes
    ----------
    heading : str
        Which lesson, which part.
    spread : Spread
    turn : Turn or None
        What was measured; None before.
    keys : str
        What the keys do now.
    """

    heading: str
    spread: Spread
    turn: Turn | None = None
    keys: str = ""


def draw_spread(figure: Figure, page: SpreadPage) -> None:
    """Draw the page on an empty figure of 12.8 × 7.2 inches or of another shape."""
    tall = float(100 * figure.get_size_inches()[1])
    figure.set_facecolor("white")
    top = write_on(figure, page.heading, 16.0, size_pt=HEAD_PT, colour=SOFT)
    top = write_on(figure, page.spread.question.text, top + 6, size_pt=_ASK_PT, weight="bold")
    foot = tall - 12 - HEAD_PT * LINE
    write_on(figure, page.keys, foot, size_pt=HEAD_PT, colour=SOFT)
    said = "" if page.turn is None else right_text(page.spread, page.turn)
    if page.turn is not None and page.turn.invented:
        said += " Heard in the virtual tank: an invented scene."
    wide = float(100 * figure.get_size_inches()[0])
    lines = wrapped(printable(said), wide - 2 * MARGIN, measured_at(TEXT_PT))
    low = foot - 8 - len(lines) * TEXT_PT * LINE
    write_on(figure, said, low, size_pt=TEXT_PT)
    _draw(figure, page.spread, page.turn, top=top + 10, low=low - 6)


def sheet_spread(spread: Spread, turn: Turn | None) -> bytes:
    """Draw a spread for the sheet, which has the words: an SVG, as wide as A4's text."""
    return drawn_bytes(
        "svg",
        lambda figure: _draw(figure, spread, turn, top=8.0, low=float(_SHEET_PX[1])),
        size_px=_SHEET_PX,
        dpi=100.0,
    )


def _draw(figure: Figure, spread: Spread, turn: Turn | None, *, top: float, low: float) -> None:
    wide = float(100 * figure.get_size_inches()[0])
    if spread.question.choices:
        _draw_bars(figure, spread, turn, top=top + 10, low=low - 10)
        return
    if turn is not None:
        top = _name_lines(figure, turn, top)
    axes = box_on(figure, MARGIN + _NAMES, top + 14, wide - MARGIN - 30, low - 62)
    _draw_dots(axes, spread, turn)
    name = f"guess / {spread.question.unit}" if spread.question.unit else "guess"
    axes.set_xlabel(printable(name), fontsize=TEXT_PT, color=INK, parse_math=False)


def _name_lines(figure: Figure, turn: Turn, top: float) -> float:
    """Name the lines of measurement and theory above the picture, each beside a piece of it."""
    wide, tall = (float(100 * side) for side in figure.get_size_inches())
    named: tuple[tuple[str, str, Any], ...] = (
        (f"measured: {measured_text(turn)} (k = 2)", INK, "-"),
        (f"expected: {expected_text(turn)}", SOFT, (0, (4, 2.5))),
    )
    from matplotlib.lines import Line2D

    for words, colour, dash in named:
        middle = top + TEXT_PT * LINE / 2
        piece = Line2D(
            [MARGIN / wide, (MARGIN + 50) / wide], [1 - middle / tall] * 2, color=colour,
            linewidth=3.0, linestyle=dash, transform=figure.transFigure,
        )  # fmt: skip
        figure.add_artist(piece)
        figure.text(
            (MARGIN + 62) / wide, 1 - top / tall, printable(words), fontsize=TEXT_PT, va="top",
            color=colour, fontweight="bold", parse_math=False,
        )  # fmt: skip
        top += TEXT_PT * LINE
    return top


def _draw_dots(axes: Axes, spread: Spread, turn: Turn | None) -> None:
    rounds = [np.array([v for v in each if isinstance(v, float)]) for each in spread.rounds]
    low, high = axis_limits(np.concatenate(rounds), turn)
    axes.set_xlim(low, high)
    box = axes.get_window_extent()
    dots_to_unit = axes.figure.dpi / 100
    width, height = box.width / dots_to_unit, box.height / dots_to_unit
    axes.set_ylim(0.0, height)
    axes.set_yticks([])
    axes.grid(axis="x", color=FAINT, linewidth=0.8)
    axes.set_axisbelow(True)
    if turn is not None:
        _draw_answer(axes, turn)
    row = height / len(rounds)
    inside = [each[(each >= low) & (each <= high)] for each in rounds]
    size, stacks = fitted([width * (each - low) / (high - low) for each in inside], row - 30)
    for number, (guesses, stacked) in enumerate(zip(rounds, stacks, strict=True)):
        base = height - (number + 1) * row
        if number + 1 < len(rounds):
            axes.axhline(base, color=SOFT, linewidth=1.0)
        axes.plot(
            low + (high - low) * stacked[:, 0] / width, base + size * (stacked[:, 1] + 0.5),
            linestyle="none", marker=DOT_FORMS[number],
            markersize=0.72 * size * (0.92 if number == 0 else 0.74),
            markerfacecolor=DOT_FILLS[number], markeredgecolor=INK,
            markeredgewidth=min(1.4, size / 8), zorder=4,
        )  # fmt: skip
        _name_round(axes, spread, number, base + row / 2)
        _count_beyond(axes, spread, guesses, low, high, base + row - 6)


def _draw_answer(axes: Axes, turn: Turn) -> None:
    finding = turn.finding
    low, high = (finding.measured + sign * 2 * finding.u_measured for sign in (-1, 1))
    axes.axvspan(low, high, color=INK, alpha=0.18, linewidth=0, zorder=2)
    axes.axvline(finding.measured, color=INK, linewidth=3.0, zorder=3)
    axes.axvline(finding.expected, color=SOFT, linewidth=3.0, linestyle=(0, (4, 2.5)), zorder=3)


def _name_round(axes: Axes, spread: Spread, number: int, middle: float) -> None:
    name = "guesses" if len(spread.rounds) == 1 else f"{ROUNDS[number]}:"
    count = len(spread.rounds[number])
    lines = [*wrapped(name, _NAMES - 24, measured_at(TEXT_PT)), str(count) if count else "none"]
    if len(spread.rounds) == 1:
        lines = [f"{count}", "guess" if count == 1 else "guesses"] if count else ["no guesses"]
    how: dict[str, Any] = {"fontsize": TEXT_PT, "color": INK, "va": "center", "ha": "right"}
    axes.annotate(
        "\n".join(lines), (0.0, middle), xycoords=("axes fraction", "data"), xytext=(-12, 0),
        textcoords="offset points", annotation_clip=False, **how,
    )  # fmt: skip


def _count_beyond(
    axes: Axes, spread: Spread, guesses: NDArray[np.float64], low: float, high: float, upper: float
) -> None:
    """Say at the edge how many guesses lie off the picture, and how far."""
    sides = (
        (guesses[guesses < low], 0.0, "left", "\N{LEFTWARDS ARROW} {n} beyond, down to {end}"),
        (guesses[guesses > high], 1.0, "right", "{n} beyond, up to {end} \N{RIGHTWARDS ARROW}"),
    )
    for beyond, edge, side, words in sides:
        if not beyond.size:
            continue
        end = float(beyond.min() if side == "left" else beyond.max())
        said = words.format(n=beyond.size, end=f"{plain_text(end)} {spread.question.unit}".strip())
        axes.annotate(
            printable(said), (edge, upper), xycoords=("axes fraction", "data"),
            xytext=(6 if side == "left" else -6, 0), textcoords="offset points", ha=side,
            va="top", fontsize=HEAD_PT, color=ACCENT, fontweight="bold", parse_math=False,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.5},
            zorder=6,
        )  # fmt: skip


def _draw_bars(
    figure: Figure, spread: Spread, turn: Turn | None, *, top: float, low: float
) -> None:
    wide = float(100 * figure.get_size_inches()[0])
    choices, rounds = spread.question.choices, len(spread.rounds)
    names = 0.3 * wide
    if turn is not None:
        words = f"measured: {measured_text(turn)}; expected: {expected_text(turn)}"
        top = write_on(figure, words, top - 6, size_pt=TEXT_PT, weight="bold") + 8
    axes = box_on(figure, MARGIN + names, top, wide - MARGIN - 30, low - (48 if rounds > 1 else 8))
    counts = [spread.counts(n) for n in range(rounds)]
    most = max(max(each) for each in counts) or 1
    # Room at the right for the words beside the longest bar.
    axes.set_xlim(0.0, most * 1.45)
    axes.set_ylim(len(choices) - 0.5, -0.5)
    axes.set_xticks([])
    axes.set_yticks([])
    for side in ("top", "right", "bottom"):
        axes.spines[side].set_visible(False)
    thick = 0.7 / rounds
    says = "" if turn is None else turn.finding.choice
    for place, choice in enumerate(choices):
        lines = wrapped(printable(choice), names - 24, measured_at(TEXT_PT, "bold"))
        axes.annotate(
            "\n".join(lines), (0.0, place), xycoords=("axes fraction", "data"), xytext=(-10, 0),
            textcoords="offset points", ha="right", va="center", fontsize=TEXT_PT, color=INK,
            fontweight="bold" if choice == says else "normal", annotation_clip=False,
            parse_math=False,
        )  # fmt: skip
        for number, each in enumerate(counts):
            middle = place + (number - (rounds - 1) / 2) * thick
            axes.barh(
                middle, each[place], height=thick * 0.86, facecolor=DOT_FILLS[number],
                edgecolor=INK, linewidth=1.4, hatch="//" if number else None,
            )  # fmt: skip
            told = str(each[place])
            if choice == says and number == rounds - 1:
                told += "  \N{LEFTWARDS ARROW} the bench says"
            axes.annotate(
                told, (each[place], middle), xytext=(8, 0), textcoords="offset points",
                va="center", fontsize=TEXT_PT, color=INK,
                fontweight="bold" if choice == says else "normal",
            )  # fmt: skip
    if rounds > 1:
        _name_bars(figure, spread, low - 36)


def _name_bars(figure: Figure, spread: Spread, top: float) -> None:
    from matplotlib.patches import Patch

    wide, tall = (float(100 * side) for side in figure.get_size_inches())
    handles = [
        Patch(facecolor=DOT_FILLS[n], edgecolor=INK, hatch="//" if n else None,
              label=f"{ROUNDS[n]}: {len(guesses) or 'none'}")
        for n, guesses in enumerate(spread.rounds)
    ]  # fmt: skip
    figure.legend(
        handles=handles, loc="upper left", ncols=2, frameon=False, fontsize=TEXT_PT,
        bbox_to_anchor=((MARGIN + 0.3 * wide) / wide, 1 - top / tall), borderpad=0.0,
    )  # fmt: skip
