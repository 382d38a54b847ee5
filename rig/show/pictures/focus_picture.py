"""A history with its arches, over the map of the points that drew them: one range axis for both.

Both run with time: what was met last stands on top (at the left, where the pair looks down), so
that a point stands level with the top of its own arch, and right under it in range.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dsp.uncertainty import stated
from rig.measure.focus.kept import KeptProfiles
from rig.measure.focus.measurement import FocusMeasurement
from rig.measure.focus.placing import PlacedPoint
from rig.measure.focus.words import copies_text, limit_lines
from rig.run.run import Run
from rig.show.pictures.ink import strength_colours
from rig.show.pictures.lettering import wrapped
from rig.show.pictures.page import (
    INK,
    LEFT,
    MARGIN,
    SMALL_LINE,
    SMALL_PT,
    SOFT,
    TITLE_PT,
    Page,
    measure,
)
from rig.show.pictures.panel import Box, Panel
from rig.show.pictures.scales import RangeColumns, decibels, range_scale, round_ticks
from rig.show.wording import counted, signed, tick_texts

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_TOP, _FOOT, _GAP = 76, 112, 16
_DOWN_TOP, _DOWN_FOOT, _DOWN_GAP = 96, 112, 26
_LEAST_DB = 30.0  # of the strength scale: noise is never drawn as dark as an echo
_MOST_LABELS = 8
_RING = 7.5
_ROWS_AT_ONCE = 1024
_CURVE_HEIGHT = 96


def draw_focus(
    figure: Figure,
    run: Run,
    kept: KeptProfiles,
    focus: FocusMeasurement,
    *,
    note: str = "",
    looks: str | None = None,
) -> None:
    """Draw on an empty figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    run : Run
    kept : KeptProfiles
        Of all its pings.
    focus : FocusMeasurement
        Of the same.
    note : str
        One line at the foot, such as where the pings come from.
    looks : {"along", "down"}, optional
        How the range axis runs; as the plan says, if not given.
    """
    page = Page(figure)
    down = (run.plan.geometry.looks if looks is None else looks) == "down"
    title = f"{counted(len(focus.points), 'point')} found in {counted(focus.pings, 'ping')}"
    speed = stated(focus.speed.speed_m_s, focus.speed.u_speed_m_s)
    title += (
        f" · {speed} m/s along the way, {'where sharpest' if focus.speed.found else 'as given'}"
    )
    page.text(
        MARGIN,
        6,
        page.fitted(title, page.text_room, size_pt=TITLE_PT, bold=True),
        size_pt=TITLE_PT,
        bold=True,
    )
    page.text(MARGIN, 34, page.fitted(limit_lines(focus)[0].capitalize(), page.text_room))
    upper, lower = _boxes(page, down=down)
    stop_m = run.plan.receiver.range_stop_m
    past = page.panel(upper, stop_m=stop_m, down=down, side="age / s")
    folded = page.panel(lower, stop_m=stop_m, down=down, side="along the way / m")
    heard = _heard(run, kept, past, page)
    mapped = _mapped(focus, folded, page)
    low_db = min(-_LEAST_DB, 5 * math.floor(_floor_db(heard) / 5))
    _fill(past, heard, low_db, focus.pings * focus.way.interval_s, stop_m)
    _fill(folded, mapped, low_db, focus.pings * focus.way.spacing_m, stop_m)
    _lay_ages(past, folded, focus)
    _lay_ranges(page, past, folded)
    _lay_points(page, past, folded, focus)
    _lay_captions(page, focus, low_db)
    _lay_foot(page, focus, note)


def _boxes(page: Page, *, down: bool) -> tuple[Box, Box]:
    if down:
        high = page.height - _DOWN_TOP - _DOWN_FOOT
        wide = (page.right - LEFT - _DOWN_GAP) / 2
        return (
            Box(left=LEFT, top=_DOWN_TOP, width=wide, height=high),
            Box(left=LEFT + wide + _DOWN_GAP, top=_DOWN_TOP, width=wide, height=high),
        )
    high = (page.height - _TOP - _FOOT - _GAP) / 2
    wide = page.right - LEFT
    return (
        Box(left=LEFT, top=_TOP, width=wide, height=high),
        Box(left=LEFT, top=_TOP + high + _GAP, width=wide, height=high),
    )


def _rows_room(panel: Panel, page: Page) -> int:
    return max(int(panel.box.depth(down=panel.down) * page.scale), 1)


def _columns_room(panel: Panel, page: Page) -> int:
    return max(int(panel.units_per_m * page.scale * panel.stop_m), 1)


def _heard(run: Run, kept: KeptProfiles, panel: Panel, page: Page) -> NDArray[np.float64]:
    """Return the history in dB re its strongest, the oldest ping first, as high as the panel."""
    scale, bin_s = range_scale(run.receiver), run.receiver.shape.bin_s
    gather = RangeColumns(
        scale.range_m(np.arange(kept.bins) * bin_s),
        stop_m=scale.stop_m,
        columns=_columns_room(panel, page),
    )
    together = max(1, -(-kept.pings // _rows_room(panel, page)))
    chunk = max(together, _ROWS_AT_ONCE // together * together)
    parts = []
    for first in range(0, kept.pings, chunk):
        rows = np.abs(kept.rows(first, first + chunk))
        strongest = np.maximum.reduceat(rows, np.arange(0, rows.shape[0], together), axis=0)
        parts.append([gather(row) for row in strongest.astype(np.float64)])
    heard = np.concatenate(parts)
    # What stands before the plan's first range, the direct sound, sets no scale.
    first = int(heard.shape[1] * run.plan.receiver.range_start_m / scale.stop_m)
    return decibels(heard) - decibels(np.array([max(np.nanmax(heard[:, first:]), 1e-10)]))


def _mapped(focus: FocusMeasurement, panel: Panel, page: Page) -> NDArray[np.float64]:
    """Return the map in dB re its strongest, as wide and as high as the panel."""
    its = focus.map
    gather = RangeColumns(its.range_m, stop_m=panel.stop_m, columns=_columns_room(panel, page))
    together = max(1, -(-its.amplitude.shape[0] // _rows_room(panel, page)))
    ends = np.arange(0, its.amplitude.shape[0], together)
    strongest = np.maximum.reduceat(its.amplitude, ends, axis=0).astype(np.float64)
    rows = np.array([gather(row) for row in strongest])
    return decibels(rows) - decibels(np.array([max(float(its.amplitude.max()), 1e-10)]))


def _floor_db(heard: NDArray[np.float64]) -> float:
    return float(np.nanmedian(heard))


def _fill(
    panel: Panel, rows_db: NDArray[np.float64], low_db: float, length: float, stop_m: float
) -> None:
    """Ink a panel, the newest row next to its beginning; its values run from 0 to `length`."""
    from matplotlib.colors import ListedColormap

    axes, newest_first = panel.axes, rows_db[::-1]
    limits = axes.get_xlim(), axes.get_ylim()
    axes.imshow(
        newest_first.T if panel.down else newest_first,
        cmap=ListedColormap(strength_colours(), name="strength"),
        vmin=low_db,
        vmax=0,
        aspect="auto",
        interpolation="nearest",
        origin="upper",
        extent=(0.0, length, stop_m, 0.0) if panel.down else (0.0, stop_m, length, 0.0),
    )
    axes.set(xlim=limits[0], ylim=limits[1])
    panel.set_ages(0.0, length)


def _lay_ages(past: Panel, folded: Panel, focus: FocusMeasurement) -> None:
    """Put ages to the history, and places to the map, which run the other way."""
    ages = round_ticks(0.0, focus.pings * focus.way.interval_s, most=6)
    past.set_value_ticks(ages, tick_texts(ages))
    length_m = focus.pings * focus.way.spacing_m
    places = round_ticks(0.0, length_m, most=6)
    folded.set_value_ticks([length_m - place for place in places], tick_texts(places))


def _lay_ranges(page: Page, past: Panel, folded: Panel) -> None:
    ticks = round_ticks(0.0, past.stop_m, most=11)
    first = past if past.down else folded
    page.ticks(first.axes, "left" if past.down else "bottom").set(ticks, tick_texts(ticks))
    if past.down:
        middle = (past.box.top + past.box.bottom) / 2
        page.text(MARGIN, middle, "range / m", rotation=90, va="center")
        for words, panel in (("as heard", past), ("in focus", folded)):
            page.text(panel.box.left, panel.box.top - 26, words, bold=True)
    else:
        page.text(MARGIN, folded.box.bottom + 22, "range / m")


def _lay_points(page: Page, past: Panel, folded: Panel, focus: FocusMeasurement) -> None:
    """Ring each point, drop a line to it from its arch's top, and name the strongest few."""
    length_s, length_m = focus.pings * focus.way.interval_s, focus.pings * focus.way.spacing_m
    strongest = sorted(focus.points, key=lambda p: -p.strength_db)[:_MOST_LABELS]
    # No name lies on another's ring.
    taken = []
    for placed in strongest:
        point = placed.point
        back_m = length_m - point.along_m
        _drop(page, past, point.range_m, length_s - point.time_s, length_s)
        _drop(page, folded, point.range_m, 0.0, back_m)
        folded.axes.plot(
            *folded.xy([point.range_m], [back_m]),
            "o",
            markersize=page.pt(2 * _RING),
            markerfacecolor="none",
            markeredgecolor=INK,
            markeredgewidth=page.pt(1.1),
        )
        x, y = folded.on_page(point.range_m, back_m)
        taken.append(Box(left=x - 12, top=y - 12, width=24, height=24))
    for placed in strongest:
        _name(page, folded, placed, length_m - placed.point.along_m, taken)


