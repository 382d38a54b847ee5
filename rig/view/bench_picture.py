"""The one drawing of the bench: for the window, the file and the report.

Three panels stand over one range axis, read from the top down as cause, now, past.
The bench sketch shows from the side where the beam reaches; the strength strip how
strong and how far the newest ping's echoes are; the history what came back before,
the newest ping nearest the strip. All places are set in units of 1/720 of a
1280 × 720 picture, so that a larger picture is the same one with larger text.
"""

from __future__ import annotations

import functools
import io
import math
import os
import pathlib
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.capture import StreamInfo
from rig.errors import StorageError
from rig.plan import Barker13Plan, ChirpPlan, GolayPlan, Plan
from rig.session import Echo, PingResult
from rig.view.ink import strength_colours
from rig.view.scales import (
    RangeColumns,
    decibels,
    metres_text,
    path_time_s,
    place_labels,
    range_at_m,
    round_ticks,
    shortened,
    strength_limits_db,
    wrapped,
)

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.text import Text

PICTURE_SUFFIXES = (".png", ".svg", ".pdf")
FEWEST_ROWS = 24
"""A history of fewer pings keeps rows of this height and leaves the rest blank."""

_WIDTH, _HEIGHT = 1280, 720
_LEFT, _RIGHT, _COLUMN = 92, 910, 1006  # panels' edges, and where the captions begin
_TOP, _SKETCH, _STRIP, _FOOT = 92, 150, 176, 84
_GAP = 12
_MAIN_PT, _SMALL_PT = 14.0, 12.0
_LABEL_ROWS, _LABEL_ROW = 2, 24
_LABELLED, _LOST_LABELS = 6, 8

_INK = "#0b1d33"
_SOFT = "#5a6472"
_FAINT = "#c9ced6"
_CONE = "#e4e9f1"
_MARK = "#c2410c"

_MEDIUM_WORDS = {"air": "air", "fresh-water": "fresh water", "sea-water": "sea water"}
_TIME_ZERO_WORDS = {
    "loopback": "the sent pulse, heard by wire",
    "direct": "the direct sound",
    "calibration": "a stored calibration, not this run",
}


