"""The drawing of a measured beam: levels over angle, footprint over range, other frequencies.

Ink on paper as the bench's own picture: what was measured and fitted is dark and drawn
whole; what theory says is soft and broken.
"""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dsp.history.beam_fits import BeamFit
from dsp.history.pair_beams import far_field_from_m, pair_pattern
from dsp.physics import beams
from dsp.uncertainty import stated
from rig.measure.beam.measurement import BeamMeasurement
from rig.show.pictures.page import (
    CONE,
    FAINT,
    INK,
    MARGIN,
    SMALL_LINE,
    SMALL_PT,
    SOFT,
    TITLE_PT,
    WIDTH,
    Page,
)
from rig.show.pictures.scales import round_ticks
from rig.show.wording import has_cone, signed, tick_texts

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LOWEST_DB = -40.0
"""The levels' scale ends here; two side lobes of a disc, both ways, lie above it."""

OCTAVES = (0.5, 1.0, 2.0)
"""The same face is shown at these multiples of the pulse's frequency."""

_TOP, _FOOT = 126, 182
_LEFT_PANEL, _RIGHT_PANEL = (78, 624), (800, 452)
"""Where each column's panels begin, and how wide they are."""

_DASHES = {0.5: (2, 2), 1.0: None, 2.0: (7, 3)}


