"""Prediction, theory and measurement in one picture.

Made to be read from the back of a class. What was measured is drawn as points, theory as
lines told apart by their dashes; what was predicted, measured and expected is named at the
right edge, each with an arrow to its height on the vertical axis.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.show.pictures.dot_stacks import DOT_FILLS, DOT_FORMS, axis_limits, plot_upright
from rig.show.pictures.lettering import printable, text_width, wrapped
from rig.show.pictures.page import ACCENT, FAINT, INK, SOFT
from rig.show.pictures.saving import drawn_bytes
from rig.teach.guesses.guesses import Spread
from rig.teach.lessons.running import Turn
from rig.teach.lessons.turn_text import (
    expected_text,
    measured_text,
    prediction_text,
    remark_lines,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_CLASS_PX = (1280, 720)  # at 100 dots an inch
_SHEET_PX = (900, 400)

_TITLE_PT, _TYPE_PT, _LABEL_PT = 17.0, 15.0, 14.0
_DASHES: tuple[Any, ...] = ("-", (0, (6, 3)), (0, (1.5, 2)), (0, (8, 3, 1.5, 3)))
_FORMS = ("o", "s", "^", "D", "v", "P")

# Places, in hundredths of an inch.
_MARGIN, _SIDE = 24, 282
_TITLE_LINE, _LINE = 31, 26
_ARROW, _GAP = 34, 10
_GUESSED = 0.22
"""The part of the axes, at their right, that a class's guesses have for themselves."""
_PLACES: tuple[Any, ...] = (
    *("upper right", "upper left", "lower left", "lower right"),
    *("center left", "center right", "lower center", "upper center", "center"),
)
"""Where a legend may stand: a corner if one is free."""


def class_picture(turn: Turn) -> bytes:
    """Draw a turn of a lesson for the class: a PNG of 1280 × 720, with question and verdict."""
    return drawn_bytes(
        "png", lambda figure: draw_turn(figure, turn, alone=True), size_px=_CLASS_PX, dpi=100.0
    )


def sheet_picture(turn: Turn) -> bytes:
    """Draw a turn of a lesson for its sheet, which has the words: an SVG, as wide as A4's text."""
    return drawn_bytes(
        "svg", lambda figure: draw_turn(figure, turn, alone=False), size_px=_SHEET_PX, dpi=100.0
    )


def _width(size_pt: float, *, bold: bool = False) -> Callable[[str], float]:
    return lambda text: text_width(text, size_pt=size_pt, bold=bold)


def draw_turn(
    figure: Figure, turn: Turn, *, alone: bool, keys: str = "", spread: Spread | None = None
) -> None:
    """Draw a turn on an empty figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    turn : Turn
    alone : bool
        With its question and verdict, and with keys.
    keys : str
    spread : Spread, optional
        What a class guessed last: dots at the right edge, read on the same axis.
    """
    guessed = spread if spread is not None and not spread.question.choices else None
    wide, tall = (float(100 * side) for side in figure.get_size_inches())
    top, low = 14.0, 0.0
    if alone:
        top, low = _lay_words(figure, turn, keys, wide=wide, tall=tall)
    measure = _width(_TYPE_PT)
    across = _label_lines(turn.finding.x_label, wide - _SIDE - _MARGIN)
    bottom = low + 54 + _LINE * len(across)
    height = tall - bottom - top
    upright = _label_lines(turn.finding.y_label, height + 20)
    axes = figure.add_axes((0.1, bottom / tall, 0.5, height / tall))
    _plot(axes, turn, label_room=wide - _SIDE - 300)
    if guessed is not None:
        _make_room(axes, guessed)
    how: dict[str, Any] = {"fontsize": _TYPE_PT, "color": INK, "parse_math": False}
    axes.set_xlabel("\n".join(across), **how)
    axes.set_ylabel("\n".join(upright), **how)
    # The numbers on the axis need more room the longer they are.
    numbers = axes.yaxis.get_major_formatter().format_ticks(axes.get_yticks().tolist())
    left = 40 + _LINE * len(upright) + max(map(measure, numbers))
    axes.set_position((left / wide, bottom / tall, (wide - left - _SIDE) / wide, height / tall))
    _clear_legend(axes, turn, kept=0.0 if guessed is None else _GUESSED)
    if guessed is not None:
        plot_upright(axes, guessed, wide=_GUESSED * (wide - left - _SIDE), at_right=True)
    _name_answers(figure, axes, _answers(turn), wide=wide, tall=tall, foot=low + 6)


