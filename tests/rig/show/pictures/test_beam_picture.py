"""What the drawing of a beam says and where it puts it."""

from __future__ import annotations

import dataclasses
import math
import pathlib
from typing import Any

import numpy as np
import pytest
from scipy.special import j1

from dsp.history.beam_fits import BeamSweep, fit_beam
from dsp.history.pair_beams import BeamSetting
from rig.measure.beam.measurement import BeamMeasurement
from rig.show.pictures.beam_picture import BeamPicture, result_text, title_text
from rig.show.pictures.saving import save_drawn


def a_beam(*, radius_m: float = 0.02, shape: str = "piston", cautions: Any = ()) -> BeamMeasurement:
    """A pass at 1 m, of levels made here."""
    rng = np.random.default_rng(1)
    place = np.linspace(-0.3, 0.3, 41)
    range_m = np.hypot(place, 1.0)
    x = 2 * math.pi * 40e3 / 343.2 * radius_m * place / range_m
    pattern = 2 * j1(x) / np.where(x == 0, 1, x)
    seen = np.where(x == 0, 1, pattern) ** 2 / range_m**2 + 0.01 * rng.standard_normal(41)
    found = seen > 0.055
    sweep = BeamSweep(
        place=place,
        amplitude=np.where(found, seen, np.nan),
        noise=np.full(41, 0.01),
        threshold=np.full(41, 0.055),
        range_m=np.where(found, range_m, np.nan),
        u_range_m=np.where(found, 2e-4, np.nan),
    )
    setting = BeamSetting(
        shape=shape,
        sound_speed_m_s=343.2,
        frequency_hz=np.array([40e3]),
        share=np.array([1.0]),
        absorption_db_m=np.array([0.0]),
    )
    fit = fit_beam(sweep, setting)
    return BeamMeasurement(
        fit=fit,
        other=None,
        setting=setting,
        moved="pass",
        u_half_power_rad=fit.u_half_power_rad,
        u_tilt_rad=fit.u_tilt_rad,
        u_size_m=fit.u_size_m,
        u_closest_m=fit.u_closest_m,
        terms=(("noise", fit.u_half_power_rad),),
        closest_time_s=2.0,
        planned_size_m=radius_m,
        pings=41,
        echoes=int(found.sum()),
        missing=int((~found).sum()),
        left_out=0,
        cautions=tuple(cautions),
    )


def drawn(beam: BeamMeasurement, size: tuple[float, float] = (12.8, 7.2), note: str = "") -> Any:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=size, dpi=100)
    FigureCanvasAgg(figure)
    picture = BeamPicture(figure, beam, note=note)
    figure.draw_without_rendering()  # all is placed, and nothing painted
    return figure, picture


def words_of(figure: Any) -> str:
    return "\n".join(t.get_text() for t in figure.texts)


def test_curves_pass_through_half_power_where_the_title_says() -> None:
    beam = a_beam()
    _, picture = drawn(beam)
    levels = picture.panels[0]
    by_name = {line.get_label(): line for line in levels.get_lines()}
    half_deg = math.degrees(beam.fit.half_power_rad)
    # The fitted disc, and the line that is as wide, meet at −3.01 dB; drawn in steps of
    # 17°/400, over which a level changes by less than 0.05 dB.
    curves = [line for name, line in by_name.items() if "fitted" in name or "line" in name]
    assert len(curves) == 2
    for line in curves:
        angle, level = line.get_data()
        assert np.interp(half_deg, angle, level) == pytest.approx(-3.0103, abs=0.05)
    assert f"{half_deg:.2f}"[:4] in title_text(beam)


def test_measured_points_stand_at_their_angles_and_missing_ones_at_their_limit() -> None:
    beam = a_beam()
    _, picture = drawn(beam)
    (bars,) = picture.panels[0].containers
    angle, level = bars.lines[0].get_data()
    found = np.isfinite(beam.fit.level_db)
    np.testing.assert_allclose(angle, np.degrees(beam.fit.angle_rad[found]))
    np.testing.assert_allclose(level, beam.fit.level_db[found])
    (gaps,) = (line for line in picture.panels[0].get_lines() if "no echo" in str(line.get_label()))
    assert gaps.get_xdata().size == beam.missing == np.count_nonzero(~found)


