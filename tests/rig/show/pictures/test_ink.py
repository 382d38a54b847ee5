"""The strength map against CIELAB, grey printing and the three kinds of colour blindness."""

import numpy as np
import pytest

from rig.show.pictures.ink import srgb_from_lab, strength_colours

# sRGB to XYZ, IEC 61966-2-1:1999 as printed there, four digits. The module holds the
# inverse at seven; the two came from different places.
RGB_TO_XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)

# Full loss of one kind of cone, on linear light: G. M. Machado, M. M. Oliveira and
# L. A. F. Fernandes, IEEE TVCG 15, 2009, pp. 1291-1298, severity 1.0; from memory. Each
# row adds up to 1, since grey stays grey.
COLOUR_BLINDNESS = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def light_of(srgb):
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def lab_of(light):
    ratio = light @ RGB_TO_XYZ.T / RGB_TO_XYZ.sum(axis=1)
    f = np.where(
        ratio > (6 / 29) ** 3, np.cbrt(np.maximum(ratio, 0)), ratio * (29 / 6) ** 2 / 3 + 4 / 29
    )
    return np.column_stack(
        [116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])]
    )


# CIELAB of the sRGB primaries under D65 (tables in common use, four digits; from memory).
@pytest.mark.parametrize(
    ("lab", "srgb"),
    [
        ((53.2408, 80.0925, 67.2032), (1, 0, 0)),
        ((87.7347, -86.1827, 83.1793), (0, 1, 0)),
        ((32.2970, 79.1875, -107.8602), (0, 0, 1)),
        ((0, 0, 0), (0, 0, 0)),
    ],
)
def test_cielab_of_the_primaries_turns_into_the_primaries(lab, srgb):
    # Pulled in, so that the rounding to four digits does not leave sRGB: by 0.009 in L*
    # at most, 8e-5 of a cube root and so 2e-4 of the light; the matrix adds up three
    # such, and the curve's foot makes 12.92 times 6e-4 of it, 0.008.
    pulled_in = np.array([lab], dtype=float) * (1 - 1e-4)
    assert srgb_from_lab(pulled_in)[0] == pytest.approx(srgb, abs=0.01)


def test_colour_that_srgb_cannot_show_is_refused():
    with pytest.raises(ValueError, match="less chroma"):
        srgb_from_lab(np.array([[50.0, 120.0, 0.0]]))


def test_map_runs_from_near_white_to_near_black():
    lightness = lab_of(light_of(strength_colours()))[:, 0]
    assert lightness[0] > 95
    assert lightness[-1] < 15


def test_equal_steps_look_equal():
    lab = lab_of(light_of(strength_colours()))
    lightness_step = -np.diff(lab[:, 0])
    difference = np.linalg.norm(np.diff(lab, axis=0), axis=1)
    # The two matrices differ by 5e-5 of the light; a step is 1/255 of a span of 88, and
    # dL*/dY is steepest at the dark end, 903: 903 · 5e-5 · ΔY/Y stays below 1 % of it.
    assert lightness_step == pytest.approx(np.full(255, lightness_step.mean()), rel=0.01)
    assert difference == pytest.approx(np.full(255, difference.mean()), rel=0.01)


def test_map_keeps_to_one_hue():
    lab = lab_of(light_of(strength_colours()))
    ink = lab[np.hypot(lab[:, 1], lab[:, 2]) > 4]
    hue_deg = np.degrees(np.arctan2(ink[:, 2], ink[:, 1])) % 360
    # 5e-5 of light is 0.02 in a* and b* (500 and 200 times a cube root's slope of 1/3 or
    # more in the dark): 0.02/4 rad is 0.3°, and twice that for both ends.
    assert np.ptp(hue_deg) < 1.0
    assert ink.shape[0] > 150


def test_map_prints_in_grey():
    # Luma, ITU-R BT.709: what a grey printer or a video link makes of sRGB.
    luma = strength_colours() @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(luma) < 0).all()


@pytest.mark.parametrize("kind", COLOUR_BLINDNESS)
def test_map_stays_even_without_one_kind_of_cone(kind):
    matrix = np.array(COLOUR_BLINDNESS[kind])
    assert matrix.sum(axis=1) == pytest.approx(np.ones(3), abs=1e-5)
    lightness = lab_of(np.clip(light_of(strength_colours()) @ matrix.T, 0, 1))[:, 0]
    step = -np.diff(lightness)
    # Not exactly even, since the missing cone's share of the blue is passed to others;
    # a quarter off is no step that an eye would take for an edge.
    assert step.min() > 0.75 * step.mean()
    assert step.max() < 1.25 * step.mean()
