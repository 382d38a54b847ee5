"""The strength strip: how strong and how far, now."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.run.results import Echo, PingResult
from rig.show.pictures.lettering import printable, wrapped
from rig.show.pictures.page import (
    ACCENT,
    FAINT,
    INK,
    MAIN_PT,
    SMALL_LINE,
    SMALL_PT,
    SOFT,
    Page,
    measure,
)
from rig.show.pictures.places import Places
from rig.show.pictures.scales import RangeScale, decibels, place_labels, round_ticks
from rig.show.wording import counted, metres_text, tick_texts

_MOST_LABELS = 6
_MOST_LATE = 2
_ONE_LINE = 140
_FEWER_TICKS = 90


@dataclass(frozen=True, slots=True, kw_only=True)
class _LabelRows:
    """Where an echo's range is written, beyond the strongest that is drawn.

    Attributes
    ----------
    count : int
        So many labels may stand behind each other.
    depth : float
        Of one, across the range axis, in units of the page.
    length : float
        Of one, along it; 0 for as long as its text.
    gap : float
        Between two.
    """

    count: int
    depth: float
    length: float
    gap: float


_ROWS = _LabelRows(count=2, depth=23, length=0.0, gap=8.0)
_DOWN_ROWS = _LabelRows(count=1, depth=86, length=18.0, gap=2.0)


class Strip:
    """The panel in the middle: now."""

    def __init__(self, page: Page, scale: RangeScale, places: Places) -> None:
        from matplotlib.collections import LineCollection

        self._page, self._scale = page, scale
        box, down = places.strip, places.down
        # A low panel has no room for more; the bar beside the history says the rest.
        side = "strength / dB" if not down and box.height < _ONE_LINE else "dB re full scale"
        panel = self.panel = page.panel(box, stop_m=scale.stop_m, down=down, side=side)
        axes = panel.axes
        self._rows = _DOWN_ROWS if down else _ROWS
        self._pointer = page.pointer_in(panel)
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
        marks = [
            axes.plot(
                [],
                [],
                marker=marker,
                linestyle="",
                markersize=page.pt(size),
                markerfacecolor="white",
                markeredgecolor=INK,
                markeredgewidth=page.pt(1.4),
            )[0]
            # Told from the rings by their shape, in every colour and in none.
            for marker, size in (("X", 11), ("D", 8))
        ]
        self._late, self._untold = marks
        page.artists += [self._near, self._threshold, self._leaders, self._trace, self._peaks]
        page.artists += marks
        self._labels = [page.text_in(axes, covers=True) for _ in range(_MOST_LABELS)]
        self._blank = page.text_in(axes)
        top = places.strip_caption
        below = page.caption(
            top,
            "Strength strip: now",
            "How strong, from how far. Echoes rise above the dashes; so may their side "
            "lobes, not listed. Grey: not searched.",
        )
        self._list_lines = int((places.history_caption - 8 - below) / SMALL_LINE)
        self._list = page.text(page.column, below + 2, size_pt=SMALL_PT, changes=True)
        self._threshold_label = page.text(
            box.right + 6,
            box.top - 4,
            "threshold",
            size_pt=SMALL_PT,
            color=SOFT,
            changes=True,
            ha="center" if down else "left",
            va="bottom" if down else "center",
        )

    def set_limits(self, low_db: float, high_db: float) -> None:
        """Set the ends of the strength scale; the labels get room above them."""
        bottom_db = low_db - 0.12 * (high_db - low_db)
        panel = self.panel
        depth = panel.box.depth(down=panel.down)
        label_room = (self._rows.count * self._rows.depth + 9) / depth
        panel.set_values(bottom_db, bottom_db + (high_db - bottom_db) / (1 - label_room))
        room = depth * (1 - label_room)
        ticks = round_ticks(low_db, high_db, most=5 if room > _FEWER_TICKS else 4)
        panel.set_value_ticks(ticks, tick_texts(ticks))

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
            self.panel.move_line(self._pointer, pointed_range_m)
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
        xy = self.panel.xy
        self._near.set(data=xy(range_m[near], strength_db[near]), visible=True)
        self._trace.set(data=xy(range_m[heard], strength_db[heard]), visible=True)
        if (threshold_db := newest.threshold_db) is not None:
            threshold_db = threshold_db[:shown][heard]
            self._threshold.set(data=xy(range_m[heard], threshold_db), visible=True)
            self._label_threshold(threshold_db[np.isfinite(threshold_db)])
        added = counted(newest.profile.pings, "ping")
        if newest.moving:
            remarks = f"Moving: no more than {added} added up. {remarks}"
        elif newest.profile.pings > 1:
            remarks = f"{added} added up. {remarks}"
        if newest.clipped:
            remarks = f"Clipped: may be louder than it reads. {remarks}"
        if counts_echoes:
            self._show_of_others(newest)
            remarks = f"{remarks} {of_others_text(newest)}".strip()
            self._show_echoes(echoes, pointed_range_m, pointed_echo, remarks)
        else:
            lines = self._page.caption_lines(remarks)[: self._list_lines]
            self._list.set(text="\n".join(lines), visible=True)

    def _show_blank(self, newest: PingResult | None) -> None:
        words = "no ping yet"
        if newest is not None:
            words = printable(f"ping {newest.index} is lost: {newest.reason or 'no reason given'}")
        box = self.panel.box
        lines = wrapped(words, box.width - 40, measure(MAIN_PT))
        middle = self.panel.from_page((box.left + box.right) / 2, (box.top + box.bottom) / 2)
        x, y = self.panel.xy(*middle)
        most = 12 if self.panel.down else 4
        self._blank.set(text="\n".join(lines[:most]), x=x, y=y, visible=True)

    def _label_threshold(self, threshold_db: NDArray[np.float64]) -> None:
        if not threshold_db.size:
            return
        low_db, high_db = self.panel.values
        # At the end where the label stands: the far one, or the near one on top.
        end_db = float(threshold_db[0 if self.panel.down else -1])
        x, y = self.panel.on_page(0.0, min(max(end_db, low_db), high_db))
        page = self._page
        if self.panel.down:
            box, half = self.panel.box, measure(SMALL_PT)("threshold") / 2
            x = min(max(x, box.left + half), box.right - half)
            self._threshold_label.set(x=x / page.width, visible=True)
        else:
            self._threshold_label.set(y=1 - y / page.height, visible=True)

    def _show_of_others(self, newest: PingResult) -> None:
        """Cross what is of a ping before, and put a diamond on what is not told."""
        low_db, high_db = self.panel.values
        late = [(one.seems_m, one.echo.strength_db) for one in newest.late]
        untold = [(echo.range_m, echo.strength_db) for echo in newest.untold]
        for artist, places in ((self._late, late), (self._untold, untold)):
            range_m = [at_m for at_m, _ in places]
            strength_db = [min(max(db, low_db), high_db) for _, db in places]
            artist.set(data=self.panel.xy(range_m, strength_db), visible=bool(places))

    def _show_echoes(
        self,
        echoes: Sequence[Echo],
        pointed_range_m: float | None,
        pointed_echo: Echo | None,
        remarks: str,
    ) -> None:
        """Ring each echo; label the strongest, that pointed at and the nearest; list the rest."""
        panel, rows = self.panel, self._rows
        low_db, high_db = panel.values
        peaks_db = [min(max(e.strength_db, low_db), high_db) for e in echoes]
        self._peaks.set(data=panel.xy([e.range_m for e in echoes], peaks_db), visible=True)
        ranges = [metres_text(e.range_m, e.u_range_m) for e in echoes]
        first_m, units_per_m = panel.first_m, panel.units_per_m
        pointed = None if pointed_echo is None else echoes.index(pointed_echo)
        line = None if pointed_range_m is None else (pointed_range_m - first_m) * units_per_m
        places = place_labels(
            [(e.range_m - first_m) * units_per_m for e in echoes],
            [rows.length or measure(MAIN_PT)(f"{text} m") for text in ranges],
            left=4.0,
            right=panel.box.length(down=panel.down) - 4.0,
            rows=rows.count,
            gap=rows.gap,
            most=_MOST_LABELS,
            first=first_labelled(echoes, pointed),
            line=None if line is None else (line, pointed),
        )
        db_per_unit = (high_db - low_db) / panel.box.depth(down=panel.down)
        leaders = []
        for artist, (echo, row, centre) in zip(self._labels, places, strict=False):
            middle_db = high_db - ((rows.count - row - 0.5) * rows.depth + 2) * db_per_unit
            x, y = panel.xy(first_m + centre / units_per_m, middle_db)
            artist.set(
                text=f"{ranges[echo]} m",
                x=x,
                y=y,
                color=ACCENT if echo == pointed else INK,
                visible=True,
            )
            foot_db = middle_db - 0.5 * rows.depth * db_per_unit
            leaders.append(panel.points([echoes[echo].range_m] * 2, [peaks_db[echo], foot_db]))
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


def of_others_text(newest: PingResult) -> str:
    """Say what the crosses and the diamonds of a strip are; empty without any."""
    words = []
    if newest.late:
        ranges = ", ".join(
            f"{metres_text(one.echo.range_m, one.echo.u_range_m)} m"
            for one in newest.late[:_MOST_LATE]
        )
        rest = len(newest.late) - _MOST_LATE
        more = f" and {rest} more" if rest > 0 else ""
        words.append(f"Crossed: late, of a ping before, from {ranges}{more}.")
    if newest.untold:
        words.append("Diamonds: not told of which ping.")
    return " ".join(words)


def first_labelled(echoes: Sequence[Echo], pointed: int | None) -> list[int]:
    """Return the echoes to label before all others: the strongest, then the one pointed at."""
    # An edge time tells no strength; then none is the strongest.
    told = [i for i, echo in enumerate(echoes) if not math.isnan(echo.strength_db)]
    first = [max(told, key=lambda i: echoes[i].strength_db)] if told else []
    return first if pointed is None or pointed in first else [*first, pointed]