def _drop(page: Page, panel: Panel, range_m: float, low: float, high: float) -> None:
    panel.axes.plot(
        *panel.xy([range_m, range_m], [low, high]),
        color=SOFT,
        linewidth=page.fine,
        dashes=(2, 3),
    )


def _name(page: Page, panel: Panel, placed: PlacedPoint, back_m: float, taken: list[Box]) -> None:
    """Write a point's place beside it, where nothing stands that was written before."""
    point = placed.point
    where = [f"{signed(point.along_m, 2)} m along", f"at {point.range_m:.3f} m"]
    if placed.near:
        where = ["too near"]
    elif not placed.sharp:
        where[-1] += ", blurred"
    elif placed.width_along_m is not None:
        where[-1] += f", {1e3 * placed.width_along_m:.1f} mm wide"
    lines = where if panel.down else [", ".join(where)]
    wide = max(measure(SMALL_PT)(line) for line in lines)
    high = SMALL_LINE * len(lines)
    x, y = panel.on_page(point.range_m, back_m)
    beside = (x + 14, x - 14 - wide)
    up, below = y - high / 2 - 14, y + high / 2 + 14
    centred = max(panel.box.left + 4, min(x - wide / 2, panel.box.right - 4 - wide))
    # Where the dropped line runs along the page no name lies on it.
    level = [] if panel.down else [(left, y) for left in beside]
    others = [(left, middle) for middle in (up, below) for left in (*beside, centred)]
    for left, middle in (*level, *others):
        box = Box(left=left, top=middle - high / 2, width=wide, height=high)
        inside = panel.box.left < left and box.right < panel.box.right
        inside = inside and panel.box.top < box.top and box.bottom < panel.box.bottom
        if inside and not any(_meet(box, other) for other in taken):
            taken.append(box)
            made = page.text_in(panel.axes, size_pt=SMALL_PT, ha="left")
            x_data, y_data = panel.xy(*panel.from_page(left, middle))
            made.set(text="\n".join(lines), x=x_data, y=y_data)
            return


