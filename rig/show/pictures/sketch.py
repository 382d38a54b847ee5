"""The bench sketch: the cause. What really stands there, where that is known, and what is heard.

An echo tells how far, not where: it is drawn as the arc of all places of its range,
in dashes. Of one that two receivers heard, the place is known as seen from above: a cross,
and the ellipse that covers it. What a made-up scene says is drawn unbroken, from the side
and from above, so that nobody takes one for the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from rig.bench.capture import StreamInfo
from rig.run.results import Echo, PingResult
from rig.run.run import Run
from rig.show.pictures.lettering import wrapped
from rig.show.pictures.page import ACCENT, MAIN_PT, Page, measure
from rig.show.pictures.places import Places
from rig.show.pictures.scales import RangeScale
from rig.show.pictures.standing import Boxed, Standing
from rig.show.pictures.view import ABOVE, ABOVE_DOWN, SIDE, SIDE_DOWN, View, held_m
from rig.show.pictures.ways import Ways
from rig.show.wording import cone_text, has_cone, length_text, no_truth_text
from rig.tank.scene import Scene
from rig.tank.true_beam import TrueBeam, true_beam
from rig.tank.truth import Truth

_LAID = (
    "medium", "transducer", "source_transducer", "receiver_transducer", "walls", "bottom",
)  # fmt: skip
"""What of a scene is laid with the sketch, not shown ping after ping."""

_TOLD_RAD = math.radians(0.1)
"""What a cone is tilted by or believed wrong by at least, to be told of."""

_BESIDE_MARK, _FOOTPRINT_LINE = 10, 22

_IN_CM_M = 0.3
"""A sketch that reaches no farther to either side is told in centimetres."""

LEAST_SHARE = 0.38
"""Of the sketch's room for a view in which little happens."""

LEAST_BESIDE_PLACES = 0.3
"""The same where the other view shows where echoes come from."""


