"""How much later one of two codes came by the same ways, against delays put in by spectra."""

import numpy as np
import pytest

from dsp.ping.pulse.pulses import golay_pair
from dsp.ping.pulse.same_ways import same_ways_apart_s

RATE_HZ, LENGTH = 48_000.0, 1 << 13
CODES = golay_pair(8e3, 2.5e-4, 16, RATE_HZ)
FREQUENCY_HZ = np.fft.rfftfreq(LENGTH, 1 / RATE_HZ)


@pytest.mark.parametrize("later_s", [0.0, 3e-7, -8.1e-6])
def test_what_the_ways_did_to_both_drops_out(later_s: float) -> None:
    """A resonance of Q 4, an echo and a louder bounce: as it is without noise, to a nanosecond."""
    over = np.maximum(FREQUENCY_HZ, 1.0) / 7e3
    turned = -2j * np.pi * FREQUENCY_HZ
    ways = (1 + 1.5 * np.exp(turned * 9e-5) + 0.4 * np.exp(turned * 0.021)) / (
        1 + 4j * (over - 1 / over)
    )
    heard = []
    for code, delay_s in zip(CODES, (0.005, 0.005 + later_s), strict=True):
        sent = np.fft.rfft(code.samples.astype(float), LENGTH)
        heard.append(sent.conj() * sent * ways * np.exp(turned * delay_s))
    found_s = same_ways_apart_s(*heard, FREQUENCY_HZ, near_s=later_s + 2e-6)
    assert abs(found_s - later_s) < 1e-9


def test_of_pulses_that_went_no_same_ways_it_stays_where_it_was_looked_for() -> None:
    # Half a wave apart, as of codes one of which was heard otherwise, neither way is the nearer.
    sent = np.abs(np.fft.rfft(CODES[0].samples.astype(float), LENGTH)) ** 2
    half_a_wave = sent * np.exp(-2j * np.pi * FREQUENCY_HZ / (2 * 8e3))
    assert same_ways_apart_s(sent, half_a_wave, FREQUENCY_HZ, near_s=0.0) == 0.0


def test_noise_moves_it_as_much_as_it_turns_phases() -> None:
    """A slope of phase over frequency, fitted by the weights |A|²|B|² (least squares, textbook)."""
    noise, rms, errors_s = np.random.default_rng(1), 0.05, []
    spectra = [np.fft.rfft(code.samples.astype(float), LENGTH) for code in CODES]
    for _ in range(60):
        heard = [
            sent.conj() * (sent + np.fft.rfft(rms * noise.standard_normal(LENGTH)))
            for sent in spectra
        ]
        errors_s.append(same_ways_apart_s(*heard, FREQUENCY_HZ, near_s=0.0))
    turn = 2 * np.pi * FREQUENCY_HZ
    one, other = (np.abs(sent) ** 2 for sent in spectra)
    # A phase is off by half of the noise's power over the sound's; the two add up.
    u2_phase = LENGTH * rms**2 / 2 * (1 / one + 1 / other)
    u2_s = np.sum(turn**2 * (one * other) ** 2 * u2_phase) / np.sum(turn**2 * one * other) ** 2
    # The mean square of 60 normal errors scatters by √(2/60), 18 %; three times that.
    assert np.mean(np.square(errors_s)) == pytest.approx(u2_s, rel=0.55)