def _meet(one: Box, other: Box) -> bool:
    apart = one.right < other.left or other.right < one.left
    return not (apart or one.bottom < other.top or other.bottom < one.top)


def _lay_captions(page: Page, focus: FocusMeasurement, low_db: float) -> None:
    moved = "The pair" if focus.moved == "pair" else "The target"
    below = page.caption(
        _TOP,
        "As heard: arches",
        f"{moved} moved straight on. What it passed comes nearer and goes away again.",
    )
    points = page.caption(
        below + 14,
        "In focus: points",
        "Each arch folded back into the place that drew it, where its echoes in all pings are in "
        "step. Ring: a point found.",
    )
    from matplotlib.colors import ListedColormap

    bar = page.framed(page.column + 10, points + 8, page.width - page.column - 40, 16)
    bar.imshow(
        np.linspace(0, 1, 256)[np.newaxis],
        cmap=ListedColormap(strength_colours(), name="strength"),
        aspect="auto",
        extent=(low_db, 0.0, 0, 1),
    )
    ticks = round_ticks(low_db, 0.0, most=5)
    page.ticks(bar, "bottom").set(ticks, tick_texts(ticks))
    page.text(page.column, points + 50, "dB re the strongest\nof each panel", size_pt=SMALL_PT)
    if focus.speed.tried_m_s.size:
        _lay_curve(page, focus, points + 112)


