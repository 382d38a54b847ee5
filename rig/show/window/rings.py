"""The ring around the body that was chosen, in each view of the bench."""

from __future__ import annotations

from rig.show.pictures.bench_picture import BenchPicture
from rig.show.pictures.page import ACCENT
from rig.show.window.hands import Seen
from rig.tank.truth import TrueBody

_LEAST_PX = 22


def views_of(picture: BenchPicture) -> tuple[Seen, ...]:
    """Return the drawings of a picture in which bodies stand where they are; none if covered."""
    if len(picture.views) < 2:
        return ()
    return tuple(
        Seen(axes=view.panel.axes, across=view.looking.axis, down=view.panel.down)
        for view in picture.views
    )


class Rings:
    """A ring in each view.

    Parameters
    ----------
    picture : BenchPicture
        Whose changing artists they join.
    views : sequence of Seen
    """

    def __init__(self, picture: BenchPicture, views: tuple[Seen, ...]) -> None:
        self._views = views
        self._dots_per_pt = picture.panels[0].figure.dpi / 72
        self._lines = []
        for view in views:
            (line,) = view.axes.plot(
                [],
                [],
                "o",
                fillstyle="none",
                color=ACCENT,
                markersize=1,
                markeredgewidth=2.5 * picture.dots_per_unit * 100 / picture.panels[0].figure.dpi,
                visible=False,
                zorder=10 + len(picture.artists),
            )
            picture.artists.append(line)
            self._lines.append(line)

    def show(self, body: TrueBody | None) -> None:
        """Show where a body is; None shows no ring."""
        for view, line in zip(self._views, self._lines, strict=True):
            if body is None:
                line.set_visible(False)
                continue
            centre = body.centre_m
            along, across = centre[0], centre[view.across]
            x, y = (across, along) if view.down else (along, across)
            (low_x, _), (high_x, _) = view.dots((0.0, 0.0, 0.0)), view.dots((1.0, 1.0, 1.0))
            across_px = abs(high_x - low_x) * max(body.size_m)
            line.set(
                data=([x], [y]),
                markersize=max(1.4 * across_px, _LEAST_PX) / self._dots_per_pt,
                visible=True,
            )
