"""Where a first sound stands that a bounce overlaps: each ping's noise must not choose the place.

The sounds are made by turning a pulse's spectrum, with no code of the receiver.
"""

import numpy as np
from scipy.stats import chi2
from short_chirp import PULSE, RATE_HZ, rms_for

from dsp.ping.first_sound.arrivals import first_arrival
from dsp.ping.pulse.compression import PulseCompressor

BLOCK, LENGTH, FIRST_S = 6000, 1 << 14, 0.012
COMPRESS = PulseCompressor(PULSE, BLOCK, weighting="hann")
SPECTRUM = np.fft.rfft(PULSE.samples.astype(float), LENGTH)
TURNED = -2j * np.pi * np.fft.rfftfreq(LENGTH, 1 / RATE_HZ)


def heard(behind_s: float, share: float, rms: float, seed: int) -> tuple[float, float]:
    """Return where two paths' sound is placed, and how surely, in noise of its own."""
    ways = np.exp(TURNED * FIRST_S) * (1 + share * np.exp(TURNED * behind_s))
    block = np.fft.irfft(SPECTRUM * 0.1 * ways, LENGTH)[:BLOCK]
    block += rms * np.random.default_rng(seed).standard_normal(BLOCK)
    envelope = COMPRESS.from_time_zero(COMPRESS.band_spectrum(block.astype(np.float32)), 0.0)
    first = first_arrival(envelope, COMPRESS.shape)
    assert first is not None
    return first.delay_s, first.u_delay_s


def test_a_first_sound_with_a_bounce_in_its_lobe_stands_in_one_place_whatever_the_noise() -> None:
    # A bounce 5.5 dB down and 0.6 of c/2B behind: in some noise found as two, in some as one, and
    # so 16 us apart at 0.1 us. About their mean 24 places scatter by their own u: chi-square
    # with 23 degrees passes its ends by chance one time in 1e4; u must not be too large either.
    rms = rms_for(0.1, 57.0)
    told = [heard(7.6e-5, 10 ** (-5.5 / 20), rms, seed) for seed in range(24)]
    place, u = np.array(told).T
    chi_square = float(np.sum(((place - place.mean()) / u) ** 2))
    low, high = chi2.ppf([5e-5, 1 - 5e-5], place.size - 1)
    assert low < chi_square < high
