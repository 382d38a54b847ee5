"""What is taken out of a block before it is compressed, and what is not."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.pulses import Pulse, barker13, golay_pair, linear_chirp, tone_burst
from dsp.ping.samples.beneath_clicks import FOOT, SURELY
from dsp.ping.samples.clearing import Clearing, clicks_in

RATE_HZ, BLOCK = 48000.0, 4800
PULSES = {
    "chirp": linear_chirp(4e3, 12e3, 0.01, RATE_HZ),
    "tone": tone_burst(8e3, 0.002, RATE_HZ),
    "barker": barker13(8e3, 2.5e-4, RATE_HZ),
    "golay": golay_pair(8e3, 2.5e-4, 16, RATE_HZ)[0],
}
RMS = 0.001
Samples = NDArray[np.float32]


def noise(seed: int) -> Samples:
    return np.random.default_rng(seed).normal(0, RMS, BLOCK).astype(np.float32)


def hum(amplitude: float, *, base_hz: float = 50.03) -> NDArray[np.float64]:
    """70 harmonics, each as much weaker as it is higher: to 3.5 kHz, below all pulses' bands."""
    turns = base_hz * np.arange(BLOCK) / RATE_HZ
    order = np.arange(1, 71)[:, np.newaxis]
    return np.asarray(
        (amplitude / order * np.sin(2 * np.pi * order * turns + order**2)).sum(axis=0)
    )


def with_pulse(samples: Samples, pulse: Pulse, amplitude: float, at: int) -> Samples:
    heard = samples.copy()
    heard[at : at + pulse.samples.size] += amplitude * pulse.samples
    return heard


def cleared(pulse: Pulse, samples: Samples) -> tuple[NDArray[np.complex64], bool]:
    """Return the spectrum without what is no sound, and whether anything was."""
    compress = PulseCompressor(pulse, BLOCK)
    spectrum = compress.spectrum(samples)
    clear = Clearing(compress)(samples, spectrum)
    return clear, clear is not spectrum


def without_clicks(samples: Samples, *, longest: int, quiet: int) -> Samples:
    """Return samples with zeros where clicks are; the very samples where there are none."""
    clicks = clicks_in(samples[np.newaxis], longest=longest, quiet=quiet)
    left = samples if clicks.size == 0 else samples.copy()
    left[clicks] = 0
    return left


