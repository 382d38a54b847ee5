"""What a stretched code leaves, against a code stretched sample by sample from its formula."""

import numpy as np
import pytest
from scipy.signal import hilbert

from dsp.ping.pulse.pulses import golay_pair
from dsp.ping.pulse.stretched import stretched_lobes

RATE_HZ, CENTRE_HZ, CHIP_S = 48e3, 8e3, 2.5e-4


@pytest.mark.parametrize("share", [0.002, -0.004])
@pytest.mark.parametrize("code", [0, 1])
def test_the_lobes_are_those_of_the_stretched_formula(share: float, code: int) -> None:
    pulse = golay_pair(CENTRE_HZ, CHIP_S, 16, RATE_HZ)[code]
    # Its phase, read off the pulse's own chips; the echo runs (1 + share) times as fast.
    chips = np.sign(pulse.samples[np.arange(16) * 12 + 1])
    t_s = np.arange(-500, pulse.samples.size + 500) / RATE_HZ
    own_s = t_s + share * (t_s - pulse.duration_s / 2)
    inside = (own_s >= 0) & (own_s < 16 * CHIP_S)
    chip = np.clip((own_s / CHIP_S + 1e-9).astype(int), 0, 15)
    echo = np.where(inside, chips[chip] * np.sin(2 * np.pi * CENTRE_HZ * own_s), 0)
    copy = np.concatenate([np.zeros(500), pulse.samples, np.zeros(500)])
    own, other = (
        np.correlate(hilbert(x), np.asarray(pulse.samples, dtype=float), "valid")
        for x in (copy, echo)
    )
    left = np.abs(other - own * (np.vdot(own[500], other[500]) / abs(own[500]) ** 2))
    left /= abs(own[500])
    lag = np.arange(-150, 151, 6)
    told = stretched_lobes(pulse, share, lag / RATE_HZ)
    # The highest within 6 samples, a cell of half of 1/B, to each side.
    highest = [left[500 + k - 6 : 500 + k + 7].max() for k in lag.tolist()]
    # The stretch of the envelope is left out: chips' edges are off by |share| · T/4 on the mean,
    # 4 |share| of one of 16 chips, and where a chip flips the difference is twice its height.
    np.testing.assert_allclose(told, highest, atol=2 * 4 * abs(share))
