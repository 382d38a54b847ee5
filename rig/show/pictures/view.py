"""One view of the bench, to scale: its pair of faces, its cone, and what echoes tell of it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.bench.plan import Plan
from rig.run.results import Echo, Side
from rig.show.pictures.lettering import wrapped
from rig.show.pictures.page import ACCENT, CONE, INK, SMALL_LINE, SMALL_PT, SOFT, Page, measure
from rig.show.pictures.panel import Box
from rig.show.pictures.scales import round_ticks
from rig.show.wording import length_text, tick_texts

if TYPE_CHECKING:
    from matplotlib.collections import LineCollection
    from matplotlib.lines import Line2D
    from matplotlib.patheffects import AbstractPathEffect

_CORNER = 14.0
_BETWEEN = 6.0
"""Between two numbers of a row, at the least."""

_PLAIN = {"facecolor": "white", "edgecolor": "none", "pad": 0.5}

_MARK = 7
"""Half of what a cross covers of the page."""

_INFERRED = (0, (4.0, 2.2))
"""The stroke of what is inferred; what really stands there has an unbroken one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Looking:
    """From where the bench is looked at.

    Attributes
    ----------
    axis : int
        Which of a place's numbers the view shows beside the range: 1 across, 2 up.
    words : str
        Said in the view.
    side : str
        Name of that axis.
    less, more : str
        Where things are that lie beyond its low and its high end.
    """

    axis: int
    words: str
    side: str
    less: str
    more: str


SIDE = Looking(axis=2, words="from the side", side="height", less="below", more="above")
ABOVE = Looking(axis=1, words="from above", side="across", less="to the right", more="to the left")
# A pair that is turned to look down has what was above it ahead.
SIDE_DOWN = Looking(axis=2, words="from the side", side="forward", less="behind", more="ahead")
ABOVE_DOWN = Looking(
    axis=1, words="from behind", side="across", less="to the right", more="to the left"
)


def held_m(box: Box, *, stop_m: float, down: bool) -> float:
    """Return how far to either side of the axis a view in a box reaches, to scale."""
    return 1.04 * stop_m * box.depth(down=down) / box.length(down=down) / 2