class Sketch:
    """The panel on top, or on the left: the cause.

    Parameters
    ----------
    page : Page
    run : Run
    scale : RangeScale
    places : Places
        With two views where the truth is shown.
    ping : int
        Of scenes that follow each other, the one into which it was sent is laid.
    covered : bool
        What stands there is kept from the reader, whether it is at hand or not.
    """

    def __init__(
        self,
        page: Page,
        run: Run,
        scale: RangeScale,
        places: Places,
        ping: int,
        *,
        covered: bool = False,
    ) -> None:
        plan, truth = run.plan, run.origin.truth
        self._stop_m = scale.stop_m
        shows_truth = len(places.views) > 1
        looks = [SIDE_DOWN, ABOVE_DOWN] if places.down else [SIDE, ABOVE]
        tells_sides = plan.geometry.second is not None
        if tells_sides and not shows_truth:
            looks = looks[1:]
        stop_m, down = scale.stop_m, places.down
        # One unit for both: a thing is not 12 in one view and 0.12 in the other.
        in_cm = max(held_m(box, stop_m=stop_m, down=down) for box in places.views) < _IN_CM_M
        self.views = [
            View(page, box, looking, plan, stop_m=stop_m, down=down, in_cm=in_cm)
            for box, looking in zip(places.views, looks, strict=False)
        ]
        scene = self._scene = None if truth is None else truth.scene_at(ping)
        beam = None if scene is None else true_beam(scene, plan.pulse.centre_hz)
        hears_all_round = scene is not None and beam is None
        # Covered, the cone is what the plan believes; a scene's own may be another.
        shown = beam if shows_truth else None
        half_rad = math.pi / 2 if hears_all_round else run.receiver.half_angle_rad
        self._lay(shown, half_rad, scene, plan.transducer.shape)
        self._run_truth, self._truth = truth, truth if shows_truth else None
        self._centre_hz = plan.pulse.centre_hz
        self._standing = [Standing(page, view) for view in self.views] if shows_truth else []
        self._ways = None if self._truth is None else Ways(self._truth)
        if tells_sides:
            for view in self.views:
                if view.looking.axis == 1:
                    view.lay_places()
        self._footprint_label = page.text_in(self.views[0].panel.axes, color=ACCENT, covers=True)
        if hears_all_round:
            cone = "No cone: the scene names no transducer, so the pair hears all round."
        else:
            cone = self._cone_words(shown, run.receiver.half_angle_rad)
        hidden = truth is not None or (covered and run.info.invented)
        page.caption(
            places.sketch_caption,
            "Bench sketch: cause",
            _meaning(
                run.info, cone, shows_truth=shows_truth, hidden=hidden, tells_sides=tells_sides
            ),
        )

    def fits(self, ping: int) -> bool:
        """Whether what is laid is so still when a ping is sent: all of a scene but its bodies."""
        if self._scene is None or self._run_truth is None:
            return True
        scene = self._run_truth.scene_at(ping)
        return scene is self._scene or all(
            getattr(scene, name) == getattr(self._scene, name) for name in _LAID
        )

    def _cone_words(self, beam: TrueBeam | None, believed_rad: float) -> str:
        half_rad, tilt_rad = believed_rad, 0.0
        if beam is not None:
            half_rad = (beam.high_rad - beam.low_rad) / 2
            tilt_rad = (beam.high_rad + beam.low_rad) / 2
        leaves_at_m = 0.0
        if has_cone(half_rad):
            leaves_at_m = self.views[0].half_m / math.tan(half_rad)
        if abs(tilt_rad) < _TOLD_RAD:
            words = cone_text(half_rad, leaves_at_m=leaves_at_m, stop_m=self._stop_m)
        else:
            ways = ("back", "forward") if self.views[0].panel.down else ("down", "up")
            words = cone_text(half_rad, leaves_at_m=math.inf, stop_m=self._stop_m)
            words = f"{words} Tilted {abs(math.degrees(tilt_rad)):.0f}° {ways[tilt_rad > 0]}."
        if abs(half_rad - believed_rad) > _TOLD_RAD and has_cone(believed_rad):
            words += f" The plan believes ±{math.degrees(believed_rad):.1f}°."
        return words

    def _lay(self, beam: TrueBeam | None, half_rad: float, scene: Scene | None, shape: str) -> None:
        """Lay the pair, its cone and the far wall into each view."""
        wall_m = None if scene is None else scene.far_wall_m
        for view in self.views:
            across = view.looking.axis == 1
            if beam is None:
                # A line stands upright: it sends and hears alike all around itself.
                edge_rad = math.pi / 2 if across and shape == "line" else half_rad
                view.lay_cone(-edge_rad, edge_rad)
            elif across:
                view.lay_cone(-beam.across_rad, beam.across_rad)
            else:
                view.lay_cone(beam.low_rad, beam.high_rad)
            if wall_m is not None and wall_m < self._stop_m:
                view.lay_wall(wall_m)
            if len(self.views) > 1:
                self._lay_sides(view, scene)
        # Two views have their words beside them.
        pair = "source,\nreceiver" if self.views[0].panel.down else "source and\nreceiver"
        for view in self.views:
            view.say(pair if len(self.views) == 1 else "")

    def _lay_sides(self, view: View, scene: Scene | None) -> None:
        walls = None if scene is None else scene.walls
        if walls is not None:
            axis = view.looking.axis
            low_m = -walls.pair_m[axis]
            view.lay_sides(low_m, low_m + walls.size_m[axis], heard=walls.reflections[axis])

    def show(
        self,
        results: Sequence[PingResult],
        echoes: Sequence[Echo],
        pointed_range_m: float | None,
    ) -> None:
        """Show the newest ping's echoes, what stood there, and the pointer with the footprint."""
        taken: list[Boxed] = []
        if pointed_range_m is not None:
            across_m = self.views[0].footprint_m(pointed_range_m)
            if across_m is not None:
                taken.append(self._label_footprint(pointed_range_m, across_m))
            for view in self.views:
                view.point_at(pointed_range_m)
        marked = [view.show_echoes(echoes) for view in self.views]
        if self._truth is not None and self._ways is not None and results:
            bodies = self._truth.bodies_at(results[-1].index)
            # What was heard by a plan before this one has no ping of its own in this truth.
            ways_m = self._ways.of(bodies, [r.index for r in results if r.index >= 0])
            for view, standing, its in zip(self.views, self._standing, marked, strict=True):
                standing.show(bodies, ways_m, [*taken, *view.named, *its])
            self._show_turned(results[-1].index)

    def _show_turned(self, ping: int) -> None:
        """Draw the cone's edges where the pair has turned since it was laid."""
        if self._truth is None or self.fits(ping):
            return
        beam = true_beam(self._truth.scene_at(ping), self._centre_hz)
        if beam is None:
            return
        for view in self.views:
            if view.looking.axis == 1:
                view.show_turned(-beam.across_rad, beam.across_rad)
            else:
                view.show_turned(beam.low_rad, beam.high_rad)

    def _label_footprint(self, range_m: float, across_m: float) -> Boxed:
        """Say how wide the footprint is; return what the words cover of the page."""
        panel = self.views[0].panel
        lines = [f"footprint {length_text(across_m)} across"]
        if panel.down:
            lines = wrapped(lines[0], panel.box.width - 16, measure(MAIN_PT))
        wide, high = max(map(measure(MAIN_PT), lines)), _FOOTPRINT_LINE * len(lines)
        x, y = panel.on_page(range_m, 0.0)
        if panel.down:
            left, top = x - wide / 2, y + _BESIDE_MARK
            if top + high > panel.box.bottom - 2:
                top = y - _BESIDE_MARK - high
        else:
            to_the_left = range_m > 0.6 * self._stop_m
            left = x - _BESIDE_MARK - wide if to_the_left else x + _BESIDE_MARK
            top = panel.box.bottom - 4 - high
        x, y = panel.xy(*panel.from_page(left + wide / 2, top + high / 2))
        self._footprint_label.set(text="\n".join(lines), x=x, y=y, visible=True)
        return left, top, left + wide, top + high


