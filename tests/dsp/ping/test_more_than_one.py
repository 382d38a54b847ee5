"""Two echoes within a lobe are said to be more than one; one echo is not, whatever its pulse."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.peaks import Peak
from dsp.ping.pulse.pulses import linear_chirp
from dsp.ping.search.listing import SECOND_LOBES
from dsp.ping.search.search import found_at

RATE_HZ, BLOCK = 48000.0, 4800
COMPRESS = PulseCompressor(linear_chirp(4e3, 12e3, 0.01, RATE_HZ), BLOCK)
SHAPE = COMPRESS.shape
DIRECT_S, START_S, AT_S = 0.005, 0.008, 0.02


def found(
    *second: tuple[float, complex],
    snr_db: float,
    seed: int,
    colour: complex = 0.0,
    rings: bool = False,
) -> tuple[Peak, ...]:
    """Search a direct sound, and an echo with others some lobes behind it, in white noise.

    A colour is a share of all sounds that comes a third of a lobe behind each. A sender that
    rings is a mass on a spring at 8 kHz with a Q of 2, as is the receiver; the echo is a plate's,
    which goes with the frequency.
    """
    random = np.random.default_rng(seed)
    amplitude, bins = 0.02, COMPRESS.delay_s.size
    sounds = [(DIRECT_S, 0.1), (AT_S, amplitude * np.exp(2j * np.pi * random.random()))]
    sounds += [(AT_S + lobes * SHAPE.width_s, amplitude * gain) for lobes, gain in second]
    sounds += [(delay_s + SHAPE.width_s / 3, colour * gain) for delay_s, gain in sounds]
    frequency = (SHAPE.carrier_hz + SHAPE.offset_hz) / 8e3
    spring = (1 + 2j * (frequency - 1 / frequency)) ** 2
    ringing: Any = 1 / spring if rings else 1.0  # complex, where a shape of our own is real
    sent = replace(SHAPE, weights=SHAPE.weights * ringing)
    echoed = replace(sent, weights=sent.weights * frequency) if rings else sent
    envelope = sum(
        gain * (sent if delay_s < AT_S else echoed).at_bins(delay_s, bins)
        for delay_s, gain in sounds
    )
    # 2E/N0 is twice the peak's power over the noise's, for a matched filter.
    rms = amplitude * np.sqrt(2 / 10 ** (snr_db / 10))
    white = random.normal(size=(2, SHAPE.cycle_bins)) / np.sqrt(2)
    spectrum = np.zeros(SHAPE.cycle_bins, dtype=complex)
    spectrum[SHAPE.band_index] = (
        np.sqrt(np.abs(SHAPE.noise_weights)) * (white[0] + 1j * white[1])[: SHAPE.band_index.size]
    )
    noise = np.fft.ifft(spectrum)
    noise *= rms / np.sqrt(np.mean(np.abs(noise) ** 2))
    envelope = envelope + noise[:bins]
    return found_at(envelope, SHAPE, rates=(1e-6,), start_s=START_S).peaks


@pytest.mark.parametrize("lobes", [0.55, 0.7, 0.85])
@pytest.mark.parametrize("gain", [1.0, 0.4])
def test_two_within_a_lobe_are_more_than_one_or_two(lobes: float, gain: float) -> None:
    # Nearer than half a lobe they look, at some phases, as one body does that sends back more at
    # higher frequencies: no ripple of their spectrum fits into the band.
    random = np.random.default_rng(1)
    for seed in range(12):
        turn = np.exp(2j * np.pi * random.random())
        peaks = found((lobes, gain * turn), snr_db=45, seed=seed)
        near = [p for p in peaks if abs(p.delay_s - AT_S) < 2 * SHAPE.width_s]
        assert near
        for true_s in (AT_S, AT_S + lobes * SHAPE.width_s):
            held = [abs(p.delay_s - true_s) < 3 * np.hypot(p.u_delay_s, p.u_second_s) for p in near]
            # As deep a dip as two of opposite phase make leaves one to be seen, or none.
            assert any(held), (seed, turn)


@pytest.mark.parametrize("snr_db", [20, 30, 45, 60])
@pytest.mark.parametrize("colour", [0.0, 0.5j])
def test_one_echo_is_one_whatever_its_pulse(snr_db: float, colour: complex) -> None:
    for seed in range(25):
        peaks = found(snr_db=snr_db, seed=seed, colour=colour)
        assert peaks
        # Noise alone passes five standard deviations above its mean share, and a hundredth more,
        # in less than 1e-4 (see SURELY): none in 25.
        assert all(p.u_second_s == 0 for p in peaks)


def test_a_plate_before_faces_that_ring_is_one() -> None:
    # The direct sound rings so long that it is taken for two, within a lobe of each other.
    for seed in range(12):
        peaks = found(snr_db=45, seed=seed, rings=True)
        assert peaks
        assert all(p.u_second_s == 0 for p in peaks)


@pytest.mark.parametrize(
    ("lobes", "gain"), [(0.55, 0.85), (0.65, 0.5 + 0.5j), (0.85, 0.85j), (0.85, -0.85)]
)
def test_two_within_a_lobe_show_no_side_lobe_as_an_echo(lobes: float, gain: complex) -> None:
    for seed in range(3):
        peaks = found((lobes, gain), snr_db=52, seed=seed)
        # Each may be off by the other's lobe, and none stands beyond.
        late = [(p.delay_s - AT_S) / SHAPE.width_s for p in peaks]
        assert all(-1 < lag < 1 + lobes for lag in late), late


def test_what_is_added_is_half_a_lobe() -> None:
    (peak,) = found((0.6, 0.5), snr_db=50, seed=3)
    assert peak.u_second_s == pytest.approx(SECOND_LOBES * SHAPE.width_s)
    assert isinstance(SHAPE, EchoShape)


@pytest.mark.parametrize("seed", range(6))
def test_two_that_all_but_cancel_bring_no_echo_where_nothing_is(seed: int) -> None:
    # 0.42 of a lobe apart and opposite: their lobes are heard as far as they reach.
    told = found((0.42, -0.85), snr_db=45.0, seed=seed)
    reach_s = 1.5 * SHAPE.width_s
    assert told
    assert all(abs(peak.delay_s - AT_S) < 2 * reach_s for peak in told)


LAW = np.arange(-2, 2.1, 0.5)
BESIDE_LOBES = np.linspace(-0.3, 1.2, 61)


def left_of(lobes: float, gain: complex) -> float:
    """What of two sounds no one explains, of the first one's energy, whatever its law and delay.

    In a flat band from 4 to 12 kHz, by sums over frequencies: nothing here is of the search.
    """
    hz = np.linspace(4e3, 12e3, 200)
    turn = np.exp(-2j * np.pi * hz * SHAPE.width_s * np.append(BESIDE_LOBES, lobes)[:, np.newaxis])
    two = 1 + gain * turn[-1]
    one = turn[:-1] * ((hz / 8e3) ** LAW[:, np.newaxis])[:, np.newaxis]
    alike = np.abs(one.conj() @ two) ** 2 / np.sum(np.abs(one) ** 2, axis=-1)
    return float((np.sum(np.abs(two) ** 2) - alike.max()) / hz.size)


def test_two_are_seen_where_what_they_leave_stands_out_of_the_noise() -> None:
    random = np.random.default_rng(5)
    missed = drawn = 0
    while drawn < 40:
        lobes, level = random.uniform(0.5, 0.8), 10 ** (-random.uniform(0, 12) / 20)
        gain = level * np.exp(2j * np.pi * random.random())
        # At a risk of 1e-4, with five numbers left, 98.6 % pass where this is 50 or more, by the
        # non-central chi-squared distribution.
        if not 60 < left_of(lobes, gain) * 10**3.6 < 100:
            continue
        drawn += 1
        peaks = found((lobes, gain), snr_db=36, seed=drawn)
        held = [
            any(abs(p.delay_s - s) < 3 * np.hypot(p.u_delay_s, p.u_second_s) for p in peaks)
            for s in (AT_S, AT_S + lobes * SHAPE.width_s)
        ]
        missed += not all(held)
    # One that moves may explain some; at 5 % more than 7 are missed once in a thousand times.
    assert missed <= 7