def _label_lines(words: str, room: float) -> list[str]:
    """Break an axis's name into lines, but not between the stroke and the unit."""
    measure = _width(_TYPE_PT)
    name, stroke, unit = printable(words).rpartition(" / ")
    if not stroke:
        return wrapped(unit, room, measure)
    lines = wrapped(name, room, measure)
    if measure(f"{lines[-1]} / {unit}") <= room:
        return [*lines[:-1], f"{lines[-1]} / {unit}"]
    return [*lines, f"/ {unit}"]


def draw_reason(figure: Figure, turn: Turn, *, keys: str) -> None:
    """Write on an empty figure how a turn compares, and why it is so; what to talk about last."""
    wide, tall = (float(100 * side) for side in figure.get_size_inches())
    figure.set_facecolor("white")
    top = 26.0
    said = [(words, INK, "bold" if n == 0 else "normal") for n, words in enumerate(_said(turn))]
    said += [(f"To talk about: {words}", SOFT, "normal") for words in turn.part.talk]
    # Letters drawn on whole dots come out up to 2 % wider than they are measured.
    room = 0.97 * (wide - 2 * _MARGIN)
    # As large as fits: it is read from the back of a room.
    for size_pt in (22.0, 20.0, 18.0, 16.0, 14.0):
        step = size_pt * 1.5 * 100 / 72
        lines = [
            (wrapped(printable(words), room, _width(size_pt, bold=w == "bold")), c, w)
            for words, c, w in said
        ]
        if sum(len(each) * step + 14 for each, _, _ in lines) < tall - top - 50:
            break
    for each, colour, weight in lines:
        for line in each:
            how: dict[str, Any] = {"fontsize": size_pt, "fontweight": weight, "va": "top"}
            figure.text(_MARGIN / wide, 1 - top / tall, line, color=colour, parse_math=False, **how)
            top += step
        top += 14
    figure.text(_MARGIN / wide, 16 / tall, keys, fontsize=13.0, color=SOFT, parse_math=False)


def _said(turn: Turn) -> list[str]:
    lines = remark_lines(turn)
    first = f"Measured {measured_text(turn)}; expected {expected_text(turn)}."
    return [first, *lines]


def _lay_words(
    figure: Figure, turn: Turn, keys: str, *, wide: float, tall: float
) -> tuple[float, float]:
    """Write the question above and the verdict below; return how much they take."""
    room = wide - 2 * _MARGIN
    asked = wrapped(printable(turn.part.question.text), room, _width(_TITLE_PT, bold=True))
    said = wrapped(printable(turn.finding.verdict), room, _width(_TYPE_PT))
    if turn.invented:
        said.append("Heard in the virtual tank: an invented scene.")
    low = len(said) * _LINE + 14
    if keys:
        low += _LINE
        figure.text(_MARGIN / wide, 12 / tall, keys, fontsize=13.0, color=SOFT, parse_math=False)
    how: dict[str, Any] = {"color": INK, "parse_math": False, "linespacing": 1.25, "va": "top"}
    left = _MARGIN / wide
    title: dict[str, Any] = {"fontsize": _TITLE_PT, "fontweight": "bold"}
    figure.text(left, 1 - 18 / tall, "\n".join(asked), **title, **how)
    figure.text(left, low / tall, "\n".join(said), fontsize=_TYPE_PT, **how)
    return 18 + len(asked) * _TITLE_LINE + 14, low


