"""What really stands in a made-up scene, drawn into a view of the bench."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from rig.show.pictures.page import INK, SMALL_LINE, SMALL_PT, Page, measure
from rig.show.pictures.view import View
from rig.show.wording import length_text
from rig.tank.truth import TrueBody

BODY = "#9aa5b5"
_MOST_LABELS = 8
_LEAST = 2.0
"""Nothing is drawn smaller than this to each side, in units of the page."""

_ARROW, _GAP, _APART = 11.0, 5.0, 16.0
"""Of the page's units: an arrow's head; from a body to its name; from a name to one beside it, two
blanks at the least, or the two would read as one."""

Boxed = tuple[float, float, float, float]
"""Left, top, right, bottom on the page."""


class Standing:
    """The bodies of a scene in one view, to scale, each with its name and its way."""

    def __init__(self, page: Page, view: View) -> None:
        from matplotlib.collections import LineCollection, PolyCollection

        self._page, self._view = page, view
        axes = view.panel.axes
        self._ways = axes.add_collection(LineCollection([], colors=INK, linewidths=page.pt(1.3)))
        self._bodies = axes.add_collection(
            PolyCollection([], facecolors=BODY, edgecolors=INK, linewidths=page.pt(1.6))
        )
        self._arrows = axes.add_collection(PolyCollection([], facecolors=INK, linewidths=0))
        page.artists += [self._ways, self._bodies, self._arrows]
        self._labels = [page.text_in(axes, size_pt=SMALL_PT) for _ in range(_MOST_LABELS)]

    def show(
        self,
        bodies: Sequence[TrueBody],
        ways_m: Mapping[int, NDArray[np.float64]],
        taken: Sequence[Boxed],
    ) -> None:
        """Show where each body is, and the way that it has come.

        Parameters
        ----------
        bodies : sequence of TrueBody
        ways_m : mapping
            By a body's number: where its middle was, shape (pings, 3).
        taken : sequence of Boxed
            Where no name may be written.
        """
        panel, axis, half_m = self._view.panel, self._view.looking.axis, self._view.half_m
        unit_m = 1 / panel.units_per_m
        outlines, arrows, boxes, names, upright = [], [], [], [], []
        for body in bodies:
            along_m, beside_m = body.centre_m[0], body.centre_m[axis]
            outline_m = _outline(body, axis, _LEAST * unit_m)
            if not (body.inside and 0 <= along_m <= panel.stop_m):
                continue
            name = f"{body.words} {length_text(body.size_m[1])}"
            if outline_m[1].min() < half_m and outline_m[1].max() > -half_m:
                outlines.append(panel.points(*outline_m))
            # Of what only reaches in, a sliver is seen, which does not say what it is.
            if abs(beside_m) < half_m:
                arrows += self._heading(body, axis, outline_m)
                boxes.append(self._box(*outline_m))
            else:
                beyond = self._view.looking.more if beside_m > 0 else self._view.looking.less
                name += f",\n{_roughly(abs(beside_m))} {beyond}"
                foot_m = math.copysign(half_m - 1.2 * _ARROW * unit_m, beside_m)
                arrow = along_m, foot_m, 0.0, math.copysign(1.0, beside_m)
                arrows.append(self._arrow(*arrow))
                boxes.append(self._box(np.array([along_m]), np.array([foot_m])))
            names.append(name)
            along, beside = abs(body.velocity_m_s[0]), abs(body.velocity_m_s[axis])
            upright.append(along > beside if panel.down else beside > along)
        self._ways.set(
            segments=[panel.points(way[:, 0], way[:, axis]) for way in ways_m.values()],
            visible=True,
        )
        self._bodies.set(verts=outlines, visible=True)
        self._arrows.set(verts=arrows, visible=True)
        self._name(names, boxes, upright, taken)

    def _box(self, along_m: NDArray[np.float64], beside_m: NDArray[np.float64]) -> Boxed:
        """Return what an outline covers of the page, as far as it lies in the view."""
        panel, half_m = self._view.panel, self._view.half_m
        held_m = np.clip(beside_m, -half_m, half_m)
        one = panel.on_page(float(along_m.min()), float(held_m.min()))
        other = panel.on_page(float(along_m.max()), float(held_m.max()))
        (left, right), (top, bottom) = (sorted(ends) for ends in zip(one, other, strict=True))
        return left, top, right, bottom

    def _heading(
        self,
        body: TrueBody,
        axis: int,
        outline_m: tuple[NDArray[np.float64], NDArray[np.float64]],
    ) -> list[NDArray[np.float64]]:
        """Return the head of an arrow ahead of a body that moves in this view's plane."""
        along, beside = body.velocity_m_s[0], body.velocity_m_s[axis]
        speed = math.hypot(along, beside)
        if speed <= 0.05 * body.speed_m_s or body.speed_m_s == 0:
            return []
        ahead, aside = along / speed, beside / speed
        along_m, beside_m = body.centre_m[0], body.centre_m[axis]
        front_m = float(
            ((outline_m[0] - along_m) * ahead + (outline_m[1] - beside_m) * aside).max()
        )
        clear_m = front_m + 3 / self._view.panel.units_per_m
        return [self._arrow(along_m + clear_m * ahead, beside_m + clear_m * aside, ahead, aside)]

    def _arrow(
        self, along_m: float, beside_m: float, along: float, beside: float
    ) -> NDArray[np.float64]:
        """Return a triangle from a place on, in a direction."""
        length_m = _ARROW / self._view.panel.units_per_m
        ahead = np.array([0.0, 1.0, 0.0]) * length_m
        aside = np.array([-0.45, 0.0, 0.45]) * length_m
        return self._view.panel.points(
            along_m + ahead * along - aside * beside, beside_m + ahead * beside + aside * along
        )

    def _name(
        self,
        names: Sequence[str],
        bodies: Sequence[Boxed],
        upright: Sequence[bool],
        others: Sequence[Boxed],
    ) -> None:
        """Write each name beside its body, where it meets no other; else leave it out.

        Beside the way of what moves up or down the page, over or under the way of all else.
        """
        panel, width = self._view.panel, measure(SMALL_PT)
        box = panel.box
        taken = [*bodies, *others]
        labels = iter(self._labels)
        for name, goes_upright, body in zip(names, upright, bodies, strict=True):
            left, top, right, bottom = body
            lines = name.split("\n")
            wide, high = max(map(width, lines)), (SMALL_LINE - 2) * len(lines)
            x, y = (left + right) / 2, (top + bottom) / 2
            gap = _GAP + _ARROW
            over = [(x, top - _GAP - high / 2), (x, bottom + _GAP + high / 2)]
            beside = [(right + gap + wide / 2, y), (left - gap - wide / 2, y)]
            corners = [(x + dx, y) for _, y in over for dx in (wide / 2, -wide / 2)]
            first, last = (beside, over) if goes_upright else (over, beside)
            for centre_x, centre_y in (*first, *corners, *last):
                place = (
                    centre_x - wide / 2,
                    centre_y - high / 2,
                    centre_x + wide / 2,
                    centre_y + high / 2,
                )
                within = (
                    place[0] > box.left + 2
                    and place[1] > box.top + 2
                    and place[2] < box.right - 2
                    and place[3] < box.bottom - 2
                )
                if within and not any(_meet(place, other) for other in taken):
                    break
            else:
                continue
            label = next(labels, None)
            if label is None:
                return
            taken.append((place[0] - _APART, place[1], place[2] + _APART, place[3]))
            x, y = panel.xy(*panel.from_page(centre_x, centre_y))
            label.set(text=name, x=x, y=y, visible=True)


