"""The angles strip: how far aside each echo came from, over the same range axis.

Below the history, or to its right, where it is asked for. The newest ping's echoes have a
bar each, over what covers their angle; those of earlier pings are dots, the paler the older.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.run.receiver import Receiver
from rig.run.results import Echo, PingResult
from rig.show.pictures.page import FAINT, INK, SMALL_PT, SOFT, Page
from rig.show.pictures.panel import Box
from rig.show.pictures.scales import round_ticks
from rig.show.wording import tick_texts

_STEP_DEG, _WIDEST_DEG = 10.0, 90.0


class Angles:
    """The panel below the history, or on its right.

    Parameters
    ----------
    page : Page
    box : Box
    receiver : Receiver
    stop_m : float
        The range axis ends there.
    down : bool
        Whether it runs down the page.
    pings : int
        As many as the history shows.
    """

    def __init__(
        self, page: Page, box: Box, receiver: Receiver, *, stop_m: float, down: bool, pings: int
    ) -> None:
        from matplotlib.collections import LineCollection
        from matplotlib.colors import to_rgb

        self._pings = pings
        half_deg = math.degrees(receiver.half_angle_rad)
        # A little more than the cone: beyond, the beam takes off so much that little is heard.
        self._most_deg = min(_STEP_DEG * math.ceil(1.2 * half_deg / _STEP_DEG), _WIDEST_DEG)
        panel = self.panel = page.panel(box, stop_m=stop_m, down=down, side="angle / °")
        most = 1.12 * self._most_deg
        # What is to the left stands on the left, or on top.
        panel.set_values(*((most, -most) if down else (-most, most)))
        ticks = round_ticks(-self._most_deg, self._most_deg, most=3 if down else 5)
        panel.set_value_ticks(ticks, tick_texts(ticks))
        panel.axes.plot(
            *panel.xy([0, stop_m], [0, 0]), color=SOFT, linewidth=page.fine, dashes=(8, 3, 2, 3)
        )
        self._newest, self._oldest = (np.array(to_rgb(colour)) for colour in (SOFT, FAINT))
        self._dots = panel.axes.scatter([], [], s=page.pt(4) ** 2, linewidths=0)
        self._bars = panel.axes.add_collection(
            LineCollection([], colors=INK, linewidths=page.pt(2.2))
        )
        how: dict[str, Any] = {"color": INK, "linestyle": "none", "marker": "o"}
        (self._heads,) = panel.axes.plot([], [], markersize=page.pt(5), **how)
        (self._beyond,) = panel.axes.plot(
            [],
            [],
            markersize=page.pt(7),
            markerfacecolor="white",
            markeredgewidth=page.pt(1.6),
            **how,
        )
        page.artists += [self._dots, self._bars, self._heads, self._beyond]
        self._pointer = page.pointer_in(panel)
        if down:
            page.text(box.left + 1, box.top - 22, "left ◂ ▸ right", size_pt=SMALL_PT, color=SOFT)
        else:
            page.text(
                box.left + 6,
                box.bottom - 4,
                "bars: now, k = 2; dots: earlier; + is left",
                size_pt=SMALL_PT,
                color=SOFT,
                va="bottom",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
            )

    def show(
        self,
        results: Sequence[PingResult],
        echoes: Sequence[Echo],
        pointed_range_m: float | None,
    ) -> None:
        """Show pings, the oldest given first, and the newest one's echoes."""
        if pointed_range_m is not None:
            self.panel.move_line(self._pointer, pointed_range_m)
        told = [(e.range_m, e.side) for e in echoes if e.side is not None]
        now = np.array(
            [
                (range_m, *np.degrees([side.angle_rad, side.low_rad, side.high_rad]))
                for range_m, side in told
                if math.isfinite(side.angle_rad)
            ]
        ).reshape(-1, 4)
        range_m, angle_deg, low_deg, high_deg = now.T
        most = self._most_deg
        self._bars.set(
            segments=[
                self.panel.points([r, r], np.clip([low, high], -most, most))
                for r, low, high in zip(range_m, low_deg, high_deg, strict=True)
            ],
            visible=True,
        )
        held = np.abs(angle_deg) <= most
        self._heads.set(data=self.panel.xy(range_m[held], angle_deg[held]), visible=True)
        edge_deg = np.copysign(most, angle_deg[~held])
        self._beyond.set(data=self.panel.xy(range_m[~held], edge_deg), visible=True)
        self._show_earlier(results)

    def _show_earlier(self, results: Sequence[PingResult]) -> None:
        rows: list[NDArray[np.float64]] = []
        for result in results[:-1]:
            age = results[-1].index - result.index
            if result.heard is None or age >= self._pings:
                continue
            hits = result.heard.hits
            told = np.isfinite(hits.angle_rad)
            angle_deg = np.degrees(hits.angle_rad[told])
            share = np.full(angle_deg.size, age / self._pings)
            rows.append(np.stack([hits.range_m[told], angle_deg, share], axis=-1))
        range_m, angle_deg, share = np.concatenate([np.empty((0, 3)), *rows]).T
        within = np.abs(angle_deg) <= self._most_deg
        self._dots.set_offsets(self.panel.points(range_m[within], angle_deg[within]))
        mixed = share[within, np.newaxis]
        colours = (1 - mixed) * self._newest + mixed * self._oldest
        self._dots.set(facecolors=colours, visible=True)