class BeamPicture:
    """A measured beam, drawn on a figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Empty; its present size sets the size of all that is on it.
    beam : BeamMeasurement
    note : str
        One line at the foot, such as where the pings come from.

    Attributes
    ----------
    panels : tuple of matplotlib axes
        Levels, footprint, other frequencies.
    """

    def __init__(self, figure: Figure, beam: BeamMeasurement, *, note: str = "") -> None:
        self._page = page = Page(figure)
        self._beam = beam
        page.text(
            MARGIN,
            6,
            page.fitted(title_text(beam), page.text_room, size_pt=TITLE_PT, bold=True),
            size_pt=TITLE_PT,
            bold=True,
        )
        page.text(MARGIN, 36, page.fitted(result_text(beam), page.text_room))
        bottom = page.height - _FOOT
        half = (bottom - _TOP) / 2
        levels = page.box(_LEFT_PANEL[0], _TOP, _LEFT_PANEL[1], bottom - _TOP)
        right, wide = page.width - WIDTH + _RIGHT_PANEL[0], _RIGHT_PANEL[1]
        footprint = page.box(right, _TOP, wide, half - 52)
        others = page.box(right, _TOP + half + 38, wide, half - 38)
        self.panels: tuple[Axes, ...] = (levels, footprint, others)
        for axes in self.panels:
            page.style_ticks(axes)
            for spine in axes.spines.values():
                spine.set(linewidth=page.fine, color=SOFT)
        self._lay_levels(levels)
        self._lay_footprint(footprint, right, wide)
        self._lay_others(others, right, wide, _TOP + half)
        self._lay_foot(note)

    def _head(self, x: float, top: float, name: str, meaning: str, room: float) -> None:
        page = self._page
        page.text(x, top - 46, name, bold=True)
        words = page.fitted(meaning, room, size_pt=SMALL_PT)
        page.text(x, top - 24, words, size_pt=SMALL_PT, color=SOFT)

    def _lay_levels(self, axes: Axes) -> None:
        page, fit, setting = self._page, self._beam.fit, self._beam.setting
        left, wide = _LEFT_PANEL
        self._head(
            left,
            _TOP,
            "Levels over angle",
            "dB re the axis, out and back; bars: standard uncertainty",
            wide,
        )
        reach = _reach_rad(fit)
        _set_angles(page, axes, reach)
        axes.set_ylim(LOWEST_DB, 4.0)
        _set_levels(axes)
        if has_cone(fit.half_power_rad):
            half_deg = math.degrees(fit.half_power_rad)
            axes.axvspan(-half_deg, half_deg, color=CONE, linewidth=0)
            axes.axhline(-3.01, color=SOFT, linewidth=page.fine)
        angle = np.linspace(-reach, reach, 801)
        for words, size_m, shape, how in self._curves():
            one = dataclasses.replace(setting, shape=shape)
            level = _decibels(pair_pattern(one, size_m, angle, fit.closest_m))
            axes.plot(np.degrees(angle), level, label=words, **how)
        found = np.isfinite(fit.level_db)
        shown = np.degrees(fit.angle_rad)
        axes.errorbar(
            shown[found],
            fit.level_db[found],
            yerr=fit.u_level_db[found],
            fmt="o",
            color=INK,
            markersize=page.pt(4.5),
            elinewidth=page.pt(1),
            label=f"measured ({self._beam.echoes})",
            zorder=5,
        )
        if (~found).any():
            axes.plot(
                shown[~found],
                np.clip(fit.limit_db[~found], LOWEST_DB, None),
                "v",
                markerfacecolor="white",
                markeredgecolor=SOFT,
                markersize=page.pt(6),
                label=f"no echo: below this ({self._beam.missing})",
                zorder=5,
            )
        self._legend(axes)

    def _curves(self) -> list[tuple[str, float, str, dict[str, Any]]]:
        """Return what is drawn as a curve: its words, size, shape and look."""
        page, beam, fit = self._page, self._beam, self._beam.fit
        planned = f"theory: {_face_text(fit.shape, beam.planned_size_m)} (plan)"
        curves: list[tuple[str, float, str, dict[str, Any]]] = [
            (
                f"fitted: {_face_text(fit.shape, fit.size_m)}",
                fit.size_m,
                fit.shape,
                {"color": INK, "linewidth": page.pt(2)},
            ),
            (
                planned,
                beam.planned_size_m,
                fit.shape,
                {"color": SOFT, "linewidth": page.pt(1.6), "dashes": (6, 3)},
            ),
        ]
        if has_cone(fit.half_power_rad):
            other = "line" if fit.shape == "piston" else "piston"
            # Both shapes' half-power sines go as wavelength over size.
            unit = math.sin(beams.half_power_half_angle_rad(other, 100.0, 1.0))
            size_m = unit * 100.0 * beam.setting.wavelength_m / math.sin(fit.half_power_rad)
            curves.append(
                (
                    f"theory: {_face_text(other, size_m)}",
                    size_m,
                    other,
                    {"color": SOFT, "linewidth": page.pt(1.3), "dashes": (1.5, 2.5)},
                )
            )
        return curves

    def _legend(self, axes: Axes) -> None:
        # Inside the panel a key could hide a side lobe: it stands under it.
        page = self._page
        handles, labels = axes.get_legend_handles_labels()
        axes.legend(
            handles,
            labels,
            loc="upper left",
            bbox_to_anchor=(-0.02, -0.09),
            ncols=2,
            frameon=False,
            fontsize=page.pt(SMALL_PT),
            labelcolor=INK,
            handlelength=2.6,
            columnspacing=1.2,
            labelspacing=0.25,
            borderaxespad=0.0,
        )

    def _lay_footprint(self, axes: Axes, left: float, wide: float) -> None:
        page, fit, setting = self._page, self._beam.fit, self._beam.setting
        self._head(
            left,
            _TOP,
            "Footprint over range",
            "in metres, to scale; hatched: not yet a cone",
            wide,
        )
        far_m = 1.6 * fit.closest_m
        near_m = self._beam.near_field_m or 0.0
        axes.set_xlim(0.0, far_m)
        if has_cone(fit.half_power_rad):
            edge_m = far_m * math.tan(fit.half_power_rad)
            axes.fill_between([0, far_m], [0, -edge_m], [0, edge_m], color=CONE, linewidth=0)
            for sign in (-1, 1):
                axes.plot([0, far_m], [0, sign * edge_m], color=INK, linewidth=page.pt(1.4))
            across_m = float(beams.footprint_diameter_m(fit.closest_m, fit.half_power_rad))
            at = [fit.closest_m] * 2
            axes.plot(at, [-across_m / 2, across_m / 2], color=INK, linewidth=page.pt(3))
            words = f" {across_m:.2f} m at {fit.closest_m:.2f} m"
            self._words(axes, fit.closest_m, 0.0, words, ha="left")
        else:
            self._words(axes, far_m / 2, 0.0, "no cone: it sends all round")
        # As high as it is wide, to scale, but for a wide cone, which is cut.
        bounds = axes.get_window_extent()
        half_m = far_m * bounds.height / bounds.width / 2
        axes.set_ylim(-half_m, half_m)
        ticks = round_ticks(0.0, far_m, most=7)
        axes.set_xticks(ticks, labels=tick_texts(ticks))
        ticks = round_ticks(-half_m, half_m, most=5)
        axes.set_yticks(ticks, labels=tick_texts(ticks))
        page.text(
            left + wide / 2,
            _TOP + self._height(axes) + 24,
            "range / m",
            ha="center",
            size_pt=SMALL_PT,
        )
        if near_m > 0:
            axes.axvspan(
                0.0, near_m, facecolor="none", edgecolor=SOFT, hatch="////", linewidth=page.fine
            )
            from_m = far_field_from_m(fit.size_m, setting.wavelength_m)
            axes.axvline(from_m, color=SOFT, linewidth=page.fine, dashes=(2, 4))
            words = f" the cone holds from {from_m:.2f} m on"
            self._words(axes, from_m, 0.95 * half_m, words, ha="left", va="top")

    def _lay_others(self, axes: Axes, left: float, wide: float, top: float) -> None:
        page, beam, fit = self._page, self._beam, self._beam.fit
        face = "disc" if fit.shape == "piston" else "line"
        self._head(
            left,
            top + 38,
            f"The same {face} at other frequencies",
            "theory, out and back: higher makes narrower",
            wide,
        )
        centre_hz = beam.setting.sound_speed_m_s / beam.setting.wavelength_m
        widest = _half_rad(fit, beam, OCTAVES[0])
        reach = min(2.2 * widest, math.pi / 2)
        _set_angles(page, axes, reach, most=7)
        axes.set_ylim(LOWEST_DB, 4.0)
        _set_levels(axes, top=False)
        axes.axhline(-3.01, color=SOFT, linewidth=page.fine)
        angle = np.linspace(-reach, reach, 801)
        for octave in OCTAVES:
            wavelength_m = beam.setting.wavelength_m / octave
            level = _decibels(
                np.abs(beams.beam_amplitude(fit.shape, fit.size_m, wavelength_m, angle, ways=2))
            )
            half_deg = math.degrees(_half_rad(fit, beam, octave))
            how: dict[str, Any] = {"color": INK if octave == 1 else SOFT}
            if _DASHES[octave] is not None:
                how["dashes"] = _DASHES[octave]
            axes.plot(
                np.degrees(angle),
                level,
                linewidth=page.pt(2 if octave == 1 else 1.5),
                label=f"{octave * centre_hz / 1e3:.3g} kHz ±{half_deg:.1f}°",
                **how,
            )
        axes.legend(
            loc="upper center",
            bbox_to_anchor=(0.48, -0.2),
            ncols=3,
            frameon=False,
            fontsize=page.pt(SMALL_PT),
            labelcolor=INK,
            handlelength=1.5,
            handletextpad=0.3,
            columnspacing=0.7,
            borderaxespad=0.0,
        )

    def _lay_foot(self, note: str) -> None:
        page, beam = self._page, self._beam
        lines = [f"Caution: {each}" for each in beam.cautions] or [
            "Levels and ranges agree with such a beam within their noise, and the target passed "
            "where the cone holds, on both sides of the axis."
        ]
        if beam.left_out:
            lines.append(f"{beam.left_out} of {beam.pings} pings were lost or clipped.")
        kept = lines[:2]
        if len(lines) > len(kept):
            kept[-1] += f" (and {len(lines) - len(kept)} more)"
        rows = [*kept, note]
        top = page.height - 8 - SMALL_LINE * len(rows)
        for i, line in enumerate(rows):
            words = page.fitted(line, page.text_room, size_pt=SMALL_PT)
            page.text(MARGIN, top + SMALL_LINE * i, words, size_pt=SMALL_PT)

    def _words(self, axes: Axes, x: float, y: float, words: str, **how: Any) -> None:
        from matplotlib.patheffects import withStroke

        made = axes.text(
            x,
            y,
            words,
            fontsize=self._page.pt(SMALL_PT),
            parse_math=False,
            **{"color": INK, "ha": "center", "va": "center", **how},
        )
        made.set_path_effects([withStroke(linewidth=self._page.pt(3), foreground="white")])

    def _height(self, axes: Axes) -> float:
        return float(axes.get_position().height) * self._page.height


