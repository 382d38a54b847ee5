"""The pictures that only a report has: the sum of all pings, and the fitted curves.

They are drawn for a page of A4: as wide as its text, in type of the text's size.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from dsp.history.passage import fitted_range_m
from rig.measure.passes.passing import Passing
from rig.run.results import Measurement
from rig.show.pictures.loading import load_figures
from rig.show.pictures.page import FAINT, INK, SOFT
from rig.show.pictures.saving import packed, plain_settings
from rig.show.pictures.scales import RangeScale, place_labels, round_ticks, strength_limits_db
from rig.show.wording import tick_texts

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDE_IN = 7.1  # the text of an A4 page
_TYPE_PT, _LABEL_PT = 9.0, 9.5
_LABEL_ROWS, _ROW_SHARE = 3, 0.085
_TRACKS_SHARE = 0.58
"""Of the tracks' figure, by height: what their panel gets at the least."""

MOST_DRAWN_DOTS = 3000
"""More hits than this are drawn as an image inside the picture: an hour of vector dots was
20 MB, and a browser's minute. Axes, curves and numbers stay lines and letters."""

_DOTS_AN_INCH = 200.0  # of that image

_MARKS = ("o", "s", "^", "D", "v", "P")
"""Tracks are told apart by form and number, not by colour."""


def sum_picture(measurement: Measurement, scale: RangeScale) -> bytes:
    """Draw the sum's strength over range, its echoes numbered as in the table.

    Parameters
    ----------
    measurement : Measurement
        With a profile.
    scale : RangeScale

    Returns
    -------
    bytes
        An SVG file.

    Raises
    ------
    ValueError
        Where all pings are lost, so that there is no sum.
    """
    if measurement.last is None or measurement.profile is None:
        raise ValueError("measurement: all pings are lost; give one with a profile")

    def draw(figure: Figure) -> None:
        axes = figure.add_subplot()
        _lay_sum(axes, measurement, scale)

    return _drawn(draw, tall_in=3.0)


def passes_picture(
    passings: Sequence[Passing], *, baseline_m: float, first_number: int = 1
) -> bytes:
    """Draw each track's ranges over time with its fitted curve, and what is left over.

    Parameters
    ----------
    passings : sequence of Passing
        At least one.
    baseline_m : float
        From source to receiver.
    first_number : int
        Of the first track; the others count on.

    Returns
    -------
    bytes
        An SVG file.
    """
    tall_in = 3.9 + 0.14 * max(0, len(passings) - 6)

    def draw(figure: Figure) -> None:
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=[2.4, 1.0])
        numbered = list(enumerate(passings, first_number))
        _lay_tracks(above, below, numbered, baseline_m=baseline_m, tall_in=tall_in)

    return _drawn(draw, tall_in=tall_in)


def _drawn(draw: Any, *, tall_in: float) -> bytes:
    """Let `draw` fill a figure, and return it as SVG."""
    load_figures()
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with plain_settings():
        matplotlib.rcParams.update(
            {
                "font.size": _TYPE_PT,
                "text.color": INK,
                "axes.edgecolor": SOFT,
                "axes.labelcolor": INK,
                "axes.linewidth": 0.7,
                "axes.unicode_minus": True,
                "xtick.color": SOFT,
                "ytick.color": SOFT,
                "xtick.labelcolor": INK,
                "ytick.labelcolor": INK,
            }
        )
        figure = Figure(figsize=(_WIDE_IN, tall_in), layout="constrained")
        FigureCanvasSVG(figure)
        draw(figure)
        return packed(figure, "svg", _DOTS_AN_INCH)


