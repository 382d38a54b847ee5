"""Prediction, theory and measurement in one picture.

Made to be read from the back of a class. What was measured is drawn as points, theory as
lines told apart by their dashes; what was predicted, measured and expected is named at the
right edge, each at its height on the vertical axis.
"""

from __future__ import annotations

import io
import os
import pathlib
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.errors import StorageError
from rig.lessons.lesson import Curve
from rig.lessons.running import Turn
from rig.lessons.saying import expected_text, measured_text, prediction_text
from rig.view.lettering import printable, text_width, wrapped
from rig.view.page import FAINT, INK, MARK, SOFT

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDE_IN, TALL_IN = 12.8, 7.2
"""At 100 dots an inch 1280 × 720."""

SHEET_IN = (8.6, 5.4)
"""For a page of A4: smaller, with type of the same size."""

_TYPE_PT, _TITLE_PT = 15.0, 17.0
_MARGIN, _LINE = 24, 29  # in hundredths of an inch, as all places here
_SIDE = 250  # for the names at the right
_DASHES: tuple[Any, ...] = ("-", (0, (6, 3)), (0, (1.5, 2)), (0, (8, 3, 1.5, 3)))
_FORMS = ("o", "s", "^", "D", "v", "P")


def lesson_picture(turn: Turn, *, kind: str, size_in: tuple[float, float]) -> bytes:
    """Draw a turn of a lesson.

    Parameters
    ----------
    turn : Turn
    kind : {"png", "svg"}
    size_in : tuple of float
        Width and height; at 100 dots an inch for a PNG.

    Returns
    -------
    bytes
        The file.
    """
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with matplotlib.rc_context():
        matplotlib.rcdefaults()  # a picture does not hang on the user's own settings
        matplotlib.rcParams.update({"font.size": _TYPE_PT, "text.color": INK})
        figure = Figure(figsize=size_in, dpi=100, facecolor="white")
        FigureCanvasAgg(figure)
        _lay(figure, turn)
        drawn = io.BytesIO()
        figure.savefig(drawn, format=kind, dpi=100)
    return drawn.getvalue()


def save_lesson_picture(path: str | os.PathLike[str], turn: Turn) -> None:
    """Save a turn's picture as PNG, 1280 × 720.

    Raises
    ------
    StorageError
        Where the file cannot be written.
    """
    drawn = lesson_picture(turn, kind="png", size_in=(WIDE_IN, TALL_IN))
    try:
        pathlib.Path(path).write_bytes(drawn)
    except OSError as problem:
        raise StorageError(
            f"{os.fspath(path)}: the picture cannot be written ({problem.strerror}); "
            "give --out a folder that may be written to and has room"
        ) from problem


def _lay(figure: Figure, turn: Turn) -> None:
    wide, tall = (100 * side for side in figure.get_size_inches())
    room = wide - 2 * _MARGIN

    def lines_of(words: str, size_pt: float, *, bold: bool = False) -> list[str]:
        return wrapped(
            printable(words), room, lambda text: text_width(text, size_pt=size_pt, bold=bold)
        )

    def write(x: float, y: float, words: str, **how: Any) -> None:
        figure.text(
            x / wide, 1 - y / tall, words, parse_math=False, linespacing=1.25, va="top", **how
        )

    question = lines_of(turn.part.question.text, _TITLE_PT, bold=True)
    write(_MARGIN, 18, "\n".join(question), fontsize=_TITLE_PT, fontweight="bold")
    top = 18 + len(question) * _LINE + 14
    verdict = lines_of(turn.finding.verdict, _TYPE_PT)
    if turn.invented:
        verdict += lines_of("Heard in the virtual tank: an invented scene.", _TYPE_PT)
    low = len(verdict) * 26 + 14
    write(_MARGIN, tall - low, "\n".join(verdict), fontsize=_TYPE_PT)
    left, bottom = 118, low + 82
    axes = figure.add_axes(
        (
            left / wide,
            bottom / tall,
            (wide - left - _SIDE) / wide,
            (tall - bottom - top - 4) / tall,
        )
    )
    _plot(axes, turn)
    _name_answers(figure, axes, turn, wide=wide, tall=tall)