class BenchPicture:
    """The drawing, laid out once on a figure and then shown ping after ping.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Empty; its present size sets the size of the text.
    plan : Plan
    info : StreamInfo
    sound_speed_m_s : float
        The speed with which delays were turned into ranges.
    half_angle_rad : float
        Off the axis, where an echo has half the power it has on it, out and back;
        NaN for a beam that is that wide nowhere.
    note : str
        One line at the foot: where the pings come from, or the keys of a window.
    far_wall_m : float or None
        Range of a wall across the beam's end, where one is known.
    history_pings : int
        Rows of the history.

    Attributes
    ----------
    artists : list of matplotlib artists
        Those that change from ping to ping, in the order in which to draw them.
    """

    def __init__(
        self,
        figure: Figure,
        plan: Plan,
        info: StreamInfo,
        *,
        sound_speed_m_s: float,
        half_angle_rad: float,
        note: str = "",
        far_wall_m: float | None = None,
        history_pings: int = 120,
    ) -> None:
        self._figure, self._plan, self._info = figure, plan, info
        self._sound_speed_m_s = sound_speed_m_s
        self._baseline_m = plan.geometry.baseline_m
        self._half_angle_rad = half_angle_rad
        self._start_m, self._stop_m = plan.receiver.range_start_m, plan.receiver.range_stop_m
        self._history_pings = max(history_pings, 1)
        self._limits_db: tuple[float, float] | None = None
        self._columns: dict[tuple[int, float], RangeColumns] = {}
        self._mark_lines: list[Line2D] = []
        self.artists: list[Artist] = []

        width_px, height_px = figure.get_size_inches() * figure.dpi
        self._scale = min(width_px / _WIDTH, height_px / _HEIGHT)
        self._width, self._height = width_px / self._scale, height_px / self._scale
        figure.set_facecolor("white")
        stretch = max(self._width - _WIDTH, 0.0)
        self._right, self._column = _RIGHT + stretch, _COLUMN + stretch
        strip_top = _TOP + _SKETCH + _GAP
        history_top = strip_top + _STRIP + _GAP
        self._sketch = self._panel(_TOP, _SKETCH)
        self._strip = self._panel(strip_top, _STRIP)
        self._history = self._panel(history_top, self._height - _FOOT - history_top)
        self._history_height = self._height - _FOOT - history_top
        self._lay_title(note)
        self._lay_range_axes()
        self._lay_sketch(far_wall_m)
        self._lay_strip(strip_top)
        self._lay_history(history_top)
        # One order, whether all is drawn or only what changes: marks lie under the
        # trace and the words but over the history's ink.
        for order, artist in enumerate(self.artists):
            artist.set(zorder=10 + order, visible=False)

    # Laying out, once ------------------------------------------------------------

    def _panel(self, top: float, height: float) -> Axes:
        axes = self._figure.add_axes(
            (
                _LEFT / self._width,
                1 - (top + height) / self._height,
                (self._right - _LEFT) / self._width,
                height / self._height,
            )
        )
        axes.set_xlim(-0.04 * self._stop_m, self._stop_m)
        axes.tick_params(
            labelsize=self._pt(_SMALL_PT),
            labelbottom=False,
            bottom=False,
            length=4 * self._line,
            width=self._line,
            color=_SOFT,
            labelcolor=_INK,
        )
        for spine in axes.spines.values():
            spine.set(linewidth=self._line, color=_SOFT)
        return axes

    @property
    def _line(self) -> float:
        """Width of a fine line, in points."""
        return self._pt(0.8)

    def _pt(self, size: float) -> float:
        """Turn points of the 1280 × 720 picture at 100 dots per inch into this one's."""
        return size * self._scale * 100 / self._figure.dpi

    def _width_of(self, size_pt: float, bold: bool = False) -> Any:
        return functools.partial(_text_width, size_pt=size_pt, bold=bold)

    def _text(
        self,
        x: float,
        y: float,
        text: str = "",
        *,
        size_pt: float = _MAIN_PT,
        bold: bool = False,
        changes: bool = False,
        **how: Any,
    ) -> Text:
        """Write on the figure, `x` from the left and `y` from the top."""
        how = {"color": _INK, "ha": "left", "va": "top", **how}
        made = self._figure.text(
            x / self._width,
            1 - y / self._height,
            text,
            fontsize=self._pt(size_pt),
            fontweight="bold" if bold else "normal",
            parse_math=False,
            **how,
        )
        if changes:
            self.artists.append(made)
        return made

    def _lay_title(self, note: str) -> None:
        self._title = self._text(_LEFT - 72, 6, size_pt=16, bold=True, changes=True)
        room = self._width - _LEFT + 72 - 16
        for y, text, size in (
            (34, f"{pulse_text(self._plan)} · {_front_end_text(self._info)}", _MAIN_PT),
            (self._height - 26, note, _MAIN_PT),
        ):
            text = shortened(_printable(text), room, self._width_of(size))
            self._text(_LEFT - 72, y, text, size_pt=size)
        self._foot = self._text(_LEFT - 72, self._height - 52, changes=True)

    def _lay_range_axes(self) -> None:
        ticks = round_ticks(0.0, self._stop_m, most=11)
        self._history.tick_params(labelbottom=True, bottom=True)
        for axes in (self._sketch, self._strip, self._history):
            axes.set_xticks(ticks)
        self._history.set_xticklabels(_tick_texts(ticks), fontsize=self._pt(_MAIN_PT))
        label_y = self._height - _FOOT + 7
        self._text(self._right + 34, label_y, "range / m")

        ends_s = path_time_s(
            [0.0, self._stop_m],
            sound_speed_m_s=self._sound_speed_m_s,
            baseline_m=self._baseline_m,
        )
        unit, per_s = ("ms", 1e3) if ends_s[1] > 2e-3 else ("µs", 1e6)
        times = round_ticks(ends_s[0] * per_s, ends_s[1] * per_s, most=11)
        places = range_at_m(
            np.array(times) / per_s,
            sound_speed_m_s=self._sound_speed_m_s,
            baseline_m=self._baseline_m,
        )
        self._time_axis = self._sketch.secondary_xaxis("top")
        self._time_axis.set_xticks(np.nan_to_num(places).tolist())
        self._time_axis.set_xticklabels(_tick_texts(times), fontsize=self._pt(_MAIN_PT))
        self._time_axis.tick_params(
            length=4 * self._line, width=self._line, color=_SOFT, labelcolor=_INK, pad=2
        )
        self._text(self._right + 34, _TOP - 29, f"time of flight, out and back / {unit}")

    def _lay_sketch(self, far_wall_m: float | None) -> None:
        from matplotlib.collections import LineCollection
        from matplotlib.patches import Rectangle

        axes = self._sketch
        left, right = axes.get_xlim()
        half_m = (right - left) * _SKETCH / (self._right - _LEFT) / 2
        self._half_height_m = half_m
        axes.set_ylim(-half_m, half_m)
        unit, per_m = ("cm", 100.0) if half_m < 0.3 else ("m", 1.0)
        ticks = round_ticks(-half_m * per_m, half_m * per_m, most=5)
        axes.set_yticks([t / per_m for t in ticks], labels=_tick_texts(ticks))
        self._side_label(_TOP + _SKETCH / 2, f"height / {unit}")

        angle = self._half_angle_rad
        wide = not (math.isfinite(angle) and angle < math.radians(89.0))
        reach_m = half_m * 2 if wide else self._stop_m * math.tan(angle)
        start = [-1e-9 if wide else 0.0, self._stop_m]
        axes.fill_between(
            start, [0 if not wide else -reach_m, -reach_m], [0 if not wide else reach_m, reach_m],
            color=_CONE, linewidth=0,
        )  # fmt: skip
        if not wide:
            for sign in (-1, 1):
                axes.plot(
                    [0, self._stop_m], [0, sign * reach_m], color=_SOFT, linewidth=self._pt(1.2)
                )
        axes.plot(
            [0, self._stop_m], [0, 0], color=_SOFT, linewidth=self._line, dashes=(8, 3, 2, 3)
        )
        # The transducers' face, to scale; its depth is only a sign.
        transducer = self._plan.transducer
        face_m = transducer.radius_m if transducer.shape == "piston" else transducer.length_m / 2
        axes.add_patch(
            Rectangle((left / 2, -face_m), -left / 2, 2 * face_m, facecolor=_INK, edgecolor=_INK)
        )
        self._in_panel_note(axes, "source and receiver")
        if far_wall_m is not None and far_wall_m <= self._stop_m:
            axes.add_patch(
                Rectangle(
                    (far_wall_m, -half_m), 0.02 * self._stop_m, 2 * half_m,
                    facecolor="white", edgecolor=_SOFT, hatch="////", linewidth=self._line,
                )  # fmt: skip
            )
        self._lay_mark(axes)
        self._arcs = axes.add_collection(
            LineCollection([], colors=_INK, linewidths=self._pt(1.4))
        )
        (self._dots,) = axes.plot(
            [], [], "o", color=_INK, markersize=self._pt(6), linestyle="none"
        )
        (self._footprint,) = axes.plot(
            [], [], color=_MARK, linewidth=self._pt(2.2), solid_capstyle="butt"
        )
        self.artists += [self._footprint, self._arcs, self._dots]
        self._footprint_label = self._in_panel(axes, color=_MARK, va="bottom")

        if wide:
            cone = "The beam has no half-power cone below 90°."
        else:
            cone = f"Cone: half power out and back, ±{math.degrees(angle):.1f}°"
            if reach_m > half_m:
                cone += f"; wider than the sketch from {half_m / math.tan(angle):.2f} m on"
            cone += "."
        self._caption(
            _TOP,
            "Bench sketch: the cause",
            f"The bench from the side, to scale. {cone} An echo tells its range only: "
            "it may lie anywhere on its arc.",
        )

    def _in_panel_note(self, axes: Axes, words: str) -> None:
        axes.text(
            0.008, 0.96, words, fontsize=self._pt(_SMALL_PT), color=_SOFT, ha="left", va="top",
            transform=axes.transAxes,
        )  # fmt: skip

    def _side_label(self, y: float, text: str) -> None:
        self._text(
            _LEFT - 72, y, text, size_pt=_MAIN_PT, rotation=90, ha="left", va="center"
        )

    def _in_panel(self, axes: Axes, **how: Any) -> Text:
        """Text inside a panel, kept legible over lines by a white halo."""
        from matplotlib.patheffects import withStroke

        made = axes.text(
            0, 0, "", fontsize=self._pt(_MAIN_PT), parse_math=False,
            **{"color": _INK, "ha": "center", "va": "bottom", **how},
        )  # fmt: skip
        made.set_path_effects([withStroke(linewidth=self._pt(3), foreground="white")])
        self.artists.append(made)
        return made

    def _caption(self, top: float, name: str, meaning: str) -> float:
        """Write a panel's name and meaning beside it; return where the text ends."""
        self._text(self._column, top - 4, name, bold=True)
        room = self._width - self._column - 14
        lines = wrapped(meaning, room, self._width_of(_SMALL_PT))
        self._text(self._column, top + 20, "\n".join(lines), size_pt=_SMALL_PT, linespacing=1.2)
        return top + 22 + 20 * len(lines)

    def _lay_strip(self, top: float) -> None:
        from matplotlib.collections import LineCollection

        axes = self._strip
        self._side_label(top + _STRIP / 2, "strength / dB")
        axes.axvline(self._start_m, color=_SOFT, linewidth=self._line, dashes=(2, 3))
        self._lay_mark(axes)
        (self._near,) = axes.plot([], [], color=_FAINT, linewidth=self._pt(1.2))
        (self._trace,) = axes.plot([], [], color=_INK, linewidth=self._pt(1.4))
        (self._threshold,) = axes.plot([], [], color=_SOFT, linewidth=self._pt(1.4), dashes=(6, 3))
        self._leaders = axes.add_collection(
            LineCollection([], colors=_SOFT, linewidths=self._line)
        )
        (self._peaks,) = axes.plot(
            [], [], "o", markersize=self._pt(7), markerfacecolor="white",
            markeredgecolor=_INK, markeredgewidth=self._pt(1.4), linestyle="none",
        )  # fmt: skip
        self.artists += [self._near, self._threshold, self._leaders, self._trace, self._peaks]
        self._echo_labels = [self._in_panel(axes, va="center") for _ in range(_LABELLED)]
        self._strip_lost = self._in_panel(axes, va="center")
        below = self._caption(
            top, "Strength strip: now",
            "The newest ping: how strong an echo came from how far. Above the dashed "
            "threshold it counts as found.",
        )  # fmt: skip
        self._found = self._text(
            self._column, below + 2, size_pt=_SMALL_PT, linespacing=1.2, changes=True
        )
        self._found_lines = int((top + _STRIP + _GAP - below - 4) / 20)
        self._threshold_label = self._text(
            self._right + 6, top, "threshold", size_pt=_SMALL_PT, va="center", changes=True,
            color=_SOFT,
        )  # fmt: skip

    def _lay_history(self, top: float) -> None:
        from matplotlib.collections import PolyCollection
        from matplotlib.colors import ListedColormap

        axes = self._history
        interval_s = self._plan.timing.ping_interval_s
        self._side_label(top + self._history_height / 2, "age / s")
        oldest_s = self._history_pings * interval_s
        axes.set_ylim(oldest_s - interval_s / 2, -interval_s / 2)
        ticks = round_ticks(0.0, oldest_s - interval_s, most=6)
        axes.set_yticks(ticks, labels=_tick_texts(ticks))
        colours = ListedColormap(strength_colours(), name="strength")
        panel_px = (self._right - _LEFT) * self._scale
        left, right = axes.get_xlim()
        self._image_columns = max(int(panel_px * right / (right - left)), 1)
        self._image_rows = max(int(self._history_height * self._scale), 1)
        self._image = axes.imshow(
            np.full((1, self._image_columns), np.nan), cmap=colours, aspect="auto",
            interpolation="nearest", origin="upper", vmin=-1, vmax=0,
            extent=(0.0, self._stop_m, oldest_s - interval_s / 2, -interval_s / 2),
        )  # fmt: skip
        axes.set_xlim(left, right)
        axes.axvline(self._start_m, color=_SOFT, linewidth=self._line, dashes=(2, 3))
        self._lost_rows = axes.add_collection(
            PolyCollection(
                [], facecolors="white", edgecolors=_SOFT, linewidths=self._pt(0.5), hatch="////"
            )
        )
        self.artists += [self._image, self._lost_rows]
        self._lay_mark(axes)
        self._no_more = self._in_panel(axes, va="center", color=_SOFT)
        self._lost_labels = [
            self._text(
                self._right + 4, 0, size_pt=_SMALL_PT, va="center", changes=True
            )
            for _ in range(_LOST_LABELS)
        ]
        below = self._caption(
            top, "History: before",
            "Earlier pings sink down, the newest on top. The darker, the stronger. "
            "Blank and hatched: lost.",
        )  # fmt: skip
        self._lay_strength_bar(colours, below + 6)
        self._history_top = top

    def _lay_strength_bar(self, colours: Any, top: float) -> None:
        bar_width = self._width - self._column - 34
        self._bar = self._figure.add_axes(
            (
                (self._column + 8) / self._width,
                1 - (top + 16) / self._height,
                bar_width / self._width,
                16 / self._height,
            )
        )
        self._bar_image = self._bar.imshow(
            np.linspace(0, 1, 256)[np.newaxis], cmap=colours, aspect="auto", extent=(0, 1, 0, 1)
        )
        self._bar.set_yticks([])
        self._bar.tick_params(
            labelsize=self._pt(_SMALL_PT), length=4 * self._line, width=self._line, pad=2,
            color=_SOFT, labelcolor=_INK,
        )  # fmt: skip
        self._text(
            self._column, top + 40, "dB re full scale, the top of\nwhat the input can take",
            size_pt=_SMALL_PT, linespacing=1.2,
        )

    def _lay_mark(self, axes: Axes) -> None:
        from matplotlib.patheffects import withStroke

        line = axes.axvline(0, color=_MARK, linewidth=self._pt(1.8))
        line.set_path_effects([withStroke(linewidth=self._pt(4), foreground="white")])
        self._mark_lines.append(line)
        self.artists.append(line)

    # Showing, ping after ping ----------------------------------------------------

    def show(
        self,
        results: Sequence[PingResult],
        *,
        marked_range_m: float | None = None,
        limits_db: tuple[float, float] | None = None,
        counts: tuple[int, int] | None = None,
        status: str = "",
    ) -> bool:
        """Show the last of `results` as now and all of them as history.

        Parameters
        ----------
        results : sequence of PingResult
            Oldest first; may be empty.
        marked_range_m : float or None
            Where to drop the line through all three panels.
        limits_db : tuple of float or None
            Ends of the strength scale; None takes them from `results`.
        counts : tuple of int or None
            Pings and lost pings of the whole run; None counts `results`.
        status : str
            Put in the title, such as that the picture is paused.

        Returns
        -------
        bool
            Whether a scale changed, so that all must be drawn anew and not only
            :attr:`artists`.
        """
        limits = limits_db or strength_limits_db(
            results, self._plan, sound_speed_m_s=self._sound_speed_m_s
        )
        changed = limits != self._limits_db
        if changed:
            self._set_limits(limits)
        for artist in self.artists:
            artist.set_visible(False)
        pings, lost = counts or (len(results), sum(r.lost for r in results))
        self._show_title(pings, lost, status)
        newest = results[-1] if results else None
        echoes = newest.echoes if newest else ()
        marked = _nearest_echo(echoes, marked_range_m, within_m=0.01 * self._stop_m)
        self._show_sketch(echoes, marked_range_m)
        self._show_strip(newest, echoes)
        self._show_history(results)
        self._show_mark(marked_range_m)
        self._show_foot(newest, marked, marked_range_m)
        return changed

    def _set_limits(self, limits: tuple[float, float]) -> None:
        self._limits_db = limits
        low, high = limits
        bottom = low - 0.12 * (high - low)
        label_room = (_LABEL_ROWS * _LABEL_ROW + 6) / _STRIP
        self._strip.set_ylim(bottom, bottom + (high - bottom) / (1 - label_room))
        ticks = round_ticks(low, high, most=5)
        self._strip.set_yticks(ticks, labels=_tick_texts(ticks))
        self._image.set_clim(low, high)
        self._bar_image.set_extent((low, high, 0.0, 1.0))
        self._bar_image.set_clim(0, 1)
        self._bar.set_xlim(low, high)
        self._bar.set_xticks(ticks, labels=_tick_texts(ticks))

    def _say(self, text: Text, words: str, **how: Any) -> None:
        text.set(text=words, visible=True, **how)

    def _show_title(self, pings: int, lost: int, status: str) -> None:
        medium = self._plan.medium
        where = _MEDIUM_WORDS[medium.kind]
        count = f"{pings} ping{'' if pings == 1 else 's'}, {lost or 'none'} lost"
        title = (
            f"Echoes in {where} at {medium.temperature_c:g} °C, where sound travels "
            f"{self._sound_speed_m_s:.1f} m/s · {count}"
        )
        if status:
            title = f"{status} · {title}"
        room = self._width - _LEFT + 72 - 16
        self._say(self._title, shortened(title, room, self._width_of(16, bold=True)))

    def _show_sketch(self, echoes: Sequence[Echo], marked_range_m: float | None) -> None:
        half_m = self._half_height_m
        angle = self._half_angle_rad if math.isfinite(self._half_angle_rad) else math.pi / 2
        arcs = []
        for echo in echoes:
            # Only as much of the arc as the sketch shows, so that it stays smooth.
            most = math.asin(min(1.0, half_m / max(echo.range_m, half_m)))
            angles = np.linspace(-1, 1, 65) * min(angle, most)
            arcs.append(np.column_stack([np.cos(angles), np.sin(angles)]) * echo.range_m)
        self._arcs.set(segments=arcs, visible=True)
        self._dots.set(
            data=([e.range_m for e in echoes], np.zeros(len(echoes))), visible=bool(echoes)
        )
        if marked_range_m is None or marked_range_m <= 0 or angle >= math.radians(89.0):
            return
        reach_m = marked_range_m * math.tan(angle)
        shown_m = min(reach_m, half_m)
        self._footprint.set(
            data=([marked_range_m] * 2, [-shown_m, shown_m]), visible=True
        )
        to_the_left = marked_range_m > 0.6 * self._stop_m
        shift = 0.012 * self._stop_m * (-1 if to_the_left else 1)
        self._say(
            self._footprint_label,
            f"footprint {_length_text(2 * reach_m)} across",
            x=marked_range_m + shift,
            y=-0.94 * half_m,
            ha="right" if to_the_left else "left",
        )

    def _show_strip(self, newest: PingResult | None, echoes: Sequence[Echo]) -> None:
        if newest is None or newest.profile is None:
            words = "no ping yet"
            if newest is not None:
                words = f"ping {newest.index} is lost: {newest.reason or 'no reason given'}"
            words = shortened(
                _printable(words), self._right - _LEFT - 40, self._width_of(_MAIN_PT)
            )
            bottom, top = self._strip.get_ylim()
            self._say(
                self._strip_lost, words, x=0.48 * self._stop_m, y=(bottom + top) / 2
            )
            return
        range_m = self._ranges_of(newest.profile.delay_s)
        strength_db = newest.profile.strength_db
        near = range_m <= self._start_m
        heard = (range_m >= self._start_m) & (range_m <= self._stop_m)
        self._near.set(data=(range_m[near], strength_db[near]), visible=True)
        self._trace.set(data=(range_m[heard], strength_db[heard]), visible=True)
        threshold_db = newest.threshold_db
        if threshold_db is not None:
            self._threshold.set(data=(range_m[heard], threshold_db[heard]), visible=True)
            self._label_threshold(threshold_db[heard])
        self._label_echoes(echoes, clipped=newest.clipped)

    def _ranges_of(self, delay_s: NDArray[np.float64]) -> NDArray[np.float64]:
        return range_at_m(
            delay_s, sound_speed_m_s=self._sound_speed_m_s, baseline_m=self._baseline_m
        )

    def _label_threshold(self, threshold_db: NDArray[np.float64]) -> None:
        if not threshold_db.size or not np.isfinite(threshold_db[-1]):
            return
        low, high = self._strip.get_ylim()
        place = min(max(float(threshold_db[-1]), low), high)
        _, y = self._figure.transFigure.inverted().transform(
            self._strip.transData.transform((0.0, place))
        )
        self._threshold_label.set(y=y, visible=True)

    def _label_echoes(self, echoes: Sequence[Echo], *, clipped: bool) -> None:
        low, high = self._strip.get_ylim()
        per_unit = (high - low) / _STRIP
        peaks_db = [min(max(e.strength_db, low), high) for e in echoes]
        self._peaks.set(data=([e.range_m for e in echoes], peaks_db), visible=bool(echoes))
        left, right = self._strip.get_xlim()
        units_per_m = (self._right - _LEFT) / (right - left)
        texts = [f"{metres_text(e.range_m, e.u_range_m)} m" for e in echoes]
        places = place_labels(
            [(e.range_m - left) * units_per_m for e in echoes],
            [_text_width(text, size_pt=_MAIN_PT) for text in texts],
            left=4.0,
            right=self._right - _LEFT - 4.0,
            rows=_LABEL_ROWS,
            gap=8.0,
            most=_LABELLED,
        )
        leaders = []
        for artist, (label, row, centre) in zip(self._echo_labels, places, strict=False):
            y = high - ((_LABEL_ROWS - row - 0.5) * _LABEL_ROW + 2) * per_unit
            self._say(artist, texts[label], x=left + centre / units_per_m, y=y)
            foot = y - 0.5 * _LABEL_ROW * per_unit
            leaders.append([(echoes[label].range_m, peaks_db[label]), (echoes[label].range_m, foot)])
        self._leaders.set(segments=leaders, visible=True)
        labelled = {label for label, _, _ in places}
        others = [text[:-2] for i, text in enumerate(texts) if i not in labelled]
        self._list_echoes(len(echoes), others, clipped=clipped)

    def _list_echoes(self, found: int, others: Sequence[str], *, clipped: bool) -> None:
        """Say how many were found, and list those that have no label, as space allows."""
        head = f"{found or 'No'} echo{'' if found == 1 else 'es'} found."
        if clipped:
            head += " Clipped: too loud, strengths read too low."
        room = self._width - self._column - 14
        measure = self._width_of(_SMALL_PT)
        lines = wrapped(head, room, measure)
        for shown in range(len(others), -1, -1):
            words = head
            if others:
                left_over = len(others) - shown
                more = f" and {left_over} more" if left_over and shown else ""
                listed = f"Also at {', '.join(others[:shown])} m" if shown else f"{left_over} more"
                words = f"{head} {listed}{more}."
            lines = wrapped(words, room, measure)
            if len(lines) <= self._found_lines:
                break
        self._say(self._found, "\n".join(lines))

    def _show_history(self, results: Sequence[PingResult]) -> None:
        interval_s = self._plan.timing.ping_interval_s
        rows = np.full((self._history_pings, self._image_columns), np.nan)
        lost: list[int] = []
        oldest = 0
        if results:
            newest = results[-1].index
            for result in reversed(results):
                row = newest - result.index
                if row >= self._history_pings:
                    break
                oldest = max(oldest, row)
                if result.profile is not None:
                    envelope = result.profile.envelope
                    columns = self._columns_for(envelope.size, result.profile.bin_s)
                    rows[row] = columns(np.abs(envelope))
                else:
                    lost.append(row)
        self._image.set(data=decibels(self._gathered(rows)), visible=True)
        self._show_lost(lost)
        blank = self._history_pings - oldest - 1
        if blank * self._history_height / self._history_pings > 2 * _LABEL_ROW:
            self._say(
                self._no_more,
                "no earlier pings",
                x=0.48 * self._stop_m,
                y=(oldest + 0.5 + blank / 2) * interval_s,
            )

    def _columns_for(self, bins: int, bin_s: float) -> RangeColumns:
        key = (bins, bin_s)
        if key not in self._columns:
            self._columns[key] = RangeColumns(
                self._ranges_of(np.arange(bins) * bin_s),
                stop_m=self._stop_m,
                columns=self._image_columns,
            )
        return self._columns[key]

    def _gathered(self, rows: NDArray[np.float64]) -> NDArray[np.float64]:
        """Gather pings by their strongest where there are more than the panel has lines."""
        together = math.ceil(len(rows) / self._image_rows)
        if together == 1:
            return rows
        spare = -len(rows) % together
        padded = np.vstack([rows, np.full((spare, rows.shape[1]), np.nan)])
        grouped = padded.reshape(-1, together, rows.shape[1])
        # fmax passes over the lost; a group that is all lost stays blank.
        gathered: NDArray[np.float64] = np.fmax.reduce(grouped, axis=1)
        interval_s = self._plan.timing.ping_interval_s
        self._image.set_extent(
            (0.0, self._stop_m, (len(padded) - 0.5) * interval_s, -interval_s / 2)
        )
        self._history.set_ylim((len(rows) - 0.5) * interval_s, -interval_s / 2)
        return gathered

    def _show_lost(self, lost: Sequence[int]) -> None:
        """Hatch the lost rows, and point at them from the side."""
        interval_s = self._plan.timing.ping_interval_s
        runs: list[list[int]] = []
        for row in lost:
            if runs and row == runs[-1][1] + 1:
                runs[-1][1] = row
            else:
                runs.append([row, row])
        corners = []
        for first, last in runs:
            top, bottom = (first - 0.5) * interval_s, (last + 0.5) * interval_s
            corners.append([(0, top), (self._stop_m, top), (self._stop_m, bottom), (0, bottom)])
        self._lost_rows.set(verts=corners, visible=True)
        row_height = self._history_height / self._history_pings
        labels = iter(self._lost_labels)
        free_from = -math.inf
        for first, last in runs:
            centre = (first + last + 1) / 2 * row_height
            if centre < free_from:
                continue
            artist = next(labels, None)
            if artist is None:
                break
            count = last - first + 1
            words = "◂ lost" if count == 1 else f"◂ {count} lost"
            y = 1 - (self._history_top + centre) / self._height
            self._say(artist, words, y=y)
            free_from = centre + 20

    def _show_mark(self, marked_range_m: float | None) -> None:
        if marked_range_m is None:
            return
        for line in self._mark_lines:
            line.set(xdata=[marked_range_m] * 2, visible=True)

    def _show_foot(
        self, newest: PingResult | None, marked: Echo | None, marked_range_m: float | None
    ) -> None:
        if marked_range_m is not None:
            words, colour = self._mark_words(marked, marked_range_m), _MARK
        else:
            words, colour = self._time_zero_words(newest), _INK
        room = self._width - _LEFT + 72 - 16
        self._say(self._foot, shortened(words, room, self._width_of(_MAIN_PT)), color=colour)

    def _mark_words(self, marked: Echo | None, marked_range_m: float) -> str:
        if marked is None:
            time_s = path_time_s(
                marked_range_m,
                sound_speed_m_s=self._sound_speed_m_s,
                baseline_m=self._baseline_m,
            )
            return (
                f"Marked: {metres_text(marked_range_m)} m, {_time_text(float(time_s))} "
                "out and back; the newest ping has no echo there"
            )
        return (
            f"Marked echo: {metres_text(marked.range_m, marked.u_range_m)} m, uncertain by "
            f"{marked.u_range_m * 1e3:.2g} mm; {_time_text(marked.delay_s)} out and back; "
            f"{_signed(marked.strength_db)} dB; {marked.snr_db:.0f} dB over the noise"
        )

    def _time_zero_words(self, newest: PingResult | None) -> str:
        apart = f"{_length_text(self._baseline_m)} apart"
        words = f"Ranges are from midway between source and receiver, {apart}"
        if newest is not None and newest.time_zero is not None:
            method = newest.time_zero.method
            words += f"; times run from {_TIME_ZERO_WORDS.get(method, method)}"
        return words


