"""Two histories side by side over the same axes: as heard, and with one thing changed."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dsp.uncertainty import stated
from rig.bench.plan import Plan
from rig.measure.what_if.history import WhatIf
from rig.measure.what_if.words import CANNOT_KNOW
from rig.run.receiver import Receiver
from rig.run.results import PingResult
from rig.run.run import HISTORY_PINGS, Run
from rig.show.pictures.bench_picture import FEWEST_ROWS
from rig.show.pictures.ink import strength_colours
from rig.show.pictures.page import (
    MAIN_PT,
    MARGIN,
    SMALL_LINE,
    SMALL_PT,
    SOFT,
    Page,
    measure,
)
from rig.show.pictures.scales import (
    RangeColumns,
    RangeScale,
    decibels,
    range_scale,
    round_ticks,
    strength_limits_db,
)
from rig.show.wording import has_cone, pulse_text, signed, tick_texts, title_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap
    from matplotlib.figure import Figure

_TOP, _FOOT, _LEFT, _BETWEEN, _RIGHT = 132, 152, 84, 40, 24
_MOST_LABELS, _LABEL_HEIGHT = 4, 24


def draw_what_if(figure: Figure, run: Run, found: WhatIf, *, note: str = "") -> None:
    """Draw on an empty figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    run : Run
        As heard.
    found : WhatIf
        The forecast from it.
    note : str
        Put beside the title: where the pings come from, or what a key does.
    """
    page = Page(figure)
    # What passes is smeared where pings are added up.
    heard = [dataclasses.replace(r, profile=r.alone) for r in run.results[-HISTORY_PINGS:]]
    pings = max(heard[-1].index - heard[0].index + 1, FEWEST_ROWS)
    heard_scale, then_scale = range_scale(run.receiver), range_scale(found.run.receiver)
    low_db, high_db = strength_limits_db(heard, heard_scale)
    limits_db = (low_db, max(high_db, strength_limits_db(found.run.results, then_scale)[1]))
    height = page.height - _TOP - _FOOT
    width = (page.width - _LEFT - _BETWEEN - _RIGHT) / 2
    _lay_title(page, run, note)
    sides = (
        ("As heard", run.receiver, heard_scale, heard),
        (f"What if: {found.change}", found.run.receiver, then_scale, found.run.results),
    )
    for side, (name, receiver, scale, pinged) in enumerate(sides):
        left = _LEFT + side * (width + _BETWEEN)
        panel = _Panel(page, left, width, height, pings, run.plan.timing.ping_interval_s)
        panel.caption(name, receiver)
        panel.fill(pinged, scale, limits_db)
        panel.label(found, heard, forecast=bool(side))
    page.text(MARGIN, _TOP + height / 2, "age / s", rotation=90, va="center")
    _lay_strength_bar(page, limits_db)
    _lay_words(page, found)


def _lay_title(page: Page, run: Run, note: str) -> None:
    title = title_text(
        run.plan,
        sound_speed_m_s=run.receiver.sound_speed_m_s,
        pings=len(run.results),
        lost=run.lost_pings,
    )
    page.text(MARGIN, 6, page.fitted(title, page.text_room, size_pt=16.0, bold=True),
              size_pt=16.0, bold=True)  # fmt: skip
    words = f"The newest ping on top; the darker, the stronger. {note}"
    page.text(MARGIN, 34, page.fitted(words, page.text_room))


class _Panel:
    """One history."""

    def __init__(
        self, page: Page, left: float, width: float, height: float, pings: int, interval_s: float
    ) -> None:
        self._page, self._left, self._width = page, left, width
        self._height, self._pings, self._interval_s = height, pings, interval_s
        axes: Axes = page.box(left, _TOP, width, height)
        self._axes = axes
        page.style_ticks(axes, MAIN_PT)
        for spine in axes.spines.values():
            spine.set(linewidth=page.fine, color=SOFT)

    def caption(self, name: str, receiver: Receiver) -> None:
        """Write what the panel shows, and with what beam and pulse, over it."""
        page, plan, half_angle_rad = self._page, receiver.plan, receiver.half_angle_rad
        page.text(self._left, _TOP - 66, page.fitted(name, self._width, bold=True), bold=True)
        cone = "no cone"
        if has_cone(half_angle_rad):
            cone = f"cone ±{math.degrees(half_angle_rad):.1f}° at half power out and back"
        sent = pulse_text(plan).rpartition(", every")[0]
        for line, words in enumerate((sent, f"{_face_text(plan)}: {cone}")):
            fitted = page.fitted(words, self._width * MAIN_PT / SMALL_PT)
            page.text(self._left, _TOP - 43 + line * SMALL_LINE, fitted, size_pt=SMALL_PT)

    def fill(
        self,
        results: Sequence[PingResult],
        scale: RangeScale,
        limits_db: tuple[float, float],
    ) -> None:
        """Draw the pings."""
        page, axes = self._page, self._axes
        columns = max(int(self._width * page.scale), 1)
        together = math.ceil(self._pings / max(int(self._height * page.scale), 1))
        rows = np.full((-(-self._pings // together) * together, columns), np.nan)
        gather: RangeColumns | None = None
        for result in results:
            row = results[-1].index - result.index
            if result.profile is None or row >= self._pings:
                continue
            envelope = result.profile.envelope
            if gather is None:
                ranges = scale.range_m(result.profile.delay_s)
                gather = RangeColumns(ranges, stop_m=scale.stop_m, columns=columns)
                bins = envelope.size
            # A ping that left a little late in its block has a bin or two less.
            part = np.zeros(bins, dtype=np.float64)
            part[: min(bins, envelope.size)] = np.abs(envelope[:bins])
            rows[row] = gather(part)
        bottom_s = (rows.shape[0] - 0.5) * self._interval_s
        axes.imshow(
            decibels(_strongest(rows, together)),
            cmap=_ink(),
            vmin=limits_db[0],
            vmax=limits_db[1],
            aspect="auto",
            interpolation="nearest",
            extent=(0.0, scale.stop_m, bottom_s, -self._interval_s / 2),
        )
        self._hatch_lost([results[-1].index - r.index for r in results if r.lost], scale.stop_m)
        axes.set_ylim((self._pings - 0.5) * self._interval_s, -self._interval_s / 2)
        axes.set_xlim(0.0, scale.stop_m)
        ticks = round_ticks(0.0, scale.stop_m, most=8)
        axes.set_xticks(ticks, labels=tick_texts(ticks))
        ages = round_ticks(0.0, (self._pings - 0.5) * self._interval_s, most=7)
        axes.set_yticks(ages, labels=tick_texts(ages))
        page.text(self._left + self._width / 2, _TOP + self._height + 26, "range / m", ha="center")

    def _hatch_lost(self, rows: Sequence[int], stop_m: float) -> None:
        for row in rows:
            self._axes.fill_between(
                [0, stop_m],
                (row - 0.5) * self._interval_s,
                (row + 0.5) * self._interval_s,
                facecolor="white",
                edgecolor=SOFT,
                hatch="////",
                linewidth=self._page.pt(0.5),
            )

    def label(self, found: WhatIf, results: Sequence[PingResult], *, forecast: bool) -> None:
        """Count the hits beside the tops of a few arches, none over another."""
        page = self._page
        newest_s = results[-1].sent_s
        per_m = self._width / found.run.plan.receiver.range_stop_m
        per_s = self._height / (self._pings * self._interval_s)
        taken: list[tuple[float, float]] = []
        for one in found.passes:
            x = one.closest_range_m * per_m
            y = (newest_s - one.closest_time_s + self._interval_s / 2) * per_s
            words = f"{one.heard_hits} hits"
            if forecast:
                words = f"{one.hits} ± {max(1, round(2 * one.u_hits))} hits"
                words = f"{one.hits} hits, cut off" if one.cut else words
            wide = measure(MAIN_PT)(words)
            # On the near side of the top, where its own arch never comes.
            x -= wide / 2 + 10
            if x - wide / 2 < 2:
                x = one.closest_range_m * per_m + wide / 2 + 10 + 0.1 * self._width
            inside = _LABEL_HEIGHT / 2 < y < self._height - _LABEL_HEIGHT / 2
            free = all(
                abs(y - other_y) > _LABEL_HEIGHT or abs(x - other_x) > 1.2 * wide
                for other_x, other_y in taken
            )
            if not (inside and free) or len(taken) == _MOST_LABELS:
                continue
            taken.append((x, y))
            made = page.text_in(self._axes)
            made.set(
                text=words,
                x=x / per_m,
                y=y / per_s - self._interval_s / 2,
            )


def _face_text(plan: Plan) -> str:
    size_mm = 1e3 * plan.transducer.size_m
    if plan.transducer.shape == "piston":
        return f"Disc of {size_mm:.3g} mm radius"
    return f"Line of {size_mm:.3g} mm"


def _ink() -> Colormap:
    from matplotlib.colors import ListedColormap

    return ListedColormap(strength_colours(), name="strength")


def _strongest(rows: NDArray[np.float64], together: int) -> NDArray[np.float64]:
    """Gather neighbouring pings into lines by their strongest."""
    if together == 1:
        return rows
    return np.asarray(np.fmax.reduce(rows.reshape(-1, together, rows.shape[1]), axis=1))


def _lay_strength_bar(page: Page, limits_db: tuple[float, float]) -> None:
    bar = page.box(_LEFT, page.height - 88, 330, 16)
    bar.imshow(
        np.linspace(0, 1, 256)[np.newaxis], cmap=_ink(), aspect="auto", extent=(*limits_db, 0, 1)
    )
    bar.set_yticks([])
    ticks = round_ticks(*limits_db, most=6)
    bar.set_xticks(ticks, labels=tick_texts(ticks))
    page.style_ticks(bar)
    page.text(_LEFT, page.height - 46, "strength in both / dB re full scale", size_pt=SMALL_PT)


def _lay_words(page: Page, found: WhatIf) -> None:
    """Say what changed in numbers, and what a forecast cannot know."""
    left = _LEFT + 330 + 50
    room = page.width - left - MARGIN
    lines = []
    if found.passes:
        loudest = max(found.passes, key=lambda m: m.heard_peak_db)
        lines = _wrapped(
            f"The strongest pass, at {loudest.closest_range_m:.2f} m: "
            f"{signed(loudest.heard_peak_db)} dB as heard, "
            f"{stated(loudest.peak_db, loudest.u_peak_db)} dB forecast (k = 2). "
            "A hit is a ping that met the target.",
            room,
        )
    known = _wrapped(CANNOT_KNOW, room)
    page.text(left, page.height - 96, "\n".join([*lines, *known][:4]), size_pt=SMALL_PT)


def _wrapped(words: str, room: float) -> list[str]:
    from rig.show.pictures.lettering import wrapped

    return wrapped(words, room, measure(SMALL_PT))
