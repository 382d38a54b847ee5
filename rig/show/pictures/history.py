"""The history: what came back before, the newest ping next to the strip."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.profiles import EchoProfile
from rig.run.results import PingResult
from rig.show.pictures.ink import strength_colours
from rig.show.pictures.page import MAIN_PT, SMALL_LINE, SMALL_PT, SOFT, Page, measure
from rig.show.pictures.places import Places
from rig.show.pictures.scales import RangeColumns, RangeScale, decibels, round_ticks
from rig.show.wording import tick_texts

if TYPE_CHECKING:
    from matplotlib.colors import Colormap

_MOST_LABELS = 8
_LABEL_HEIGHT = 20

AddedDb = Callable[[NDArray[np.float64], float], NDArray[np.float64]]


class History:
    """The panel below, or on the right: the past.

    A ping has one row, the older the farther from the strip. Where there are more pings
    than the panel has lines, a line shows the strongest of several.
    """

    def __init__(
        self,
        page: Page,
        scale: RangeScale,
        places: Places,
        *,
        pings: int,
        interval_s: float,
    ) -> None:
        from matplotlib.collections import PolyCollection
        from matplotlib.colors import ListedColormap

        self._page, self._scale = page, scale
        self._pings, self._interval_s = pings, interval_s
        box, down = places.history, places.down
        panel = self.panel = page.panel(box, stop_m=scale.stop_m, down=down, side="age / s")
        axes = panel.axes
        # No more columns and rows than dots, so that none is left out in drawing.
        dots_long = panel.units_per_m * page.scale * scale.stop_m
        self._columns = max(int(dots_long), 1)
        self._room = box.depth(down=down)
        self._together = math.ceil(pings / max(int(self._room * page.scale), 1))
        self._ranges: dict[tuple[int, float], RangeColumns] = {}
        # Each ping's row, so that only what is new is worked out.
        self._added_db: NDArray[np.float64] = np.zeros(1)
        self._drawn: dict[int, tuple[EchoProfile, NDArray[np.float64]]] = {}

        colours = ListedColormap(strength_colours(), name="strength")
        bottom_s = (-(-pings // self._together) * self._together - 0.5) * interval_s
        limits = axes.get_xlim(), axes.get_ylim()
        ages_s = (-interval_s / 2, bottom_s)
        self._image = axes.imshow(
            self._turned(np.full((1, self._columns), np.nan)),
            cmap=colours,
            vmin=-1,
            vmax=0,
            aspect="auto",
            interpolation="nearest",
            origin="upper",
            extent=(*ages_s, scale.stop_m, 0.0) if down else (0.0, scale.stop_m, *ages_s[::-1]),
        )
        axes.set(xlim=limits[0], ylim=limits[1])
        panel.set_ages(-interval_s / 2, (pings - 0.5) * interval_s)
        ticks = round_ticks(0.0, (pings - 0.5) * interval_s, most=6)
        panel.set_value_ticks(ticks, tick_texts(ticks))
        self._lost = axes.add_collection(
            PolyCollection(
                [], facecolors="white", edgecolors=SOFT, linewidths=page.pt(0.5), hatch="////"
            )
        )
        page.artists += [self._image, self._lost]
        self._pointer = page.pointer_in(panel)
        self._no_more = page.text_in(axes, color=SOFT)
        self._labels = [
            page.text(
                box.right + 4,
                box.top - 4,
                size_pt=SMALL_PT,
                changes=True,
                ha="center" if down else "left",
                va="bottom" if down else "center",
            )
            for _ in range(_MOST_LABELS)
        ]
        newest = "on the left" if down else "on top"
        several = (
            f" Each line: the strongest of {self._together} pings." if self._together > 1 else ""
        )
        below = page.caption(
            places.history_caption,
            "History: past",
            f"Earlier pings, the newest {newest}. The darker, the stronger. Hatched: lost pings."
            f"{several}",
        )
        self._lay_strength_bar(colours, below + 4)

    def _lay_strength_bar(self, colours: Colormap, top: float) -> None:
        page = self._page
        self.bar = page.framed(page.column + 10, top, page.width - page.column - 40, 16)
        self._bar_image = self.bar.imshow(
            np.linspace(0, 1, 256)[np.newaxis], cmap=colours, aspect="auto", extent=(0, 1, 0, 1)
        )
        self._bar_ticks = page.ticks(self.bar, "bottom")
        page.text(
            page.column,
            top + 42,
            "dB re full scale, the loudest\nthat the input can take",
            size_pt=SMALL_PT,
        )
        remark_top = top + 44 + 2 * SMALL_LINE
        self._remark = page.text(page.column, remark_top, size_pt=SMALL_PT, changes=True)

    def set_over_range(self, added_db: AddedDb) -> None:
        """Add to the strengths of each range before they are inked."""
        stop_m = self._scale.stop_m
        middles_m = (np.arange(self._columns) + 0.5) * stop_m / self._columns
        self._added_db = added_db(middles_m, stop_m)

    def set_limits(self, low_db: float, high_db: float) -> None:
        """Set the ends of the strength scale."""
        self._image.set_clim(low_db, high_db)
        self._bar_image.set_extent((low_db, high_db, 0.0, 1.0))
        self.bar.set_xlim(low_db, high_db)
        ticks = round_ticks(low_db, high_db, most=5)
        self._bar_ticks.set(ticks, tick_texts(ticks))

    def show(
        self, results: Sequence[PingResult], pointed_range_m: float | None, left_out: int
    ) -> None:
        """Show pings, the oldest given first, and say of some that they never came."""
        if left_out:
            words = f"Blank: {left_out} left out, too slow."
            self._remark.set(text="\n".join(self._page.caption_lines(words)[:1]), visible=True)
        if pointed_range_m is not None:
            self.panel.move_line(self._pointer, pointed_range_m)
        rows = np.full((self._pings, self._columns), np.nan)
        lost: list[int] = []
        drawn: dict[int, tuple[EchoProfile, NDArray[np.float64]]] = {}
        oldest = -1
        for result in reversed(results):
            row = results[-1].index - result.index
            if row >= self._pings:
                break
            oldest = row
            if result.profile is None:
                lost.append(row)
            else:
                profile, strengths_db = self._drawn.get(result.index, (None, None))
                if profile is not result.profile or strengths_db is None:
                    strengths_db = self._strengths_db(result.profile)
                drawn[result.index] = (result.profile, strengths_db)
                rows[row] = strengths_db
        self._drawn = drawn
        rows += self._added_db
        self._image.set(data=self._turned(self._gathered(rows)), visible=True)
        self._show_lost(lost)
        blank = self._pings - oldest - 1
        words = "no earlier\npings" if self.panel.down else "no earlier pings"
        across = measure(MAIN_PT)("no earlier") - _LABEL_HEIGHT if self.panel.down else 0.0
        needed = 2 * _LABEL_HEIGHT + across
        if blank * self._room / self._pings > needed:
            middle_m = (self.panel.first_m + self.panel.stop_m) / 2
            x, y = self.panel.xy(middle_m, (oldest + 0.5 + blank / 2) * self._interval_s)
            self._no_more.set(text=words, x=x, y=y, visible=True)

    def _turned(self, rows: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return rows of pings as the image has them: one upon the other, or side by side."""
        return rows.T if self.panel.down else rows

    def _strengths_db(self, profile: EchoProfile) -> NDArray[np.float64]:
        gather = self._ranges_of(profile.envelope.size, profile.bin_s)
        return decibels(gather(np.abs(profile.envelope[: gather.bins])))

    def _ranges_of(self, bins: int, bin_s: float) -> RangeColumns:
        key = (bins, bin_s)
        if key not in self._ranges:
            self._ranges[key] = RangeColumns(
                self._scale.range_m(np.arange(bins) * bin_s),
                stop_m=self._scale.stop_m,
                columns=self._columns,
            )
        return self._ranges[key]

    def _gathered(self, rows: NDArray[np.float64]) -> NDArray[np.float64]:
        if self._together == 1:
            return rows
        spare = -len(rows) % self._together
        padded = np.pad(rows, ((0, spare), (0, 0)), constant_values=np.nan)
        # fmax passes over the lost; where all are lost the line stays blank.
        return np.asarray(np.fmax.reduce(padded.reshape(-1, self._together, rows.shape[1]), axis=1))

    def _show_lost(self, lost: Sequence[int]) -> None:
        """Hatch the lost rows, and point at them from the side."""
        runs: list[list[int]] = []
        for row in lost:
            if runs and row == runs[-1][1] + 1:
                runs[-1][1] = row
            else:
                runs.append([row, row])
        stop_m = self._scale.stop_m
        corners = []
        for first, last in runs:
            ages_s = np.array([first - 0.5, first - 0.5, last + 0.5, last + 0.5])
            ages_s *= self._interval_s
            corners.append(self.panel.points([0.0, stop_m, stop_m, 0.0], ages_s))
        self._lost.set(verts=corners, visible=True)
        labels = iter(self._labels)
        free_from = -math.inf
        down, box, page = self.panel.down, self.panel.box, self._page
        for first, last in runs:
            centre = (first + last + 1) / 2 * self._room / self._pings
            count = last - first + 1
            sign = "▾" if down else "◂"
            words = f"{sign} lost" if count == 1 else f"{sign} {count} lost"
            half = (measure(SMALL_PT)(words) + 8) / 2 if down else _LABEL_HEIGHT / 2
            if centre - half < free_from:
                continue
            label = next(labels, None)
            if label is None:
                break
            if down:
                held = min(max(centre, half), self._room - half)
                label.set(text=words, x=(box.left + held) / page.width, visible=True)
            else:
                label.set(text=words, y=1 - (box.top + centre) / page.height, visible=True)
            free_from = centre + half