def save_picture(
    path: str | os.PathLike[str],
    plan: Plan,
    info: StreamInfo,
    results: Sequence[PingResult],
    *,
    sound_speed_m_s: float,
    half_angle_rad: float,
    marked_range_m: float | None = None,
    note: str = "",
    far_wall_m: float | None = None,
    size_px: tuple[int, int] = (1280, 720),
) -> None:
    """Draw the pings and write the picture; no screen is needed.

    Parameters
    ----------
    path : path
        Its suffix says the kind: .png, .svg or .pdf.
    results : sequence of PingResult
        Oldest first; the last is shown as now.
    size_px : tuple of int
        Width and height of a PNG.

    Others as :class:`BenchPicture` has them.

    Raises
    ------
    StorageError
        Where the file cannot be written, or its suffix is another.
    """
    suffix = check_picture_path(path)
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        dpi = 100 * min(size_px[0] / _WIDTH, size_px[1] / _HEIGHT)
        figure = Figure(figsize=(size_px[0] / dpi, size_px[1] / dpi), dpi=dpi)
        FigureCanvasAgg(figure)
        span = results[-1].index - results[0].index + 1 if results else 0
        picture = BenchPicture(
            figure,
            plan,
            info,
            sound_speed_m_s=sound_speed_m_s,
            half_angle_rad=half_angle_rad,
            note=note,
            far_wall_m=far_wall_m,
            history_pings=max(span, FEWEST_ROWS),
        )
        picture.show(results, marked_range_m=marked_range_m)
        # Drawn whole before the file is touched, so that a fault leaves the old one.
        drawn = io.BytesIO()
        figure.savefig(drawn, format=suffix[1:], dpi=dpi)
    try:
        pathlib.Path(path).write_bytes(drawn.getvalue())
    except OSError as problem:
        raise StorageError(
            f"{os.fspath(path)}: the picture cannot be written ({problem.strerror}); "
            "give a path in a folder that exists, may be written and has room"
        ) from problem