def view_shares(
    truth: Truth, ping: int, pings: int, *, least: float = LEAST_SHARE
) -> tuple[float, float]:
    """Return how much of the sketch's room each view gets: as far as things go in it.

    Parameters
    ----------
    truth : Truth
    ping : int
        The newest that is shown.
    pings : int
        As many as are shown at once.
    least : float
        What a view gets at least.
    """
    reach_m = np.array([1e-3, 1e-3])
    # A window starts with nothing: then what is to come counts.
    first = max(0, ping - pings + 1)
    for at in np.linspace(first, first + pings, 24).astype(int).tolist():
        for body in truth.bodies_at(at):
            for which, axis in enumerate((2, 1)):
                edge_m = abs(body.centre_m[axis]) + body.size_m[axis] / 2
                # What is far outside of any cone gets no more room than what is at its edge.
                edge_m = min(edge_m, 0.7 * body.range_m)
                reach_m[which] = max(reach_m[which], edge_m)
    share = float(np.clip(reach_m[0] / reach_m.sum(), least, 1 - least))
    return share, 1 - share


def _meaning(
    info: StreamInfo, cone: str, *, shows_truth: bool, hidden: bool, tells_sides: bool
) -> str:
    if shows_truth and tells_sides:
        return (
            f"To scale. {cone} White: the second receiver. Grey: what really stands there. "
            "Crosses, in ellipses (k = 2): as both receivers tell. Ring at the edge: beyond."
        )
    if shows_truth:
        return (
            f"To scale. {cone} Black: source and receiver. "
            "Unbroken: what really stands there, and its way. "
            "Dashes: what echoes tell, a range each, anywhere on its arc."
        )
    covered = "What stands there is covered." if hidden else ""
    if tells_sides:
        return (
            f"From above, to scale. {cone} White: the second receiver. Crosses, in ellipses "
            "(k = 2): where echoes come from; how high is not told. Ring: beyond the edge. "
            f"{covered}"
        ).rstrip()
    return (
        f"From the side, to scale. {cone} "
        f"Echoes tell ranges alone: each lies anywhere on its arc. {covered or no_truth_text(info)}"
    )