def _plot(axes: Axes, turn: Turn, *, label_room: float) -> None:
    finding = turn.finding

    def label(words: str) -> str:
        return "\n".join(wrapped(printable(words), label_room, _width(_LABEL_PT)))

    theory = [c for c in finding.curves if not c.measured]
    points = [c for c in finding.curves if c.measured]
    for number, line in enumerate(theory):
        axes.plot(
            line.x,
            line.y,
            color=INK if number == 0 else SOFT,
            linestyle=_DASHES[number % len(_DASHES)],
            linewidth=2.2,
            label=label(line.label),
            zorder=2,
        )
    for number, row in enumerate(points):
        axes.errorbar(
            row.x,
            row.y,
            yerr=None if row.u_y is None else 2 * row.u_y,
            linestyle="none",
            marker=_FORMS[number % len(_FORMS)],
            markersize=9,
            markerfacecolor="white" if number % 2 == 0 else INK,
            markeredgecolor=INK,
            markeredgewidth=1.8,
            ecolor=INK,
            elinewidth=1.8,
            capsize=5,
            label=label(row.label),
            zorder=4,
        )
    low, high = _y_limits(turn)
    axes.set_ylim(low, high)
    x = np.concatenate([c.x for c in finding.curves])
    spare = 0.03 * (float(np.nanmax(x) - np.nanmin(x)) or 1.0)
    axes.set_xlim(float(np.nanmin(x)) - spare, float(np.nanmax(x)) + spare)
    if isinstance(turn.prediction, float) and low <= turn.prediction <= high:
        axes.axhline(
            turn.prediction, color=ACCENT, linewidth=2.4, linestyle=(0, (4, 2.5)), zorder=3
        )
    axes.tick_params(color=SOFT, labelcolor=INK, width=1.0, length=5, labelsize=_TYPE_PT)
    axes.grid(color=FAINT, linewidth=0.8)
    axes.set_axisbelow(True)
    for spine in axes.spines.values():
        spine.set(color=SOFT, linewidth=1.0)
    _name_curves(axes)


def _name_curves(axes: Axes) -> None:
    # Its place is looked for once all is laid out: the library's own search is timed by the clock.
    how: dict[str, Any] = {"framealpha": 0.92, "edgecolor": FAINT, "fontsize": _LABEL_PT}
    axes.legend(loc=_PLACES[0], frameon=True, **how)


def _make_room(axes: Axes, spread: Spread) -> None:
    """Lengthen the axes for a class's guesses; upright no more than doubles what is drawn."""
    left, right = axes.get_xlim()
    axes.set_xlim(left, left + (right - left) / (1 - _GUESSED))
    low, high = axes.get_ylim()
    guesses = np.array([v for v in spread.rounds[-1] if isinstance(v, float)])
    if guesses.size:
        least, most = axis_limits(guesses, None)
        half = (high - low) / 2
        axes.set_ylim(max(min(low, least), low - half), min(max(high, most), high + half))
        form = len(spread.rounds) - 1
        how: dict[str, Any] = {"marker": DOT_FORMS[form], "markerfacecolor": DOT_FILLS[form]}
        axes.plot([], [], linestyle="none", markeredgecolor=INK, label="guesses", **how)
        _name_curves(axes)


def _clear_legend(axes: Axes, turn: Turn, *, kept: float) -> None:
    """Put the legend where it lies on nothing that is drawn, or make room for it at the top.

    So much of the axes' width, at their right, is kept for what is still to be drawn.
    """
    legend = axes.get_legend()
    if legend is None:
        return
    drawn = _places_drawn(axes, turn)
    inside = axes.get_window_extent()
    right = inside.x1 - kept * inside.width
    for place in _PLACES:
        legend.set_loc(place)
        box = legend.get_window_extent()
        if box.x1 <= right and not box.padded(6).count_contains(drawn):
            return
    low, high = axes.get_ylim()
    share = min(0.6, (legend.get_window_extent().height + 12) / inside.height)
    axes.set_ylim(low, low + (high - low) / (1 - share))
    legend.set_loc("upper left")


def _places_drawn(axes: Axes, turn: Turn) -> NDArray[np.float64]:
    """Return where something is drawn, in pixels: along lines and bars as at their ends."""
    ends = []
    for c in turn.finding.curves:
        at = np.column_stack([c.x, c.y])
        if not c.measured:
            ends.append((at[:-1], at[1:]))
        elif c.u_y is None:
            ends.append((at, at))
        else:
            bar = np.column_stack([np.zeros_like(c.y), np.broadcast_to(2 * c.u_y, c.y.shape)])
            ends.append((at - bar, at + bar))
    if isinstance(turn.prediction, float):
        # Its line goes right across.
        left, right = axes.get_xlim()
        across = np.array([[left, turn.prediction], [right, turn.prediction]])
        ends.append((across[:1], across[1:]))
    # Nearer to each other than a legend is tall or wide.
    share = np.linspace(0.0, 1.0, 40)[:, np.newaxis, np.newaxis]
    along = [((1 - share) * a + share * b).reshape(-1, 2) for a, b in ends]
    places = axes.transData.transform(np.concatenate(along))
    seen: NDArray[np.float64] = places[np.isfinite(places).all(axis=1)]
    return seen


