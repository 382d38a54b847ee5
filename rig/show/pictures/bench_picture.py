"""The one drawing of the bench: for the window, the file and the report.

Three panels stand over one range axis, read as cause, now, past: from the top down, or
from left to right where the pair looks down and the axis with it. The bench sketch shows
where the beam reaches, and what really stands there if that is known; the strength strip
how strong and how far the newest ping's echoes are; the history what came back before.
The pointer drops one line through all three.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from rig.bench.capture import StreamInfo
from rig.run.results import Echo, PingResult
from rig.run.run import HISTORY_PINGS, Run
from rig.show.pictures.angles import Angles
from rig.show.pictures.history import AddedDb, History
from rig.show.pictures.page import (
    ACCENT,
    INK,
    MAIN_PT,
    MARGIN,
    SOFT,
    TITLE_PT,
    Page,
    measure,
)
from rig.show.pictures.places import FOOT, TOP, places
from rig.show.pictures.scales import range_scale, round_ticks, strength_limits_db
from rig.show.pictures.sketch import LEAST_BESIDE_PLACES, LEAST_SHARE, Sketch, view_shares
from rig.show.pictures.strip import Strip
from rig.show.wording import (
    counted,
    device_text,
    front_end_text,
    pointer_text,
    pulse_text,
    tick_texts,
    time_zero_text,
    title_text,
)

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FEWEST_ROWS = 24
"""A history of fewer pings keeps rows of this height and leaves the rest blank."""


class BenchPicture:
    """The drawing, laid out once on a figure and then shown ping after ping.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Empty; its present size sets the size of all that is on it.
    run : Run
        Whose pings are shown: the plan, the stream, the sound speed with which delays
        were turned into ranges, the cone, and where the bench ends are its own.
    note : str
        One line at the foot, such as where the pings come from.
    history_pings : int
        Rows of the history.
    covered : bool
        Whether what really stands in a made-up scene is kept from the reader.
    looks : {"along", "down"}, optional
        How the range axis runs; as the plan says, if not given.
    ping : int
        The newest that is shown: of scenes that follow each other, that ping's is laid.
    angles : bool
        Whether a strip below the history shows how far aside echoes came from: of a bench
        with two receivers.

    Attributes
    ----------
    artists : list of matplotlib artists
        Those that change from ping to ping, in the order in which to draw them.
    dots_per_unit : float
        Dots of the figure to one of a 1280 × 720 picture.
    panels : tuple of matplotlib axes
        Bench sketch, strength strip and history, then the sketch's second view if it has
        one, then the angles where they are asked for; x is range in metres, or y where the
        pair looks down.
    views : tuple of View
        Of the sketch: two where it shows what really stands there.
    times : Ticks
        The times of flight, by the ranges that they belong to.
    scaled_axes : tuple of matplotlib axes
        Those whose ticks change with the strength scale; nothing else of the page does.
    """

    def __init__(
        self,
        figure: Figure,
        run: Run,
        *,
        note: str = "",
        history_pings: int = 120,
        covered: bool = False,
        looks: str | None = None,
        ping: int = 0,
        angles: bool = False,
    ) -> None:
        self._plan = plan = run.plan
        self._scale = scale = range_scale(run.receiver)
        self._limits_db: tuple[float, float] | None = None
        history_pings = max(history_pings, 1)
        truth = None if covered else run.origin.truth
        page = self._page = Page(figure)
        tells_sides = plan.geometry.second is not None
        down = (looks or plan.geometry.looks) == "down"
        least = LEAST_BESIDE_PLACES if tells_sides and not down else LEAST_SHARE
        self._places = places(
            page,
            down=down,
            shares=(
                (1.0,) if truth is None else view_shares(truth, ping, history_pings, least=least)
            ),
            wide=tells_sides,
            has_angles=angles,
        )
        self._lay_words(run.info, note)
        self._sketch = Sketch(page, run, scale, self._places, ping, covered=covered)
        self._strip = Strip(page, scale, self._places)
        self._history = History(
            page,
            scale,
            self._places,
            pings=history_pings,
            interval_s=plan.timing.ping_interval_s,
        )
        self._angles: Angles | None = None
        if self._places.angles is not None:
            self._angles = Angles(
                page,
                self._places.angles,
                run.receiver,
                stop_m=scale.stop_m,
                down=self._places.down,
                pings=history_pings,
            )
        first, *others = self.views = tuple(self._sketch.views)
        three = first.panel, self._strip.panel, self._history.panel
        last = () if self._angles is None else (self._angles.panel,)
        self._laid = (*three, *(view.panel for view in others), *last)
        self.panels: tuple[Axes, ...] = tuple(panel.axes for panel in self._laid)
        self.scaled_axes: tuple[Axes, ...] = (self._strip.panel.axes, self._history.bar)
        self._lay_range_axes()
        self.dots_per_unit = page.scale
        self.artists: list[Artist] = page.artists
        # One order, whether all is drawn or only what changes: the pointer lies under
        # the trace and the words, but over the history's ink.
        for order, artist in enumerate(self.artists):
            artist.set(zorder=10 + order, visible=False)

    def fits(self, ping: int) -> bool:
        """Whether the bench as it is laid is still that into which a ping was sent."""
        return self._sketch.fits(ping)

    def _lay_words(self, info: StreamInfo, note: str) -> None:
        page = self._page
        self._title = page.text(MARGIN, 6, size_pt=TITLE_PT, bold=True, changes=True)
        sent = f"{pulse_text(self._plan)} · {front_end_text(info)}: "
        room = page.text_room - measure(MAIN_PT)(sent)
        page.text(MARGIN, 34, sent + page.fitted(device_text(info), room))
        self._foot = page.text(MARGIN, page.height - 52, changes=True)
        page.text(MARGIN, page.height - 26, page.fitted(note, page.text_room))

    def _lay_range_axes(self) -> None:
        page, scale, down = self._page, self._scale, self._places.down
        sketch, strip, history = self._laid[:3]
        ticks = round_ticks(0.0, scale.stop_m, most=11)
        lowest = history if self._angles is None else self._angles.panel
        # Ranges on one side and times on the other.
        first, last = (sketch, lowest) if down else (lowest, sketch)
        ranges = page.ticks(first.axes, "left" if down else "bottom", MAIN_PT)
        ranges.set(ticks, tick_texts(ticks))
        for panel in (strip, history):
            panel.line_at(scale.start_m, color=SOFT, linewidth=page.fine, dashes=(2, 4))
        first_s, last_s = scale.path_time_s([0.0, scale.stop_m])
        unit, per_s = ("ms", 1e3) if last_s > 2e-3 else ("µs", 1e6)
        times = round_ticks(first_s * per_s, last_s * per_s, most=11)
        # A tick at the direct sound's own time may miss zero by a rounding.
        places_m = np.nan_to_num(scale.range_m(np.array(times) / per_s)).tolist()
        self.times = page.ticks(last.axes, "right" if down else "top", MAIN_PT)
        self.times.set(places_m, tick_texts(times))
        name = f"time of flight, out and back / {unit}"
        if down:
            middle = (history.box.top + history.box.bottom) / 2
            page.text(MARGIN, middle, "range / m", rotation=90, va="center")
            page.text(page.right + 64, middle, name, rotation=90, va="center")
            for words, panel in (("cause", sketch), ("now", strip), ("past", history)):
                page.text(panel.box.left, panel.box.top - 46, words, bold=True)
        else:
            # Before the first number: behind the last one captions may come down as far.
            # From near the page's edge on, so that it ends before "0.00" begins.
            page.text(6, page.height - FOOT + 6, "range / m")
            page.text(page.right + 34, TOP - 29, name)

    def set_over_range(self, added_db: AddedDb) -> None:
        """Ink the history with a gain over range; no number is touched by it.

        Parameters
        ----------
        added_db : callable
            From the ranges of the history's columns, and where the axis ends, to what is added
            to each, in dB.
        """
        self._history.set_over_range(added_db)

    def range_at(self, axes: Axes, x: float, y: float) -> float | None:
        """Return the range at a place in one of :attr:`panels`, by its own x and y."""
        if axes not in self.panels:
            return None
        return float(y if self._places.down else x)

    def show(
        self,
        results: Sequence[PingResult],
        *,
        pointed_range_m: float | None = None,
        limits_db: tuple[float, float] | None = None,
        counts: tuple[int, int] | None = None,
        status: str = "",
        remarks: str = "",
        left_out: int = 0,
        message: str = "",
        names_echoes: bool = True,
    ) -> bool:
        """Show the last of `results` as now and all of them as history.

        Parameters
        ----------
        results : sequence of PingResult
            Oldest first; may be empty.
        pointed_range_m : float or None
            Where to drop the line through all three panels.
        limits_db : tuple of float or None
            Ends of the strength scale; None takes them from `results`.
        counts : tuple of int or None
            Pings and lost pings of the whole run; None counts `results`.
        status : str
            Put before the title, such as that the picture is paused.
        remarks : str
            Put beside the strength strip: what was done to the pings.
        left_out : int
            Pings that were due and not worked out, since the machine is too slow.
        message : str
            Put at the foot in place of what stands there.
        names_echoes : bool
            False leaves the echoes to the reader: none is pointed at, labelled or counted.

        Returns
        -------
        bool
            Whether a scale changed, so that all must be drawn anew and not only
            :attr:`artists`.
        """
        limits_db = limits_db or strength_limits_db(results, self._scale)
        rescaled = limits_db != self._limits_db
        if rescaled:
            self._limits_db = limits_db
            self._strip.set_limits(*limits_db)
            self._history.set_limits(*limits_db)
        for artist in self.artists:
            artist.set_visible(False)
        pings, lost = counts or (len(results), sum(r.lost for r in results))
        newest = results[-1] if results else None
        echoes = newest.echoes if newest is not None and names_echoes else ()
        self._show_title(status, pings, lost)
        self._sketch.show(results, echoes, pointed_range_m)
        pointed_echo = self._echo_at(pointed_range_m, echoes)
        self._strip.show(
            newest,
            echoes,
            pointed_range_m,
            pointed_echo,
            remarks,
            counts_echoes=names_echoes,
        )
        self._history.show(results, pointed_range_m, left_out)
        if self._angles is not None:
            self._angles.show(results if names_echoes else (), echoes, pointed_range_m)
        self._show_foot(newest, pointed_range_m, pointed_echo, message, left_out)
        return rescaled

    def _echo_at(self, range_m: float | None, echoes: Sequence[Echo]) -> Echo | None:
        if range_m is None:
            return None
        # As near as the line's own width makes the eye take the two for one.
        within_m = 0.005 * self._scale.stop_m
        near = [e for e in echoes if abs(e.range_m - range_m) <= within_m]
        return min(near, key=lambda e: abs(e.range_m - range_m), default=None)

    def _show_title(self, status: str, pings: int, lost: int) -> None:
        speed_m_s = self._scale.sound_speed_m_s
        title = title_text(self._plan, sound_speed_m_s=speed_m_s, pings=pings, lost=lost)
        words = f"{status} · {title}" if status else title
        page = self._page
        fitted = page.fitted(words, page.text_room, size_pt=TITLE_PT, bold=True)
        self._title.set(text=fitted, visible=True)

    def _show_foot(
        self,
        newest: PingResult | None,
        pointed_range_m: float | None,
        pointed_echo: Echo | None,
        message: str,
        left_out: int,
    ) -> None:
        if message:
            words = message
        elif left_out and pointed_range_m is None:
            words = f"{counted(left_out, 'ping')} left out: this machine is slower than the bench"
        elif pointed_range_m is None:
            words = time_zero_text(self._plan, newest.time_zero if newest is not None else None)
        else:
            path_time_s = float(self._scale.path_time_s(pointed_range_m))
            words = pointer_text(pointed_range_m, pointed_echo, path_time_s=path_time_s)
        self._foot.set(
            text=self._page.fitted(words, self._page.text_room),
            color=INK if message or pointed_range_m is None else ACCENT,
            visible=True,
        )


def draw_picture(
    figure: Figure,
    run: Run,
    results: Sequence[PingResult] | None = None,
    *,
    counts: tuple[int, int] | None = None,
    pointed_range_m: float | None = None,
    note: str = "",
    remarks: str = "",
    left_out: int = 0,
    names_echoes: bool = True,
    covered: bool = False,
    looks: str | None = None,
    angles: bool = False,
) -> None:
    """Draw a run's pings on an empty figure.

    Parameters
    ----------
    figure : Figure
    run : Run
    results : sequence of PingResult, optional
        What is drawn in place of the run's own latest, such as with the background taken
        away; oldest first, the last as now.
    counts, pointed_range_m, remarks, left_out, names_echoes
        As :meth:`BenchPicture.show` has them.
    note, looks, angles
        As :class:`BenchPicture` has them.
    covered
        As there; and what a reader is to find alone is covered where no echo is named.
    """
    if results is None:
        results = run.results[-HISTORY_PINGS:]
        counts = len(run.results), run.lost_pings
    span = results[-1].index - results[0].index + 1 if results else 0
    picture = BenchPicture(
        figure,
        run,
        note=note,
        history_pings=max(span, FEWEST_ROWS),
        covered=covered or not names_echoes,
        looks=looks,
        ping=results[-1].index if results else 0,
        angles=angles,
    )
    picture.show(
        results,
        pointed_range_m=pointed_range_m,
        counts=counts,
        remarks=remarks,
        left_out=left_out,
        names_echoes=names_echoes,
    )