def test_a_higher_frequency_is_drawn_narrower() -> None:
    _, picture = drawn(a_beam())
    widths = []
    for line in picture.panels[2].get_lines():
        if "kHz" in str(line.get_label()):
            angle, level = line.get_data()
            widths.append(np.ptp(angle[level > -3.0]))
    assert len(widths) == 3
    # sin θ goes as 1/f: half each time, a little less for the wide one; steps of 0.05°.
    assert widths[0] / widths[1] == pytest.approx(2.0, rel=0.05)
    assert widths[1] / widths[2] == pytest.approx(2.0, rel=0.05)


def test_the_footprint_is_to_scale() -> None:
    _, picture = drawn(a_beam())
    axes = picture.panels[1]
    box = axes.get_window_extent()
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    assert box.width / (right - left) == pytest.approx(box.height / (high - low), rel=1e-6)


def test_near_field_is_hatched_for_a_disc_and_not_for_a_line() -> None:
    for shape, hatched in (("piston", True), ("line", False)):
        _, picture = drawn(a_beam(shape=shape))
        found = any(patch.get_hatch() for patch in picture.panels[1].patches)
        assert found is hatched


@pytest.mark.parametrize("size", [(12.8, 7.2), (19.2, 10.8), (25.6, 7.2)])
@pytest.mark.parametrize("radius_m", [0.012, 0.03])
def test_no_words_leave_the_page_or_meet(size: tuple[float, float], radius_m: float) -> None:
    long_cautions = ["near field: " + "a long caution that goes on and on " * 8] * 3
    figure, picture = drawn(
        a_beam(radius_m=radius_m, cautions=long_cautions), size, note="a long note " * 40
    )
    texts = [t for t in figure.texts if t.get_text()]
    boxes = [t.get_window_extent() for t in texts]
    boxes += [a.get_legend().get_window_extent() for a in picture.panels if a.get_legend()]
    width, height = figure.bbox.width, figure.bbox.height
    for box in boxes:
        assert box.x0 >= 0
        assert box.x1 <= width
        assert box.y0 >= 0
        assert box.y1 <= height
    for i, one in enumerate(boxes):
        for other in boxes[i + 1 :]:
            # Boxes of text include a line's leading, of a dot or two.
            overlap_x = min(one.x1, other.x1) - max(one.x0, other.x0)
            overlap_y = min(one.y1, other.y1) - max(one.y0, other.y0)
            assert min(overlap_x, overlap_y) < 3


def test_cautions_are_on_the_picture_and_more_than_two_are_counted() -> None:
    figure, _ = drawn(a_beam(cautions=["first", "second", "third"]))
    words = words_of(figure)
    assert "Caution: first" in words
    assert "(and 1 more)" in words
    calm, _ = drawn(a_beam())
    assert "agree with such a beam" in words_of(calm)


def test_the_result_line_gives_both_uncertainties_and_the_plan() -> None:
    beam = a_beam()
    words = result_text(beam)
    assert "plan: 20 mm" in words
    assert words.count("±") == 3
    wide = dataclasses.replace(beam, fit=dataclasses.replace(beam.fit, half_power_rad=math.pi / 2))
    assert "half power nowhere" in title_text(wide)
    figure, _ = drawn(wide)
    assert "half power nowhere" in words_of(figure)


def test_ink_alone_is_used_so_that_grey_printing_loses_nothing(tmp_path: pathlib.Path) -> None:
    from matplotlib.image import imread

    path = tmp_path / "beam.png"
    save_drawn(path, lambda figure: BeamPicture(figure, a_beam()))
    pixels = imread(path)[..., :3]
    assert pixels.shape[:2] == (720, 1280)
    # One hue family: nowhere is red above blue by more than a rounding, and no colour is far
    # from grey (ink's own #0b1d33 spans 0.16).
    assert float((pixels[..., 0] - pixels[..., 2]).max()) < 0.02
    assert float(np.ptp(pixels, axis=-1).max()) < 0.2


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_a_picture_is_written_in_each_kind(tmp_path: pathlib.Path, suffix: str) -> None:
    path = tmp_path / f"beam{suffix}"
    save_drawn(path, lambda figure: BeamPicture(figure, a_beam(), note="made in a test"))
    assert path.read_bytes()[:4] in (b"\x89PNG", b"<?xm", b"%PDF")
