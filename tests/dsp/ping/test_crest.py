"""Where a first sound stands that a bounce overlaps: each ping's noise must not choose the place.

The sounds are made by turning a pulse's spectrum, with no code of the receiver.
"""

import math

import numpy as np
import pytest
from scipy.stats import chi2
from short_chirp import PULSE, RATE_HZ, rms_for

from dsp.ping.first_sound.arrivals import first_arrival
from dsp.ping.pulse.compression import PulseCompressor

BLOCK, LENGTH, FIRST_S = 6000, 1 << 14, 0.012
COMPRESS = PulseCompressor(PULSE, BLOCK, weighting="hann")
SPECTRUM = np.fft.rfft(PULSE.samples.astype(float), LENGTH)
TURNED = -2j * np.pi * np.fft.rfftfreq(LENGTH, 1 / RATE_HZ)


def heard(behind_s: float, share: float, rms: float, seed: int) -> tuple[float, float]:
    """Return where two paths' sound is placed in noise of its own, and what that moves it by."""
    ways = np.exp(TURNED * FIRST_S) * (1 + share * np.exp(TURNED * behind_s))
    block = np.fft.irfft(SPECTRUM * 0.1 * ways, LENGTH)[:BLOCK]
    block += rms * np.random.default_rng(seed).standard_normal(BLOCK)
    envelope = COMPRESS.from_time_zero(COMPRESS.band_spectrum(block.astype(np.float32)), 0.0)
    first = first_arrival(envelope, COMPRESS.shape)
    assert first is not None
    return first.delay_s, math.sqrt(first.u_delay_s**2 - first.u_pull_s**2)


@pytest.mark.parametrize(
    ("behind_s", "share_db", "sign", "snr_db"),
    [(7.6e-5, -5.5, 1, 57.0), (1.2e-4, -8.0, -1, 50.0), (1.5e-4, -5.0, -1, 57.0)],
)
def test_a_first_sound_with_a_bounce_in_its_lobe_stands_in_one_place_whatever_the_noise(
    behind_s: float, share_db: float, sign: int, snr_db: float
) -> None:
    # A bounce 0.6 to 1.2 of c/2B behind, which some noise shows and some hides. About their mean
    # 24 places scatter by what noise moves them by: chi-square with 23 degrees passes
    # its ends by chance one time in 1e4.
    share, rms = sign * 10 ** (share_db / 20), rms_for(0.1, snr_db)
    place, u = np.array([heard(behind_s, share, rms, seed) for seed in range(24)]).T
    chi_square = float(np.sum(((place - place.mean()) / u) ** 2))
    low, high = chi2.ppf([5e-5, 1 - 5e-5], place.size - 1)
    assert low < chi_square < high