def _y_limits(turn: Turn) -> tuple[float, float]:
    """Hold all that is drawn, and the prediction unless it lies far beyond."""
    ends = [np.array([turn.finding.measured, turn.finding.expected])]
    for c in turn.finding.curves:
        bar = 0.0 if c.u_y is None else 2 * c.u_y
        ends += [c.y - bar, c.y + bar]
    y = np.concatenate(ends)
    low, high = float(np.nanmin(y)), float(np.nanmax(y))
    span = (high - low) or abs(high) or 1.0
    if isinstance(turn.prediction, float) and low - span < turn.prediction < high + span:
        low, high = min(low, turn.prediction), max(high, turn.prediction)
    spare = 0.06 * ((high - low) or span)
    return low - spare, high + spare


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answer:
    """What stands at the right edge; without a value it has no height to point to."""

    name: str
    words: str
    value: float | None
    colour: str


def _answers(turn: Turn) -> list[_Answer]:
    finding, prediction = turn.finding, turn.prediction
    answers = [
        _Answer(name="measured", words=measured_text(turn), value=finding.measured, colour=INK),
        _Answer(name="expected", words=expected_text(turn), value=finding.expected, colour=SOFT),
    ]
    if prediction is not None:
        value = prediction if isinstance(prediction, float) else None
        words = prediction_text(prediction, turn.part.question)
        answers.append(_Answer(name="your prediction", words=words, value=value, colour=ACCENT))
    if finding.choice:
        answers.append(_Answer(name="the bench says", words=finding.choice, value=None, colour=INK))
    # The highest first; those without a height last.
    return sorted(answers, key=lambda a: -np.inf if a.value is None else a.value, reverse=True)


def _name_answers(
    figure: Figure,
    axes: Axes,
    answers: Sequence[_Answer],
    *,
    wide: float,
    tall: float,
    foot: float,
) -> None:
    """Name prediction, measurement and theory at the right, each led to its height."""
    low, high = axes.get_ylim()
    box = axes.get_position()
    base, head, edge = box.y0 * tall, box.y1 * tall, box.x1 * wide
    left = edge + _ARROW + 4
    lines = []
    for a in answers:
        beyond = a.value is not None and not low <= a.value <= high
        words = f"{a.words}, off the picture" if beyond else a.words
        lines.append(wrapped(printable(words), wide - left - 6, _width(_TYPE_PT)))
    heights = [_LINE * (1 + len(each)) + _GAP for each in lines]
    wanted = [
        base if a.value is None else base + (head - base) * (a.value - low) / (high - low)
        for a in answers
    ]
    middles = _apart(wanted, heights, foot=foot, head=head + 12)
    for answer, written, height, place, middle in zip(
        answers, lines, heights, wanted, middles, strict=True
    ):
        upper = middle + height / 2 - _GAP / 2
        if answer.value is not None and low <= answer.value <= high:
            axes.annotate(
                "",
                xy=(edge / wide, place / tall),
                xytext=((edge + _ARROW) / wide, (upper - 13) / tall),
                xycoords="figure fraction",
                textcoords="figure fraction",
                arrowprops={
                    "arrowstyle": "-|>",
                    "color": answer.colour,
                    "linewidth": 1.6,
                    "shrinkA": 0,
                    "shrinkB": 0,
                },
                annotation_clip=False,
            )
        how: dict[str, Any] = {
            "color": answer.colour,
            "fontsize": _TYPE_PT,
            "va": "top",
            "parse_math": False,
        }
        figure.text(left / wide, upper / tall, answer.name, fontweight="bold", **how)
        below = (upper - _LINE) / tall
        figure.text(left / wide, below, "\n".join(written), linespacing=1.2, **how)


def _apart(
    wanted: Sequence[float], heights: Sequence[float], *, foot: float, head: float
) -> list[float]:
    """Move boxes up or down until none overlaps; given their middles, the highest first."""
    middles: list[float] = []
    limit = head
    for middle, height in zip(wanted, heights, strict=True):
        middles.append(min(middle, limit - height / 2))
        limit = middles[-1] - height / 2
    # What was pushed below the foot pushes back up.
    limit = foot
    for i in reversed(range(len(middles))):
        middles[i] = max(middles[i], limit + heights[i] / 2)
        limit = middles[i] + heights[i] / 2
    return middles