def title_text(beam: BeamMeasurement) -> str:
    """Say how wide the beam is."""
    fit = beam.fit
    what = "disc" if fit.shape == "piston" else "line"
    kilohertz = beam.setting.sound_speed_m_s / beam.setting.wavelength_m / 1e3
    if not fit.holds:
        return f"No {what}'s beam at {kilohertz:.3g} kHz: what was heard does not fit one"
    if not has_cone(fit.half_power_rad):
        return f"Beam of a {what} at {kilohertz:.3g} kHz: it falls to half power nowhere"
    half, u = math.degrees(fit.half_power_rad), math.degrees(beam.u_half_power_rad)
    return (
        f"Beam of a {what} at {kilohertz:.3g} kHz: half power, out and back, at "
        f"{stated(half, u)}° off its axis (k = 2)"
    )


def result_text(beam: BeamMeasurement) -> str:
    """Say where the beam points, and how large its face acts."""
    fit = beam.fit
    if not fit.holds:
        return "No angle, size or range is claimed"
    name = "radius" if fit.shape == "piston" else "length"
    tilt, u_tilt = math.degrees(fit.tilt_rad), math.degrees(beam.u_tilt_rad)
    return (
        f"Axis tilted by {stated(tilt, u_tilt)}° · effective {name} "
        f"{stated(1e3 * fit.size_m, 1e3 * beam.u_size_m)} mm (plan: "
        f"{1e3 * beam.planned_size_m:.4g} mm) · target nearest at "
        f"{stated(fit.closest_m, beam.u_closest_m)} m"
    )


