"""The history: what came back before, the newest ping on top."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dsp.ping.profiles import EchoProfile
from rig.run.results import PingResult
from rig.show.pictures.ink import strength_colours
from rig.show.pictures.page import LEFT, SMALL_LINE, SMALL_PT, SOFT, Page
from rig.show.pictures.scales import RangeColumns, RangeScale, decibels, round_ticks
from rig.show.wording import tick_texts

if TYPE_CHECKING:
    from matplotlib.colors import Colormap

_MOST_LABELS = 8
_LABEL_HEIGHT = 20


class History:
    """The panel below: the past.

    A ping has one row, the older the lower. Where there are more pings than the
    panel has lines, a line shows the strongest of several.
    """

    def __init__(
        self,
        page: Page,
        scale: RangeScale,
        *,
        top: float,
        height: float,
        pings: int,
        interval_s: float,
    ) -> None:
        from matplotlib.collections import PolyCollection
        from matplotlib.colors import ListedColormap

        self._page, self._scale = page, scale
        self._top, self._height = top, height
        self._pings, self._interval_s = pings, interval_s
        axes = self.axes = page.panel(top, height, stop_m=scale.stop_m, side="age / s")
        left, right = axes.get_xlim()
        # No more columns and rows than dots, so that none is left out in drawing.
        dots_wide = (page.right - LEFT) * page.scale * scale.stop_m / (right - left)
        self._columns = max(int(dots_wide), 1)
        self._together = math.ceil(pings / max(int(height * page.scale), 1))
        self._ranges: dict[tuple[int, float], RangeColumns] = {}
        # Each ping's row, so that only what is new is worked out.
        self._drawn: dict[int, tuple[EchoProfile, NDArray[np.float64]]] = {}

        colours = ListedColormap(strength_colours(), name="strength")
        bottom_s = (-(-pings // self._together) * self._together - 0.5) * interval_s
        self._image = axes.imshow(
            np.full((1, self._columns), np.nan),
            cmap=colours,
            vmin=-1,
            vmax=0,
            aspect="auto",
            interpolation="nearest",
            origin="upper",
            extent=(0.0, scale.stop_m, bottom_s, -interval_s / 2),
        )
        axes.set_xlim(left, right)
        axes.set_ylim((pings - 0.5) * interval_s, -interval_s / 2)
        ticks = round_ticks(0.0, (pings - 0.5) * interval_s, most=6)
        axes.set_yticks(ticks, labels=tick_texts(ticks))
        self._lost = axes.add_collection(
            PolyCollection(
                [], facecolors="white", edgecolors=SOFT, linewidths=page.pt(0.5), hatch="////"
            )
        )
        page.artists += [self._image, self._lost]
        self._pointer = page.pointer_in(axes)
        self._no_more = page.text_in(axes, color=SOFT)
        self._labels = [
            page.text(page.right + 4, 0, size_pt=SMALL_PT, va="center", changes=True)
            for _ in range(_MOST_LABELS)
        ]
        several = (
            f" Each line: the strongest of {self._together} pings." if self._together > 1 else ""
        )
        below = page.caption(
            top,
            "History: past",
            f"Earlier pings, the newest on top. The darker, the stronger. Hatched: lost.{several}",
        )
        self._lay_strength_bar(colours, below + 4)

    def _lay_strength_bar(self, colours: Colormap, top: float) -> None:
        page = self._page
        self.bar = page.box(page.column + 10, top, page.width - page.column - 40, 16)
        self._bar_image = self.bar.imshow(
            np.linspace(0, 1, 256)[np.newaxis], cmap=colours, aspect="auto", extent=(0, 1, 0, 1)
        )
        self.bar.set_yticks([])
        page.style_ticks(self.bar)
        page.text(
            page.column,
            top + 42,
            "dB re full scale, the loudest\nthat the input can take",
            size_pt=SMALL_PT,
        )
        remark_top = top + 44 + 2 * SMALL_LINE
        self._remark = page.text(page.column, remark_top, size_pt=SMALL_PT, changes=True)
        room = page.width - page.column, SMALL_LINE + 4
        self.remark_box = page.box_in_dots(page.column - 2, remark_top - 2, *room)

    def set_limits(self, low_db: float, high_db: float) -> None:
        """Set the ends of the strength scale."""
        self._image.set_clim(low_db, high_db)
        self._bar_image.set_extent((low_db, high_db, 0.0, 1.0))
        self.bar.set_xlim(low_db, high_db)
        ticks = round_ticks(low_db, high_db, most=5)
        self.bar.set_xticks(ticks, labels=tick_texts(ticks))

    def show(
        self, results: Sequence[PingResult], pointed_range_m: float | None, left_out: int
    ) -> None:
        """Show pings, the oldest given first, and say of some that they never came."""
        if left_out:
            words = f"Blank: {left_out} left out, too slow."
            self._remark.set(text="\n".join(self._page.caption_lines(words)[:1]), visible=True)
        if pointed_range_m is not None:
            self._pointer.set(xdata=[pointed_range_m] * 2, visible=True)
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
        self._image.set(data=self._gathered(rows), visible=True)
        self._show_lost(lost)
        blank = self._pings - oldest - 1
        if blank * self._height / self._pings > 2 * _LABEL_HEIGHT:
            self._no_more.set(
                text="no earlier pings",
                x=sum(self.axes.get_xlim()) / 2,
                y=(oldest + 0.5 + blank / 2) * self._interval_s,
                visible=True,
            )

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
            top_s, bottom_s = ((first - 0.5) * self._interval_s, (last + 0.5) * self._interval_s)
            corners.append([(0, top_s), (stop_m, top_s), (stop_m, bottom_s), (0, bottom_s)])
        self._lost.set(verts=corners, visible=True)
        labels = iter(self._labels)
        free_from = -math.inf
        for first, last in runs:
            centre = (first + last + 1) / 2 * self._height / self._pings
            if centre < free_from:
                continue
            label = next(labels, None)
            if label is None:
                break
            count = last - first + 1
            words = "◂ lost" if count == 1 else f"◂ {count} lost"
            label.set(text=words, y=1 - (self._top + centre) / self._page.height, visible=True)
            free_from = centre + _LABEL_HEIGHT
