"""The strength strip: how strong and how far, now."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rig.run.results import Echo, PingResult
from rig.show.pictures.lettering import printable, wrapped
from rig.show.pictures.page import (
    ACCENT,
    FAINT,
    INK,
    LEFT,
    MAIN_PT,
    SMALL_LINE,
    SMALL_PT,
    SOFT,
    Page,
    measure,
)
from rig.show.pictures.scales import RangeScale, decibels, place_labels, round_ticks
from rig.show.wording import counted, metres_text, tick_texts

_LABEL_ROWS, _LABEL_ROW = 2, 23
_MOST_LABELS = 6


class Strip:
    """The panel in the middle: now."""

    def __init__(self, page: Page, scale: RangeScale, *, top: float, height: float) -> None:
        from matplotlib.collections import LineCollection

        self._page, self._scale, self._height = page, scale, height
        axes = self.axes = page.panel(top, height, stop_m=scale.stop_m, side="dB re full scale")
        self._pointer = page.pointer_in(axes)
        (self._near,) = axes.plot([], [], color=FAINT, linewidth=page.pt(1.4))
        (self._threshold,) = axes.plot([], [], color=SOFT, linewidth=page.pt(1.4), dashes=(6, 3))
        self._leaders = axes.add_collection(LineCollection([], colors=SOFT, linewidths=page.fine))
        (self._trace,) = axes.plot([], [], color=INK, linewidth=page.pt(1.4))
        (self._peaks,) = axes.plot(
            [],
            [],
            "o",
            markersize=page.pt(7),
            markerfacecolor="white",
            markeredgecolor=INK,
            markeredgewidth=page.pt(1.4),
        )
        page.artists += [self._near, self._threshold, self._leaders, self._trace, self._peaks]
        self._labels = [page.text_in(axes, covers=True) for _ in range(_MOST_LABELS)]
        self._blank = page.text_in(axes)
        below = page.caption(
            top,
            "Strength strip: now",
            "How strong, from how far. Echoes rise above the dashes; so may their side "
            "lobes, not listed. Grey: not searched.",
        )
        self._list_lines = int((top + height - below) / SMALL_LINE)
        room = top + height - below
        self.list_box = page.box_in_dots(page.column - 2, below, page.width - page.column, room)
        self._list = page.text(page.column, below + 2, size_pt=SMALL_PT, changes=True)
        self._threshold_label = page.text(
            page.right + 6,
            top,
            "threshold",
            size_pt=SMALL_PT,
            va="center",
            color=SOFT,
            changes=True,
        )

    def set_limits(self, low_db: float, high_db: float) -> None:
        """Set the ends of the strength scale; the labels get room above them."""
        bottom_db = low_db - 0.12 * (high_db - low_db)
        label_room = (_LABEL_ROWS * _LABEL_ROW + 9) / self._height
        self.axes.set_ylim(bottom_db, bottom_db + (high_db - bottom_db) / (1 - label_room))
        ticks = round_ticks(low_db, high_db, most=5)
        self.axes.set_yticks(ticks, labels=tick_texts(ticks))

    def show(
        self,
        newest: PingResult | None,
        echoes: Sequence[Echo],
        pointed_range_m: float | None,
        pointed_echo: Echo | None,
        remarks: str,
        *,
        counts_echoes: bool = True,
    ) -> None:
        """Show the newest ping, or say why there is nothing to show."""
        if pointed_range_m is not None:
            self._pointer.set(xdata=[pointed_range_m] * 2, visible=True)
        if newest is None or newest.profile is None:
            self._show_blank(newest)
            return
        scale = self._scale
        # A profile runs on until the next ping, most often far past the end of the axis.
        shown = int(scale.path_time_s(scale.stop_m) / newest.profile.bin_s) + 2
        range_m = scale.range_m(newest.profile.delay_s[:shown])
        strength_db = decibels(np.abs(newest.profile.envelope[:shown]))
        near = range_m <= scale.start_m
        heard = (range_m >= scale.start_m) & (range_m <= scale.stop_m)
        self._near.set(data=(range_m[near], strength_db[near]), visible=True)
        self._trace.set(data=(range_m[heard], strength_db[heard]), visible=True)
        if newest.threshold_db is not None:
            threshold_db = newest.threshold_db[:shown][heard]
            self._threshold.set(data=(range_m[heard], threshold_db), visible=True)
            self._label_threshold(threshold_db[np.isfinite(threshold_db)])
        added = counted(newest.profile.pings, "ping")
        if newest.moving:
            remarks = f"Moving: no more than {added} added up. {remarks}"
        elif newest.profile.pings > 1:
            remarks = f"{added} added up. {remarks}"
        if newest.clipped:
            remarks = f"Clipped: louder than it reads. {remarks}"
        if counts_echoes:
            self._show_echoes(echoes, pointed_range_m, pointed_echo, remarks)
        else:
            lines = self._page.caption_lines(remarks)[: self._list_lines]
            self._list.set(text="\n".join(lines), visible=True)

    def _show_blank(self, newest: PingResult | None) -> None:
        words = "no ping yet"
        if newest is not None:
            words = printable(f"ping {newest.index} is lost: {newest.reason or 'no reason given'}")
        lines = wrapped(words, self._page.right - LEFT - 40, measure(MAIN_PT))
        left, right = self.axes.get_xlim()
        self._blank.set(
            text="\n".join(lines[:4]),
            x=(left + right) / 2,
            y=sum(self.axes.get_ylim()) / 2,
            visible=True,
        )

    def _label_threshold(self, threshold_db: NDArray[np.float64]) -> None:
        if not threshold_db.size:
            return
        low_db, high_db = self.axes.get_ylim()
        place_db = min(max(float(threshold_db[-1]), low_db), high_db)
        on_page = self._page.figure.transFigure.inverted()
        _, y = on_page.transform(self.axes.transData.transform((0.0, place_db)))
        self._threshold_label.set(y=y, visible=True)

    def _show_echoes(
        self,
        echoes: Sequence[Echo],
        pointed_range_m: float | None,
        pointed_echo: Echo | None,
        remarks: str,
    ) -> None:
        """Ring each echo; label the strongest, that pointed at and the nearest; list the rest."""
        low_db, high_db = self.axes.get_ylim()
        peaks_db = [min(max(e.strength_db, low_db), high_db) for e in echoes]
        self._peaks.set(data=([e.range_m for e in echoes], peaks_db), visible=True)
        ranges = [metres_text(e.range_m, e.u_range_m) for e in echoes]
        left, right = self.axes.get_xlim()
        units_per_m = (self._page.right - LEFT) / (right - left)
        pointed = None if pointed_echo is None else echoes.index(pointed_echo)
        line = None if pointed_range_m is None else (pointed_range_m - left) * units_per_m
        places = place_labels(
            [(e.range_m - left) * units_per_m for e in echoes],
            [measure(MAIN_PT)(f"{text} m") for text in ranges],
            left=4.0,
            right=self._page.right - LEFT - 4.0,
            rows=_LABEL_ROWS,
            gap=8.0,
            most=_MOST_LABELS,
            first=first_labelled(echoes, pointed),
            line=None if line is None else (line, pointed),
        )
        db_per_unit = (high_db - low_db) / self._height
        leaders = []
        for artist, (echo, row, centre) in zip(self._labels, places, strict=False):
            y = high_db - ((_LABEL_ROWS - row - 0.5) * _LABEL_ROW + 2) * db_per_unit
            artist.set(
                text=f"{ranges[echo]} m",
                x=left + centre / units_per_m,
                y=y,
                color=ACCENT if echo == pointed else INK,
                visible=True,
            )
            foot = y - 0.5 * _LABEL_ROW * db_per_unit
            range_m = echoes[echo].range_m
            leaders.append([(range_m, peaks_db[echo]), (range_m, foot)])
        self._leaders.set(segments=leaders, visible=True)
        labelled = {echo for echo, _, _ in places}
        rest = [text for echo, text in enumerate(ranges) if echo not in labelled]
        head = f"{remarks} {len(echoes) or 'No'} echo{'' if len(echoes) == 1 else 'es'}."
        self._list.set(text="\n".join(self._listed(head, rest)), visible=True)

    def _listed(self, head: str, rest: Sequence[str]) -> list[str]:
        """Name as many echoes as there is room for, and count the others."""
        for named in range(len(rest), 0, -1):
            others = len(rest) - named
            more = f" and {others} more" if others else ""
            words = f"{head} Also at {', '.join(rest[:named])} m{more}."
            lines = self._page.caption_lines(words)
            if len(lines) <= self._list_lines:
                return lines
        return self._page.caption_lines(head)[: self._list_lines]


def first_labelled(echoes: Sequence[Echo], pointed: int | None) -> list[int]:
    """Return the echoes to label before all others: the strongest, then the one pointed at."""
    # An edge time tells no strength; then none is the strongest.
    told = [i for i, echo in enumerate(echoes) if not math.isnan(echo.strength_db)]
    first = [max(told, key=lambda i: echoes[i].strength_db)] if told else []
    return first if pointed is None or pointed in first else [*first, pointed]