def _lay_sum(axes: Axes, measurement: Measurement, scale: RangeScale) -> None:
    profile, threshold_db = measurement.profile, measurement.threshold_db
    if profile is None:
        return
    range_m, strength_db = scale.range_m(profile.delay_s), profile.strength_db
    heard = (range_m >= scale.start_m) & (range_m <= scale.stop_m)
    axes.plot(range_m[heard], strength_db[heard], color=INK, linewidth=0.8)
    low_db, high_db = _sum_limits_db(measurement, scale)
    places = _places(measurement, scale)
    # Numbers stand in rows of their own above the strongest echo.
    rows = 1 + max((row for _, row, _ in places), default=0)
    top_db = low_db + (high_db - low_db) / (1 - rows * _ROW_SHARE)
    axes.set(
        xlim=(scale.start_m, scale.stop_m),
        ylim=(low_db, top_db),
        xlabel="range / m",
        ylabel="strength / dB re full scale",
    )
    ticks = round_ticks(low_db, high_db, most=6)
    axes.set_yticks(ticks, labels=tick_texts(ticks))
    axes.grid(axis="y", color=FAINT, linewidth=0.5)
    axes.set_axisbelow(True)
    if threshold_db is not None and np.isfinite(threshold_db[heard]).any():
        axes.plot(range_m[heard], threshold_db[heard], color=SOFT, linewidth=1.0, dashes=(5, 2.5))
        last_db = threshold_db[heard & np.isfinite(threshold_db)][-1]
        axes.annotate(
            "threshold",
            (scale.stop_m, min(max(float(last_db), low_db), top_db)),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            color=SOFT,
            annotation_clip=False,
        )
    peaks_db = [max(e.strength_db, low_db) for e in measurement.echoes]
    row_db = (top_db - low_db) * _ROW_SHARE
    for label, row, centre_m in places:
        at_m, height_db = measurement.echoes[label].range_m, high_db + (row + 0.5) * row_db
        foot_db = height_db - 0.45 * row_db
        axes.plot([at_m] * 2, [peaks_db[label], foot_db], color=SOFT, linewidth=0.6)
        axes.text(
            centre_m,
            height_db,
            str(label + 1),
            ha="center",
            va="center",
            fontsize=_LABEL_PT,
            fontweight="bold",
        )
    axes.plot(
        [e.range_m for e in measurement.echoes],
        peaks_db,
        linestyle="none",
        marker="o",
        markersize=4.5,
        markerfacecolor="white",
        markeredgecolor=INK,
        markeredgewidth=0.9,
    )


def _sum_limits_db(measurement: Measurement, scale: RangeScale) -> tuple[float, float]:
    if measurement.last is None:
        raise ValueError("measurement: all pings are lost; give one with a profile")
    whole = dataclasses.replace(measurement.last, profile=measurement.profile)
    low_db, high_db = strength_limits_db([whole], scale)
    return low_db - 10.0, high_db


def _places(measurement: Measurement, scale: RangeScale) -> list[tuple[int, int, float]]:
    """Choose where the echoes' numbers stand: label, row and range; some may find no room."""
    numbers = [str(n) for n in range(1, len(measurement.echoes) + 1)]
    digit_m = 0.012 * (scale.stop_m - scale.start_m)  # as wide as the type on the page
    return place_labels(
        [e.range_m for e in measurement.echoes],
        [digit_m * len(n) for n in numbers],
        left=scale.start_m,
        right=scale.stop_m,
        rows=_LABEL_ROWS,
        gap=digit_m / 2,
        most=len(numbers),
    )