def _lay_curve(page: Page, focus: FocusMeasurement, top: float) -> None:
    """Draw how sharp the clearest pass is at other speeds."""
    page.text(page.column, top - 8, "Sharp at one speed", bold=True)
    left, wide = page.column + 38, page.width - page.column - 68
    axes = page.box(left, top + 20, wide, _CURVE_HEIGHT)
    page.style_ticks(axes)
    for spine in axes.spines.values():
        spine.set(linewidth=page.fine, color=SOFT)
    speed = focus.speed
    # As far to both sides as its own lobe and the ripples beside it need.
    sharp = speed.sharp >= speed.sharp.max() / 2
    lobe = float(np.ptp(speed.tried_m_s[sharp])) + float(np.diff(speed.tried_m_s).max())
    reach = min(8 * lobe, float(np.ptp(speed.tried_m_s)) / 2)
    middle = float(speed.tried_m_s[int(np.argmax(speed.sharp))])
    low, high = middle - reach, middle + reach
    axes.plot(speed.tried_m_s, speed.sharp, color=INK, linewidth=page.pt(1.6))
    axes.axvline(speed.speed_m_s, color=SOFT, linewidth=page.fine, dashes=(2, 3))
    axes.set_xlim(low, high)
    axes.set_ylim(0.0, 1.05)
    ticks = round_ticks(low, high, most=4)
    axes.set_xticks(ticks, labels=tick_texts(ticks))
    axes.set_yticks([0.0, 0.5, 1.0], labels=["0", "½", "1"])
    words = "share of the echoes in step, over the speed tried in m/s; broken: the one in use"
    page.text(
        page.column,
        top + 48 + _CURVE_HEIGHT,
        "\n".join(page.caption_lines(words)),
        size_pt=SMALL_PT,
    )


def _lay_foot(page: Page, focus: FocusMeasurement, note: str) -> None:
    # There is room for two lines: the shortest first, so that as many as can be stand there.
    cautions = [f"Caution: {words}." for words in sorted(focus.cautions, key=len)]
    lines: list[str] = []
    for words in (*cautions, copies_text(focus).capitalize()):
        lines += wrapped(words, page.text_room, measure(SMALL_PT)) if words else []
    if not lines:
        lines = [f"{limit_lines(focus)[1].capitalize()}."]
    rows = [*lines[:2], note]
    top = page.height - 6 - SMALL_LINE * len(rows)
    for i, line in enumerate(rows):
        words = page.fitted(line, page.text_room, size_pt=SMALL_PT)
        page.text(MARGIN, top + SMALL_LINE * i, words, size_pt=SMALL_PT)
