"""The compressed chirp against its closed form, and against the facts of the textbook."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.pulses import Pulse, barker13, linear_chirp

START_HZ, STOP_HZ, RATE = 4000.0, 12000.0, 48000.0
BAND_HZ = STOP_HZ - START_HZ


def chirp(duration_s: float) -> Pulse:
    return linear_chirp(START_HZ, STOP_HZ, duration_s, RATE, taper="none")


def shape_of(pulse: Pulse, weighting: str = "none") -> EchoShape:
    return PulseCompressor(pulse, 2 * pulse.samples.size, weighting=weighting).shape


def image(duration_s: float) -> float:
    """Bound on what the negative frequencies add to a compressed chirp, of its peak.

    A sharp end at a frequency f leaves a term of 1/(4πfT) in the product of the pulse
    with its own conjugate, by partial integration; two ends, the worst case added.
    """
    return sum(1 / (4 * math.pi * f * duration_s) for f in (START_HZ, STOP_HZ))


def first_below(level: float, shape: EchoShape) -> float:
    """Lag at which the main lobe first falls below a level, in units of 1/B."""
    lag = np.linspace(0.3, 0.8, 1001)
    magnitude = np.abs(shape.at(lag / BAND_HZ))
    return float(lag[np.argmax(magnitude < level)])


def highest_side_lobe_db(magnitude: NDArray[np.float64]) -> float:
    """Highest value beyond the first dip, dB re the first value."""
    dip = int(np.argmax(np.diff(magnitude) > 0))
    return 20 * math.log10(magnitude[dip:].max() / magnitude[0])


@pytest.mark.parametrize("duration_s", [0.010, 0.050, 0.100])
def test_a_compressed_chirp_is_the_closed_form(duration_s: float) -> None:
    # (1 − τ/T) sinc(Bτ (1 − τ/T)): Klauder et al. 1960 (memory).
    lag = np.linspace(0.0, 0.9 * duration_s, 1801)
    left = 1 - lag / duration_s
    expected = left * np.abs(np.sinc(BAND_HZ * lag * left))
    found = np.abs(shape_of(chirp(duration_s)).at(lag))
    np.testing.assert_allclose(found, expected, atol=image(duration_s))


def test_a_long_chirp_is_0_886_over_b_wide_with_side_lobes_13_db_down() -> None:
    # 0.88589/B and −13.26 dB are those of sinc, the limit of a long pulse.
    duration_s = 0.100
    product = BAND_HZ * duration_s
    shape = shape_of(chirp(duration_s))
    # By the closed form, a pulse of finite length changes the argument at the half
    # power point (0.443) by 0.443/BT and the amplitude there by the same share, over
    # a slope of 1.194 (by hand); the image adds its level over that slope; steps of 5e-4.
    slack = 0.443 / product * (0.443 + 0.7071 / 1.194) + image(duration_s) / 1.194 + 5e-4
    assert first_below(math.sqrt(0.5), shape) == pytest.approx(0.88589 / 2, abs=slack)
    # At the side lobe (1.43/B, 0.217 of the peak) the amplitude falls by 1.43/BT.
    share = 1.43 / product + image(duration_s) / 0.217
    lobe_db = highest_side_lobe_db(np.abs(shape.at(np.linspace(0.0, 2.5, 501) / BAND_HZ)))
    assert lobe_db == pytest.approx(-13.26146, abs=20 * math.log10(1 + share) + 1e-5)


def test_hann_weighting_gives_lower_side_lobes_and_a_wider_peak() -> None:
    # 1.44058/B, −31.47 dB: the Fourier transform of a Hann window (Harris 1978, memory).
    duration_s = 0.100
    product = BAND_HZ * duration_s
    shape = shape_of(chirp(duration_s), "hann")
    # As above with Hann's own numbers: half power at 0.720, where the slope is 0.706 (by
    # hand); the side lobe at 2.36/B, 0.0267 of the peak. The window takes away both
    # ends of the band and with them most of the image, which is left in as a bound.
    slack = 0.720 / product * (0.720 + 0.7071 / 0.706) + image(duration_s) / 0.706 + 5e-4
    assert first_below(math.sqrt(0.5), shape) == pytest.approx(1.44058 / 2, abs=slack)
    share = 2.36 / product + image(duration_s) / 0.0267
    lobe_db = highest_side_lobe_db(np.abs(shape.at(np.linspace(0.0, 4.0, 801) / BAND_HZ)))
    assert lobe_db == pytest.approx(-31.47, abs=20 * math.log10(1 + share) + 5e-3)


def test_hann_weighting_costs_1_761_db() -> None:
    # 10·log10(1.5), the equivalent noise bandwidth of a Hann window (Harris 1978, memory).
    pulse = chirp(0.100)
    plain, weighted = shape_of(pulse), shape_of(pulse, "hann")
    loss_db = 20 * math.log10(weighted.noise_gain / plain.noise_gain)
    # Physics: the limit is of a spectrum flat within the band and nothing outside. The
    # share outside is taken from the pulse itself; its like is missing at the edges
    # within, where the window is small.
    power = np.abs(np.fft.rfft(pulse.samples.astype(np.float64), 65_536)) ** 2
    frequency = np.fft.rfftfreq(65_536, 1 / RATE)
    outside = power[(frequency < START_HZ) | (frequency > STOP_HZ)].sum() / power.sum()
    assert loss_db == pytest.approx(1.761, abs=2 * 10 * math.log10(1 + outside))


def test_a_barker_pulse_keeps_its_22_db_from_one_chip_on() -> None:
    # −22.279 dB (Barker 1953, memory), the code's own at whole chips; in between, the
    # envelope of square chips runs straight from one to the next. Looked at a whole wave
    # apart, where a part of a chip holds whole waves too and no image is left. 5e-4 dB
    # is rounding; the band left out changes 1e-7 of the peak, 1e-5 dB of a side lobe.
    pulse = barker13(16e3, 0.0005, 192e3)
    lag = np.arange(8, 104) / 16e3
    highest = np.abs(shape_of(pulse).at(lag)).max()
    assert 20 * math.log10(highest) == pytest.approx(-22.279, abs=6e-4)