def check_picture_path(path: str | os.PathLike[str]) -> str:
    """Return the suffix of a picture's path, so that a wrong one is found early.

    Raises
    ------
    StorageError
        Where it is none of :data:`PICTURE_SUFFIXES`.
    """
    suffix = pathlib.Path(path).suffix.lower()
    if suffix not in PICTURE_SUFFIXES:
        raise StorageError(
            f"{os.fspath(path)}: found {suffix or 'no suffix'!r} as the kind of picture; "
            f"give a name that ends in one of {', '.join(PICTURE_SUFFIXES)}"
        )
    return suffix


def pulse_text(plan: Plan) -> str:
    """Say in one phrase what is sent and how often.

    Examples
    --------
    >>> pulse_text(Plan(pulse=ChirpPlan(start_hz=4000.0, stop_hz=12000.0, duration_s=0.010)))
    'Sent: chirp from 4 to 12 kHz, 10 ms long, every 250 ms'
    """
    pulse = plan.pulse
    long = f"{_time_text(pulse.duration_s)} long, every {_time_text(plan.timing.ping_interval_s)}"
    if isinstance(pulse, ChirpPlan):
        return f"Sent: chirp from {pulse.start_hz / 1e3:g} to {pulse.stop_hz / 1e3:g} kHz, {long}"
    kind = "tone"
    if isinstance(pulse, Barker13Plan):
        kind = "Barker code of 13"
    elif isinstance(pulse, GolayPlan):
        kind = f"Golay pair of {pulse.chips}"
    return f"Sent: {kind} at {pulse.centre_hz / 1e3:g} kHz, {long}"