def _reach_rad(fit: BeamFit) -> float:
    """Return how far to each side the levels' panel shows."""
    seen = float(np.max(np.abs(fit.angle_rad)))
    return min(max(1.05 * seen, 1.5 * min(fit.half_power_rad, 1.0)), math.pi / 2)


def _half_rad(fit: BeamFit, beam: BeamMeasurement, octave: float) -> float:
    return beams.half_power_half_angle_rad(
        fit.shape, fit.size_m, beam.setting.wavelength_m / octave
    )


def _decibels(pattern: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(20 * np.log10(np.maximum(pattern, 1e-4)))


def _set_angles(page: Page, axes: Axes, reach_rad: float, *, most: int = 9) -> None:
    reach_deg = math.degrees(reach_rad)
    axes.set_xlim(-reach_deg, reach_deg)
    ticks = round_ticks(-reach_deg, reach_deg, most=most)
    axes.set_xticks(ticks, labels=[f"{t}°" for t in tick_texts(ticks)])
    axes.axvline(0.0, color=FAINT, linewidth=page.fine)


def _set_levels(axes: Axes, *, top: bool = True) -> None:
    ticks = [-40.0, -30.0, -20.0, -10.0, -3.0, *([0.0] if top else [])]
    axes.set_yticks(ticks, labels=[signed(t, 0) for t in ticks])


def _face_text(shape: str, size_m: float) -> str:
    if shape == "piston":
        return f"disc, radius {1e3 * size_m:.1f} mm"
    return f"line, length {1e3 * size_m:.1f} mm"
