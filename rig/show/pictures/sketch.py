"""The bench sketch: the bench from the side, to scale, and where the beam reaches."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from dsp.physics.beams import footprint_diameter_m
from rig.bench.plan import Plan
from rig.run.results import Echo
from rig.show.pictures.page import ACCENT, CONE, INK, LEFT, SMALL_PT, SOFT, Page
from rig.show.pictures.scales import RangeScale, round_ticks
from rig.show.wording import cone_text, has_cone, length_text, tick_texts

if TYPE_CHECKING:
    from matplotlib.axes import Axes


class Sketch:
    """The panel on top: the cause.

    The side view looks along the line from source to receiver, so that the two
    stand as one at zero. From there all places of one range lie on a circle.
    """

    def __init__(
        self,
        page: Page,
        plan: Plan,
        scale: RangeScale,
        *,
        top: float,
        height: float,
        half_angle_rad: float,
        far_wall_m: float | None,
    ) -> None:
        from matplotlib.collections import LineCollection

        self._stop_m = scale.stop_m
        self._half_angle_rad = half_angle_rad
        span_m = 1.04 * scale.stop_m
        half_m = self._half_height_m = span_m * height / (page.right - LEFT) / 2
        unit, per_m = ("cm", 100.0) if half_m < 0.3 else ("m", 1.0)
        axes = self.axes = page.panel(top, height, stop_m=scale.stop_m, side=f"height / {unit}")
        axes.set_ylim(-half_m, half_m)
        ticks = round_ticks(-half_m * per_m, half_m * per_m, most=5)
        axes.set_yticks([t / per_m for t in ticks], labels=tick_texts(ticks))

        self._lay_cone(page, axes)
        self._lay_bench(page, axes, plan, far_wall_m)
        self._pointer = page.pointer_in(axes)
        (self._footprint,) = axes.plot(
            [], [], color=ACCENT, linewidth=page.pt(3.5), solid_capstyle="butt"
        )
        self._arcs = axes.add_collection(LineCollection([], colors=INK, linewidths=page.pt(1.4)))
        (self._dots,) = axes.plot([], [], "o", color=INK, markersize=page.pt(6))
        page.artists += [self._footprint, self._arcs, self._dots]
        self._footprint_label = page.text_in(axes, color=ACCENT, va="bottom", covers=True)

        leaves_at_m = half_m / math.tan(half_angle_rad) if has_cone(half_angle_rad) else 0.0
        cone = cone_text(half_angle_rad, leaves_at_m=leaves_at_m, stop_m=scale.stop_m)
        page.caption(
            top,
            "Bench sketch: cause",
            f"The bench from the side, to scale. {cone} An echo tells its range only: "
            "it may lie anywhere on its arc.",
        )

    def _lay_cone(self, page: Page, axes: Axes) -> None:
        stop_m, half_m = self._stop_m, self._half_height_m
        if not has_cone(self._half_angle_rad):
            axes.fill_between([0, stop_m], -half_m, half_m, color=CONE, linewidth=0)
        else:
            edge_m = np.array([0.0, stop_m * math.tan(self._half_angle_rad)])
            axes.fill_between([0, stop_m], -edge_m, edge_m, color=CONE, linewidth=0)
            for edge in (-edge_m, edge_m):
                axes.plot([0, stop_m], edge, color=SOFT, linewidth=page.pt(1.2))
        axes.plot([0, stop_m], [0, 0], color=SOFT, linewidth=page.fine, dashes=(8, 3, 2, 3))

    def _lay_bench(self, page: Page, axes: Axes, plan: Plan, far_wall_m: float | None) -> None:
        from matplotlib.patches import Rectangle

        # The face is to scale; how deep the housing is, nobody has said.
        transducer = plan.transducer
        face_m = transducer.radius_m if transducer.shape == "piston" else transducer.length_m / 2
        depth_m = 0.02 * self._stop_m
        axes.add_patch(Rectangle((-depth_m, -face_m), depth_m, 2 * face_m, color=INK))
        axes.text(
            0.008,
            0.96,
            "source and\nreceiver",
            fontsize=page.pt(SMALL_PT),
            color=SOFT,
            ha="left",
            va="top",
            transform=axes.transAxes,
        )
        if far_wall_m is not None and far_wall_m < self._stop_m:
            axes.add_patch(
                Rectangle(
                    (far_wall_m, -self._half_height_m),
                    self._stop_m - far_wall_m,
                    2 * self._half_height_m,
                    facecolor="white",
                    edgecolor=SOFT,
                    hatch="////",
                    linewidth=page.fine,
                )
            )

    def show(self, echoes: Sequence[Echo], pointed_range_m: float | None) -> None:
        """Show the newest ping's echoes, and the pointer with the beam's footprint there."""
        half_m = self._half_height_m
        reach_rad = self._half_angle_rad if has_cone(self._half_angle_rad) else math.pi / 2
        arcs = []
        for echo in echoes:
            # Only as much of the arc as the sketch holds, so that it stays smooth.
            held_rad = math.asin(min(1.0, half_m / max(echo.range_m, half_m)))
            angle_rad = np.linspace(-1, 1, 65) * min(reach_rad, held_rad)
            arcs.append(np.column_stack([np.cos(angle_rad), np.sin(angle_rad)]) * echo.range_m)
        self._arcs.set(segments=arcs, visible=True)
        self._dots.set(data=([e.range_m for e in echoes], [0.0] * len(echoes)), visible=True)
        if pointed_range_m is None:
            return
        self._pointer.set(xdata=[pointed_range_m] * 2, visible=True)
        if has_cone(self._half_angle_rad) and pointed_range_m > 0:
            self._show_footprint(pointed_range_m)

    def _show_footprint(self, range_m: float) -> None:
        across_m = float(footprint_diameter_m(range_m, self._half_angle_rad))
        shown_m = min(across_m / 2, self._half_height_m)
        self._footprint.set(data=([range_m] * 2, [-shown_m, shown_m]), visible=True)
        to_the_left = range_m > 0.6 * self._stop_m
        shift_m = 0.012 * self._stop_m * (-1 if to_the_left else 1)
        self._footprint_label.set(
            text=f"footprint {length_text(across_m)} across",
            x=range_m + shift_m,
            y=-0.94 * self._half_height_m,
            ha="right" if to_the_left else "left",
            visible=True,
        )