def _lay_tracks(
    above: Axes,
    below: Axes,
    numbered: Sequence[tuple[int, Passing]],
    *,
    baseline_m: float,
    tall_in: float,
) -> None:
    fitted_any = False
    many = sum(p.time_s.size for _, p in numbered) > MOST_DRAWN_DOTS
    for number, passing in numbered:
        form = _MARKS[(number - 1) % len(_MARKS)]
        dots: dict[str, Any] = {
            "linestyle": "none",
            "marker": form,
            "markersize": 3.6,
            "markerfacecolor": "white",
            "markeredgecolor": INK,
            "markeredgewidth": 0.7,
            "rasterized": many,
        }
        above.plot(passing.time_s, passing.range_m, **dots)
        at_hits = fitted_range_m(passing.passage, passing.time_s, baseline_m=baseline_m)
        if at_hits is None:
            continue
        fitted_any = True
        time_s = np.linspace(passing.time_s[0], passing.time_s[-1], 200)
        curve_m = fitted_range_m(passing.passage, time_s, baseline_m=baseline_m)
        if curve_m is not None:
            above.plot(time_s, curve_m, color=INK, linewidth=1.1)
        below.plot(passing.time_s, 1e3 * (passing.range_m - at_hits), **dots)
    above.set_ylabel("range / m")
    above.margins(x=0.04, y=0.08)
    first_s = min(float(p.time_s[0]) for _, p in numbered)
    last_s = max(float(p.time_s[-1]) for _, p in numbered)
    above.set_xlim(left=first_s - 0.08 * (last_s - first_s))  # room for the numbers
    _number_tracks(above, numbered, tall_in)
    below.axhline(0.0, color=INK, linewidth=0.8)
    below.set(xlabel="time from the first ping / s", ylabel="range less\ncurve / mm")
    if not fitted_any:
        below.text(
            0.5, 0.7, "no curve was fitted", transform=below.transAxes, ha="center", color=SOFT
        )
        below.set_yticks([])
    for axes in (above, below):
        axes.grid(color=FAINT, linewidth=0.5)
        axes.set_axisbelow(True)


def _number_tracks(axes: Axes, numbered: Sequence[tuple[int, Passing]], tall_in: float) -> None:
    """Write each track's number left of its first hit, those that start together apart."""
    from matplotlib.patheffects import withStroke

    low_m, high_m = axes.get_ylim()
    axes.set_ylim(low_m, high_m)
    left_s, right_s = axes.get_xlim()
    gap_m = (high_m - low_m) * (_LABEL_PT * 1.15 / 72) / (_TRACKS_SHARE * tall_in)
    starts = [(float(p.time_s[0]), float(p.range_m[0])) for _, p in numbered]
    places_m = spread_apart(
        starts, near_s=0.05 * (right_s - left_s), gap_m=gap_m, low_m=low_m, high_m=high_m
    )
    for (number, _), (time_s, range_m), place_m in zip(numbered, starts, places_m, strict=True):
        axes.annotate(
            str(number),
            (time_s, range_m),
            xytext=(-14, place_m),
            textcoords=("offset points", "data"),
            ha="right",
            va="center",
            fontsize=_LABEL_PT,
            fontweight="bold",
            arrowprops={"arrowstyle": "-", "color": SOFT, "linewidth": 0.5, "shrinkB": 2},
            path_effects=[withStroke(linewidth=2.5, foreground="white")],
        )


def spread_apart(
    starts: Sequence[tuple[float, float]],
    *,
    near_s: float,
    gap_m: float,
    low_m: float,
    high_m: float,
) -> list[float]:
    """Move labels along the range axis until those that start together stand apart.

    Parameters
    ----------
    starts : sequence of (time, range)
        Where each label belongs.
    near_s : float
        Labels whose times differ by less would meet.
    gap_m : float
        Least distance between two of them.
    low_m, high_m : float
        They stay within these, as long as there is room.

    Returns
    -------
    list of float
        Where each stands, in the same order.

    Examples
    --------
    >>> spread_apart([(0.0, 1.0), (0.0, 1.0), (9.0, 1.0)], near_s=1.0, gap_m=0.2, low_m=0.0,
    ...     high_m=3.0)
    [1.0, 1.2, 1.0]
    """
    order = sorted(range(len(starts)), key=lambda i: starts[i][1])
    place_m = [range_m for _, range_m in starts]
    for n, label in enumerate(order):
        for other in order[:n]:
            if abs(starts[label][0] - starts[other][0]) < near_s:
                place_m[label] = max(place_m[label], place_m[other] + gap_m)
    # What was pushed beyond the top pushes back down.
    for n in reversed(range(len(order))):
        label = order[n]
        place_m[label] = min(place_m[label], high_m)
        for other in order[n + 1 :]:
            if abs(starts[label][0] - starts[other][0]) < near_s:
                place_m[label] = min(place_m[label], place_m[other] - gap_m)
        place_m[label] = max(place_m[label], low_m)
    return place_m