class View:
    """A panel of the sketch.

    From the side the pair stands as one at zero, and all places of one range lie on a
    circle about it. From above it stands apart, and they lie on an ellipse about both.

    Parameters
    ----------
    page : Page
    box : Box
    looking : Looking
    plan : Plan
    stop_m : float
        The range axis ends there.
    down : bool
        Whether it runs down the page.
    in_cm : bool
        Whether lengths beside the range are told in centimetres.

    Attributes
    ----------
    named : list of tuple of float
        Left, top, right, bottom on the page of what is written over walls, where no other
        name may stand.
    """

    def __init__(
        self,
        page: Page,
        box: Box,
        looking: Looking,
        plan: Plan,
        *,
        stop_m: float,
        down: bool,
        in_cm: bool,
    ) -> None:
        from matplotlib.collections import LineCollection

        self._page, self._plan, self.looking = page, plan, looking
        half_m = self.half_m = held_m(box, stop_m=stop_m, down=down)
        unit, per_m = ("cm", 100.0) if in_cm else ("m", 1.0)
        panel = self.panel = page.panel(
            box, stop_m=stop_m, down=down, side=f"{looking.side} / {unit}"
        )
        # What is to the left stands on the left, or on top.
        leftwards = down and looking.axis == 1
        panel.set_values(*((half_m, -half_m) if leftwards else (-half_m, half_m)))
        most = max(2, min(5, int(box.depth(down=down) / (40 if down else 26))))
        # A number under a view's corner would run into the next panel's.
        reach_m = half_m - _CORNER / panel.units_per_m if down else half_m
        ticks = round_ticks(-reach_m * per_m, reach_m * per_m, most=most)
        if len(ticks) < 3:
            # The middle and both ends of a finer scale, which a narrow view has room for.
            finer = round_ticks(-reach_m * per_m, reach_m * per_m, most=5)
            ticks = [finer[0], 0.0, finer[-1]]
        apart = (ticks[1] - ticks[0]) / per_m * panel.units_per_m
        width = [measure(SMALL_PT)(text) for text in tick_texts(ticks)]
        if down and apart < max(map(sum, itertools.pairwise(width))) / 2 + _BETWEEN:
            ticks = [ticks[0], ticks[-1]]  # the axis is drawn, and is zero
        panel.set_value_ticks([t / per_m for t in ticks], tick_texts(ticks))
        self._stop_m = stop_m
        self._slopes: tuple[float, float] | None = None
        self.named: list[tuple[float, float, float, float]] = []
        self._apart_m = plan.geometry.baseline_m / 2 if looking.axis == 1 else 0.0
        self._tells_sides = looking.axis == 1 and plan.geometry.second is not None
        self._lay_axis()
        self._pointer = page.pointer_in(panel)
        (self._footprint,) = panel.axes.plot(
            [], [], color=ACCENT, linewidth=page.pt(3.5), solid_capstyle="butt"
        )
        self._arcs = panel.axes.add_collection(
            LineCollection([], colors=INK, linewidths=page.pt(1.4), linestyles=[_INFERRED])
        )
        # Edges of a cone that has turned away from the one that was laid.
        self._turned = panel.axes.add_collection(
            LineCollection([], colors=INK, linewidths=page.pt(1.6))
        )
        page.artists += [self._turned, self._footprint, self._arcs]
        self._covers: LineCollection | None = None
        self._crosses: Line2D | None = None
        self._beyond: Line2D | None = None

    def lay_places(self) -> None:
        """Make what shows where echoes with an angle stand, over all that was made before."""
        from matplotlib.collections import LineCollection
        from matplotlib.patheffects import withStroke

        page, axes = self._page, self.panel.axes
        halo: list[AbstractPathEffect] = [withStroke(linewidth=page.pt(4.5), foreground="white")]
        covers = self._covers = LineCollection([], colors=INK, linewidths=page.pt(1.8))
        axes.add_collection(covers)
        how: dict[str, Any] = {"color": INK, "linestyle": "none"}
        (self._crosses,) = axes.plot(
            [], [], marker="+", markersize=page.pt(9), markeredgewidth=page.pt(1.8), **how
        )
        (self._beyond,) = axes.plot(
            [],
            [],
            marker="o",
            markersize=page.pt(8),
            markeredgewidth=page.pt(2.0),
            markerfacecolor="white",
            **how,
        )
        covers.set_path_effects(halo)
        self._crosses.set_path_effects(halo)
        page.artists += [covers, self._crosses, self._beyond]

    def _lay_axis(self) -> None:
        from matplotlib.patches import Rectangle

        page, panel = self._page, self.panel
        panel.axes.plot(
            *panel.xy([0, self._stop_m], [0, 0]),
            color=SOFT,
            linewidth=page.fine,
            dashes=(8, 3, 2, 3),
        )
        # The face is to scale; how deep the housing is, nobody has said.
        transducer = self._plan.transducer
        face_m = transducer.radius_m if transducer.shape == "piston" else transducer.length_m / 2
        depth_m = 0.02 * self._stop_m

        def lay_face(middle_m: float, inside: str) -> None:
            corner, other = panel.points([-depth_m, 0.0], [middle_m - face_m, middle_m + face_m])
            panel.axes.add_patch(
                Rectangle(
                    tuple(corner),
                    *(other - corner),
                    facecolor=inside,
                    edgecolor=INK,
                    linewidth=page.pt(1.4),
                )
            )

        for middle_m in sorted({-self._apart_m, self._apart_m}):
            lay_face(middle_m, INK)
        if self._tells_sides:
            # The first receiver stands on the side to which angles grow.
            lay_face(self._apart_m + self._plan.geometry.second_spacing_m, "white")

    def say(self, pair: str) -> None:
        """Write from where one looks, and what the pair is, clear of what lies under it."""
        page, box, down = self._page, self.panel.box, self.panel.down
        words = self.looking.words
        if down:
            page.text(box.left + 1, box.top - 22, words, size_pt=SMALL_PT, color=SOFT)
        else:
            low = box.bottom - 4
            page.text(
                box.left + 6, low, words, size_pt=SMALL_PT, color=SOFT, va="bottom", bbox=_PLAIN
            )
        if pair:
            page.text(box.left + 6, box.top + 5, pair, size_pt=SMALL_PT, color=SOFT, bbox=_PLAIN)

    def lay_cone(self, low_rad: float, high_rad: float) -> None:
        """Shade what lies between two angles from the axis; ±π/2 where there is no edge."""
        panel, stop_m, half_m = self.panel, self._stop_m, self.half_m
        range_m = np.array([0.0, stop_m])
        # So steep an edge is none; the panel cuts it off anyway.
        low, high = (max(min(a, _STEEPEST), -_STEEPEST) for a in (low_rad, high_rad))
        if max(abs(low), abs(high)) < _STEEPEST:
            self._slopes = math.tan(low), math.tan(high)
        edges = [range_m * math.tan(angle) for angle in (low, high)]
        if min(abs(low), abs(high)) >= _STEEPEST:
            panel.shade(range_m, -half_m, half_m, color=CONE, linewidth=0)
            return
        panel.shade(range_m, *edges, color=CONE, linewidth=0)
        for edge in edges:
            panel.axes.plot(*panel.xy(range_m, edge), color=SOFT, linewidth=self._page.pt(1.2))

    def show_turned(self, low_rad: float, high_rad: float) -> None:
        """Draw the edges of a cone as it is now, over the one that was laid."""
        range_m = np.array([0.0, self._stop_m])
        edges = [
            self.panel.points(range_m, range_m * math.tan(max(min(a, _STEEPEST), -_STEEPEST)))
            for a in (low_rad, high_rad)
        ]
        self._turned.set(segments=edges, visible=True)

    def lay_wall(self, wall_m: float) -> None:
        """Hatch what lies behind the bench's far end."""
        self._hatch([wall_m, self._stop_m], [-self.half_m, self.half_m])

    def lay_sides(self, low_m: float, high_m: float, *, heard: tuple[float, float]) -> None:
        """Hatch what lies behind the walls beside the axis, and name them.

        Parameters
        ----------
        low_m, high_m : float
            Where they stand.
        heard : tuple of float
            How much of the sound each sends back: one beyond the view is named only if it
            can be heard.
        """
        along_m = [self.panel.first_m, self._stop_m]
        for wall_m, sign, reflection in zip((low_m, high_m), (-1, 1), heard, strict=True):
            edge_m = sign * self.half_m
            if abs(wall_m) < self.half_m:
                self._hatch(along_m, sorted((wall_m, edge_m)))
                self._name_side("wall", sign)
            elif reflection:
                beyond = self.looking.more if sign > 0 else self.looking.less
                beyond = beyond.removeprefix("to the ")
                far = length_text(float(f"{abs(wall_m):.2g}"))
                self._name_side(f"wall {far} {beyond}", sign)

    def _name_side(self, words: str, sign: int) -> None:
        """Write at a view's edge, at its far end."""
        page, box, width = self._page, self.panel.box, measure(SMALL_PT)
        lines = [words]
        if self.panel.down:
            lines = wrapped(words, box.width / 2 - 10, width)
        wide, high = max(map(width, lines)), SMALL_LINE * len(lines)
        # What is to the left stands on the left, and what is ahead of a pair that looks down on
        # the right; else what is above, or to the left, stands on top.
        at_right = sign > 0 if self.looking.axis != 1 else sign < 0
        left = box.right - 6 - wide
        top = box.top + 4 if sign > 0 else box.bottom - 4 - high
        if self.panel.down:
            left, top = left if at_right else box.left + 6, box.bottom - 4 - high
        page.text(left, top, "\n".join(lines), size_pt=SMALL_PT, color=SOFT, bbox=_PLAIN)
        self.named.append((left, top, left + wide, top + high))

    def _hatch(self, along_m: Sequence[float], beside_m: Sequence[float]) -> None:
        from matplotlib.patches import Rectangle

        corner, other = self.panel.points(along_m, beside_m)
        self.panel.axes.add_patch(
            Rectangle(
                tuple(corner),
                *(other - corner),
                facecolor="white",
                edgecolor=SOFT,
                hatch="////",
                linewidth=self._page.fine,
            )
        )

    def show_echoes(self, echoes: Sequence[Echo]) -> list[tuple[float, float, float, float]]:
        """Draw where some echoes came from: on an arc, or at a place where an angle is told.

        From the side an echo whose angle across is known lies anywhere on the arc that goes
        through its place: how high it stands is not known.

        Returns
        -------
        list of tuple of float
            What the places cover of the page: left, top, right, bottom.
        """
        arcs, covers, places = [], [], []
        for echo in echoes:
            side = echo.side
            if side is None or not math.isfinite(side.angle_rad):
                arcs.append(self._arc(echo.range_m))
            elif not self._tells_sides:
                arcs.append(self._arc(echo.range_m * math.cos(side.angle_rad)))
            else:
                covers.append(self._cover(echo, side))
                angles = side.possible_rad or (side.angle_rad,)
                places += [self._at(echo.range_m, angle_rad) for angle_rad in angles]
        self._arcs.set(segments=arcs, visible=True)
        if self._covers is None or self._crosses is None or self._beyond is None:
            return []
        self._covers.set(segments=covers, visible=True)
        ahead_m, across_m = np.array(places).reshape(-1, 2).T
        held = np.abs(across_m) <= self.half_m
        self._crosses.set(data=self.panel.xy(ahead_m[held], across_m[held]), visible=True)
        # Within the panel, as nothing outside of it is drawn anew.
        edge_m = np.copysign(self.half_m - _MARK / self.panel.units_per_m, across_m[~held])
        self._beyond.set(data=self.panel.xy(ahead_m[~held], edge_m), visible=True)
        marked_m = np.clip(across_m, -self.half_m, self.half_m)
        pages = [self.panel.on_page(*m) for m in zip(ahead_m, marked_m, strict=True)]
        return [(x - _MARK, y - _MARK, x + _MARK, y + _MARK) for x, y in pages]

    def _arc(self, range_m: float) -> NDArray[np.float64]:
        """Return all places of one range, as far as the view holds them."""
        beside_m = math.hypot(range_m, self._apart_m)
        # Only as much of the arc as the view holds, so that it stays smooth.
        held_rad = math.asin(min(1.0, self.half_m / max(beside_m, self.half_m)))
        angle_rad = np.linspace(-held_rad, held_rad, 65)
        return self.panel.points(range_m * np.cos(angle_rad), beside_m * np.sin(angle_rad))

    def _at(self, range_m: float, angle_rad: float) -> tuple[float, float]:
        """Return how far ahead and across a place is, on the ellipse about both faces."""
        # The range is that of a target on the axis; aside, the same path reaches further.
        path_m = 2 * math.hypot(range_m, self._apart_m)
        flattened = (2 * self._apart_m / path_m * math.sin(angle_rad)) ** 2
        away_m = range_m / math.sqrt(1 - flattened)
        return away_m * math.cos(angle_rad), away_m * math.sin(angle_rad)

    def _cover(self, echo: Echo, side: Side) -> NDArray[np.float64]:
        """Return the line around what covers an echo's place: with k = 2, an ellipse on its arc."""
        places = []
        for turn in np.linspace(0, 2 * math.pi, 49).tolist():
            range_m = echo.range_m + 2 * echo.u_range_m * math.cos(turn)
            end_rad = side.high_rad if turn < math.pi else side.low_rad
            angle_rad = side.angle_rad + (end_rad - side.angle_rad) * abs(math.sin(turn))
            places.append(self._at(max(range_m, 0.0), angle_rad))
        ahead_m, across_m = np.array(places).T
        return self.panel.points(ahead_m, across_m)

    def footprint_m(self, range_m: float) -> float | None:
        """Return how wide the cone is at a range; None where there is none."""
        if self._slopes is None or range_m <= 0:
            return None
        return range_m * (self._slopes[1] - self._slopes[0])

    def point_at(self, range_m: float) -> None:
        """Drop the pointer's line, and show how wide the cone is there."""
        self.panel.move_line(self._pointer, range_m)
        if self._slopes is not None and range_m > 0:
            low, high = (range_m * slope for slope in self._slopes)
            ends = max(low, -self.half_m), min(high, self.half_m)
            self._footprint.set(data=self.panel.xy([range_m] * 2, ends), visible=True)


_STEEPEST = math.radians(89.0)