@pytest.mark.parametrize("name", PULSES)
@pytest.mark.parametrize("direct", [0.0, 0.003, 0.3])
def test_white_noise_and_pulses_stay_as_they_are_to_the_last_bit(name: str, direct: float) -> None:
    # From below the noise of a sample to 50 dB above it; two overlap, one upside down.
    pulse = PULSES[name]
    heard = with_pulse(noise(1), pulse, direct, 300)
    heard = with_pulse(heard, pulse, -direct / 2, 300 + pulse.samples.size // 3)
    heard = with_pulse(heard, pulse, direct / 30, 2500)
    assert not cleared(pulse, heard)[1]


@pytest.mark.parametrize("name", PULSES)
def test_a_room_s_tail_stays_as_it_is(name: str) -> None:
    # 60 dB down within 0.15 s, from 30 dB over the noise on.
    pulse, rng = PULSES[name], np.random.default_rng(2)
    fall = rng.normal(size=BLOCK) * np.exp(-6.9 * np.arange(BLOCK) / (0.15 * RATE_HZ))
    tail = np.convolve(fall, pulse.samples)[:BLOCK]
    heard = noise(2) + (0.03 / tail[:500].std() * tail).astype(np.float32)
    assert not cleared(pulse, heard)[1]


@pytest.mark.parametrize("name", PULSES)
def test_hum_is_taken_out_and_the_pulse_left(name: str) -> None:
    # Nothing is taken away from the band's lower end on: of an echo no more than it has below
    # that, and of the noise's RMS the root of the same share.
    pulse, compress = PULSES[name], PulseCompressor(PULSES[name], BLOCK)
    quiet = with_pulse(noise(3), pulse, 0.05, 2000)
    clear, was_any = cleared(pulse, (quiet + hum(0.2)).astype(np.float32))
    assert was_any
    found = compress.from_time_zero(compress.matched(clear), 0.0)
    alone = compress.from_time_zero(compress.matched(compress.spectrum(quiet)), 0.0)
    left = np.abs(found - alone)
    shape = compress.shape
    taken = shape.carrier_hz + shape.offset_hz < pulse.band_hz[0]
    share = float(shape.weights[taken].sum())
    # Of some 100 cells of Rayleigh's noise hardly any passes four times its RMS: exp(-16).
    assert left.max() < share * 0.05 + 4 * math.sqrt(share) * RMS * shape.noise_gain
    assert np.abs(found).argmax() == np.abs(alone).argmax()


@pytest.mark.parametrize("name", PULSES)
@pytest.mark.parametrize("direct", [0.0, 0.3])
def test_clicks_are_taken_out(name: str, direct: float) -> None:
    pulse = PULSES[name]
    quiet = with_pulse(noise(4), pulse, direct, 300)
    heard = quiet.copy()
    heard[[1500, 1600, 1601, 4100]] += np.array([0.2, -0.05, 0.04, 0.03], dtype=np.float32)
    left = without_clicks(heard, longest=2, quiet=pulse.samples.size // 8)
    changed = np.flatnonzero(left != heard)
    assert changed.tolist() == [1500, 1600, 1601, 4100]
    assert not left[changed].any()


def test_what_lasts_longer_than_a_click_stays() -> None:
    heard = noise(5)
    heard[1000:1007] = 0.1
    assert without_clicks(heard, longest=6, quiet=60) is heard
    assert without_clicks(heard, longest=7, quiet=60) is not heard
    # One 24 apart goes with the first; one with others 60 to both sides is no less short.
    heard[[1030, 1090, 1150]] = 0.1
    left = without_clicks(heard, longest=7, quiet=80)
    assert np.flatnonzero(left != heard).tolist() == [*range(1000, 1007), 1030, 1090, 1150]


@pytest.mark.parametrize("name", PULSES)
def test_clicks_on_a_sound_and_just_beside_it_are_taken_out(name: str) -> None:
    pulse = PULSES[name]
    length = pulse.samples.size
    quiet = with_pulse(noise(6), pulse, 0.05, 2000)
    heard = quiet.copy()
    at = [1995, 2000 + length // 3, 2000 + length // 2, 2003 + length]
    heard[at] = [0.2, -0.2, 0.25, 0.2]
    left = without_clicks(heard, longest=6, quiet=length // 8)
    changed = np.flatnonzero(left != heard)
    assert changed.tolist() == at
    # A third and less of the sound's own is no click, nor is another sound across it.
    heard = with_pulse(quiet, pulse, 0.2, 2000 + length // 2)
    heard[2000 + length // 2] += 0.05
    assert without_clicks(heard, longest=6, quiet=length // 8) is heard


def test_noise_hardly_ever_has_clicks_and_silence_none() -> None:
    # 12 deviations: 4e-33 a sample, of any noise that is normal.
    assert math.erfc(SURELY / math.sqrt(2)) < 1e-32
    assert math.erfc(FOOT / math.sqrt(2)) == pytest.approx(1 / 16000, rel=0.02)
    for seed in range(6, 16):
        heard = noise(seed)
        assert without_clicks(heard, longest=60, quiet=60) is heard
    # Steps of a converter, rarely other than 0, have no spread to stand out of.
    steps = np.zeros(BLOCK, dtype=np.float32)
    steps[::50] = 1 / 32768
    assert without_clicks(steps, longest=60, quiet=60) is steps


@pytest.mark.parametrize("name", PULSES)
def test_beneath_clicks_there_is_what_sounds_there(name: str) -> None:
    # Within a sound, low and high, close together and at its end, where they shift a first fit
    # the most; the one in the quiet tells that there are clicks.
    pulse = PULSES[name]
    length = pulse.samples.size
    quiet = with_pulse(with_pulse(noise(7), pulse, 0.3, 300), pulse, -0.05, 2000)
    heard = quiet.copy()
    at = [299 + length, 2000 + length // 3, 2002 + length // 3, 1998 + length, 4000]
    heard[at] += np.array([0.2, 0.03, -0.06, 0.15, 0.1], dtype=np.float32)
    compress = PulseCompressor(pulse, BLOCK)
    clear, was_any = cleared(pulse, heard)
    assert was_any
    left = np.fft.irfft(clear, compress.fft_samples)[:BLOCK] - quiet
    # There each misses the noise alone that was heard with it, and holds what little the fit
    # of the sound errs by: of 20 in all one passes 5 deviations once in 87,000 sets.
    assert np.abs(left[at]).max() < 5 * RMS
    # Of anything else, the rounding.
    left[at] = 0
    assert np.abs(left).max() < 1e-6


@pytest.mark.parametrize("name", PULSES)
def test_clicks_on_one_sound_do_not_hide_each_other(name: str) -> None:
    # Far above the noise what each rings, told from the others, is louder than all else about.
    pulse = PULSES[name]
    quiet = with_pulse(noise(9) / 10, pulse, 0.3, 300)
    heard = quiet.copy()
    at = 300 + pulse.samples.size * np.array([0.65, 0.77, 0.87])
    at = np.append(at.astype(int), 4000)
    heard[at] += np.array([0.15, -0.15, 0.15, 0.1], dtype=np.float32)
    compress = PulseCompressor(pulse, BLOCK)
    clear, _ = cleared(pulse, heard)
    left = np.fft.irfft(clear, compress.fft_samples)[:BLOCK] - quiet
    # As above, of a tenth of that noise.
    assert np.abs(left).max() < 5 * RMS / 10


@pytest.mark.parametrize("edge_hz", [3e3, 12e3])
@pytest.mark.parametrize("name", PULSES)
def test_what_is_no_copy_of_the_pulse_is_no_click(name: str, edge_hz: float) -> None:
    # A loudspeaker that is dull above some frequency; the click tells that it is worth looking.
    compress = PulseCompressor(PULSES[name], BLOCK)
    spectrum = np.fft.rfft(PULSES[name].samples, 1024)
    dull = np.fft.irfft(spectrum / (1 + 1j * np.fft.rfftfreq(1024, 1 / RATE_HZ) / edge_hz))
    quiet = noise(8)
    quiet[300:1324] += (0.3 * dull).astype(np.float32)
    heard = quiet.copy()
    heard[4000] += np.float32(0.1)
    clear, was_any = cleared(PULSES[name], heard)
    assert was_any
    left = np.fft.irfft(clear, compress.fft_samples)[:BLOCK] - quiet
    left[4000] = 0
    assert np.abs(left).max() < 1e-6