def _plot(axes: Axes, turn: Turn) -> None:
    finding = turn.finding
    theory = [c for c in finding.curves if not c.measured]
    points = [c for c in finding.curves if c.measured]
    for number, line in enumerate(theory):
        axes.plot(
            line.x,
            line.y,
            color=INK if number == 0 else SOFT,
            linestyle=_DASHES[number % len(_DASHES)],
            linewidth=2.2,
            label=printable(line.label),
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
            label=printable(row.label),
            zorder=4,
        )
    axes.set_ylim(*_y_limits(finding.curves, turn))
    x = np.concatenate([c.x for c in finding.curves])
    spare = 0.03 * (float(x.max()) - float(x.min()) or 1.0)
    axes.set_xlim(float(x.min()) - spare, float(x.max()) + spare)
    axes.set_xlabel(printable(finding.x_label), color=INK, parse_math=False)
    axes.set_ylabel(printable(finding.y_label), color=INK, parse_math=False)
    axes.tick_params(color=SOFT, labelcolor=INK, width=1.0, length=5)
    axes.grid(color=FAINT, linewidth=0.8)
    axes.set_axisbelow(True)
    for spine in axes.spines.values():
        spine.set(color=SOFT, linewidth=1.0)
    axes.legend(frameon=True, framealpha=0.92, edgecolor=FAINT, fontsize=_TYPE_PT - 1)


def _y_limits(curves: Sequence[Curve], turn: Turn) -> tuple[float, float]:
    """Hold all that is drawn, and the prediction unless it lies far beyond."""
    y = [float(v) for c in curves for v in c.y if np.isfinite(v)]
    y += [turn.finding.measured, turn.finding.expected]
    low, high = min(y), max(y)
    span = (high - low) or abs(high) or 1.0
    if isinstance(turn.prediction, float) and low - span < turn.prediction < high + span:
        low, high = min(low, turn.prediction), max(high, turn.prediction)
    spare = 0.06 * ((high - low) or span)
    return low - spare, high + spare


def _name_answers(figure: Figure, axes: Axes, turn: Turn, *, wide: float, tall: float) -> None:
    """Name prediction, measurement and theory at the right, each led from its height."""
    low, high = axes.get_ylim()
    named: list[tuple[str, str, float | None, str]] = [
        ("measured", measured_text(turn), turn.finding.measured, INK),
        ("expected", expected_text(turn), turn.finding.expected, SOFT),
    ]
    if turn.prediction is not None:
        number = turn.prediction if isinstance(turn.prediction, float) else None
        named.append(
            ("your prediction", prediction_text(turn.prediction, turn.part.question), number, MARK)
        )
        if number is not None and low <= number <= high:
            axes.axhline(number, color=MARK, linewidth=2.4, linestyle=(0, (4, 2.5)), zorder=3)
    if turn.finding.choice:
        named.append(("the bench says", turn.finding.choice, None, INK))
    box = axes.get_position()
    foot, head = box.y0 * tall, box.y1 * tall
    edge = box.x1 * wide
    room = wide - edge - 46

    blocks = []
    for name, words, value, colour in named:
        lines = wrapped(printable(words), room, lambda t: text_width(t, size_pt=_TYPE_PT))
        height = 24 * (1 + len(lines)) + 10
        place = 0.0 if value is None else foot + (head - foot) * (value - low) / (high - low)
        beyond = value is not None and not foot - 1 <= place <= head + 1
        if beyond and value is not None:
            name += " ↑" if value > high else " ↓"
        blocks.append(
            (name, lines, None if value is None or beyond else place, height, colour, place)
        )
    blocks.sort(key=lambda b: (b[2] is None and b[5] == 0.0, -b[5]))
    middles = _apart([(b[5] if b[5] else foot, b[3]) for b in blocks], foot - 60, head + 4)
    for (name, lines, place, height, colour, _), middle in zip(blocks, middles, strict=True):
        upper = middle + height / 2
        if place is not None:
            axes.annotate(
                "",
                xy=(edge / wide, place / tall),
                xytext=((edge + 34) / wide, (upper - 14) / tall),
                xycoords="figure fraction",
                textcoords="figure fraction",
                arrowprops={
                    "arrowstyle": "-|>",
                    "color": colour,
                    "linewidth": 1.6,
                    "shrinkA": 0,
                    "shrinkB": 0,
                },
                annotation_clip=False,
            )
        figure.text(
            (edge + 38) / wide,
            upper / tall,
            name,
            va="top",
            color=colour,
            fontweight="bold",
            fontsize=_TYPE_PT,
        )
        figure.text(
            (edge + 38) / wide,
            (upper - 25) / tall,
            "\n".join(lines),
            va="top",
            color=colour,
            fontsize=_TYPE_PT,
            linespacing=1.2,
            parse_math=False,
        )


def _apart(wanted: Sequence[tuple[float, float]], foot: float, head: float) -> list[float]:
    """Move boxes, the highest first, until none overlaps; given their middles and heights."""
    middles = []
    limit = head
    for middle, height in wanted:
        middles.append(min(middle, limit - height / 2))
        limit = middles[-1] - height / 2
    limit = foot
    for i in reversed(range(len(middles))):
        height = wanted[i][1]
        middles[i] = max(middles[i], limit + height / 2)
        limit = middles[i] + height / 2
    return middles