def _roughly(length_m: float) -> str:
    """Say a length with the two digits that a drawing bears."""
    rounded_m = float(f"{length_m:.2g}")
    return f"{rounded_m:g} m" if rounded_m >= 1 else f"{100 * rounded_m:g} cm"


def _meet(one: Boxed, other: Boxed) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _outline(
    body: TrueBody, axis: int, least_m: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a body's outline along the axis and beside it."""
    along_m: float = body.centre_m[0]
    beside_m: float = body.centre_m[axis]
    deep_m, wide_m = (max(size / 2, least_m) for size in (body.size_m[0], body.size_m[axis]))
    round_ = body.kind in ("sphere", "bubbles") or (body.kind == "cylinder" and axis == 1)
    if round_:
        around = np.linspace(0, 2 * np.pi, 48, endpoint=False)
        return along_m + deep_m * np.cos(around), beside_m + wide_m * np.sin(around)
    ahead, aside = np.array([-1, 1, 1, -1]) * deep_m, np.array([-1, -1, 1, 1]) * wide_m
    if body.kind == "cylinder":
        return along_m + ahead, beside_m + aside
    # A plate stands square to the line from the pair.
    turn = math.atan2(beside_m, along_m)
    return (
        along_m + ahead * math.cos(turn) - aside * math.sin(turn),
        beside_m + ahead * math.sin(turn) + aside * math.cos(turn),
    )