def _front_end_text(info: StreamInfo) -> str:
    kind = info.front_end.replace("-", " ")
    if info.front_end == "virtual-tank":
        return f"{kind}, an invented scene: {info.device}"
    return f"{kind}: {info.device}"


def _time_text(time_s: float) -> str:
    for unit, per_s in (("s", 1.0), ("ms", 1e3)):
        if time_s * per_s >= 1:
            return f"{time_s * per_s:.4g} {unit}"
    return f"{time_s * 1e6:.4g} µs"


def _length_text(length_m: float) -> str:
    return f"{length_m:.2f} m" if length_m >= 1 else f"{length_m * 100:.3g} cm"


def _tick_texts(ticks: Sequence[float]) -> list[str]:
    """Write all of one axis with the same digits, and minus as a minus."""
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    return [_signed(t, digits) for t in ticks]


def _signed(value: float, digits: int = 1) -> str:
    """Write a number with a true minus sign, and zero without one."""
    return f"{value + 0.0:.{digits}f}".replace("-", "\N{MINUS SIGN}")


def _nearest_echo(
    echoes: Sequence[Echo], marked_range_m: float | None, *, within_m: float
) -> Echo | None:
    if marked_range_m is None or not echoes:
        return None
    nearest = min(echoes, key=lambda e: abs(e.range_m - marked_range_m))
    return nearest if abs(nearest.range_m - marked_range_m) <= within_m else None


@functools.lru_cache(maxsize=4096)
def _text_width(text: str, *, size_pt: float, bold: bool = False) -> float:
    """Width of a line of text, in units of the 1280 × 720 picture."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(weight="bold" if bold else "normal", size=size_pt)
    width_pt, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return float(width_pt) * 100 / 72


@functools.cache
def _known_characters() -> frozenset[int]:
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return frozenset(get_font(findfont(FontProperties())).get_charmap())


def _printable(text: str) -> str:
    """Return the text on one line, a ? for each character that the font lacks."""
    line = " ".join(text.split())
    return "".join(c if ord(c) in _known_characters() else "?" for c in line)
