"""Many profiles searched at once, and many pings worked on together: as each alone, to the bit."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.profiles import EchoProfile, RunningMean, stacked
from dsp.ping.pulse.pulses import linear_chirp, tone_burst
from dsp.ping.search.search import Found, found_at, found_each

RATE_HZ, BLOCK = 48_000.0, 4800
PULSES = {
    "chirp": linear_chirp(4e3, 12e3, 0.010, RATE_HZ),
    "hard tone": tone_burst(8e3, 1e-3, RATE_HZ, taper="none"),
}


def blocks(pulse: NDArray[np.float32], *, seed: int) -> NDArray[np.float32]:
    """Blocks of none to sixty echoes, of noise alone, and of nothing at all."""
    rng = np.random.default_rng(seed)
    made = rng.standard_normal((12, BLOCK))
    for block, echoes in zip(made, (0, 1, 1, 4, 4, 5, 9, 20, 60, 60, 2, 0), strict=True):
        for _ in range(echoes):
            first = rng.integers(0, BLOCK - pulse.size)
            block[first : first + pulse.size] += rng.uniform(0.2, 40) * pulse
    made[-1] = 0
    return made.astype(np.float32)


def assert_same(one: Found, other: Found) -> None:
    assert one.peaks == other.peaks
    assert one.before == other.before
    np.testing.assert_array_equal(one.passes, other.passes)
    np.testing.assert_array_equal(one.threshold(), other.threshold())


@pytest.mark.parametrize("rates", [(1e-6, 1e-3), (0.05,)])
@pytest.mark.parametrize("name", sorted(PULSES))
def test_a_profile_among_many_is_searched_as_it_is_alone(
    name: str, rates: tuple[float, ...]
) -> None:
    # Profiles that end in other rounds, with as many echoes as others and with their own
    # number, more of them than are solved for together, in both orders.
    pulse = PULSES[name]
    compress = PulseCompressor(pulse, BLOCK, weighting="hann")
    envelopes = compress(blocks(pulse.samples, seed=3)) / np.float32(compress.peak)
    how = {"rates": rates, "stop_s": 0.08, "least_noise": 1e-4}
    start_s = np.linspace(0, 0.03, len(envelopes)).tolist()
    alone = [
        found_at(e[20:], compress.shape, ahead=e[:20], start_s=s, **how)
        for e, s in zip(envelopes, start_s, strict=True)
    ]
    assert len({len(found.peaks) for found in alone}) > 3
    for order in (slice(None), slice(None, None, -1)):
        together = found_each(
            envelopes[order, 20:],
            compress.shape,
            ahead=envelopes[order, :20],
            start_s=start_s[order],
            **how,
        )
        for one, other in zip(alone[order], together, strict=True):
            assert_same(one, other)


def test_profiles_too_short_for_a_search_have_no_echoes() -> None:
    shape = PulseCompressor(PULSES["chirp"], BLOCK).shape
    found = found_each(np.ones((3, 4), dtype=np.complex64), shape, rates=(1e-6,), start_s=[0.0] * 3)
    assert [len(f.peaks) for f in found] == [0, 0, 0]
    assert all(np.isinf(f.threshold()).all() for f in found)


def test_pings_compressed_together_are_those_compressed_alone() -> None:
    compress = PulseCompressor(PULSES["chirp"], BLOCK)
    made = blocks(PULSES["chirp"].samples, seed=5)
    zeros_s = np.linspace(0.0, 0.02, len(made))
    together = compress.from_time_zeros(compress.matched(compress.spectrum(made)), zeros_s)
    for block, zero_s, envelope in zip(made, zeros_s.tolist(), together, strict=True):
        alone = compress.from_time_zero(compress.band_spectrum(block), zero_s)
        np.testing.assert_array_equal(envelope, alone)


def test_a_time_zero_outside_the_block_is_refused_among_others() -> None:
    compress = PulseCompressor(PULSES["chirp"], BLOCK)
    band = compress.band_spectrum(blocks(PULSES["chirp"].samples, seed=5)[:2])
    with pytest.raises(ValueError, match="time_zero_s: found 9 s"):
        compress.from_time_zeros(band, np.array([0.001, 9.0]))


def test_a_running_mean_is_what_stacking_one_after_the_other_makes() -> None:
    rng = np.random.default_rng(1)

    def profile(bins: int, lead: int, pulse: int) -> EchoProfile:
        rows = rng.standard_normal((2, bins + lead)).astype(np.float32)
        whole = rows[0] + 1j * rows[1]
        return EchoProfile(
            envelope=whole[lead:], ahead=whole[:lead], bin_s=1e-4, pings=2, pulse_index=pulse
        )

    profiles = [profile(40, 5, 0), profile(39, 6, 0), profile(41, 4, 0), profile(40, 5, 1)]
    mean, by_stacking = RunningMean(profiles[0]), profiles[0]
    assert mean.profile is profiles[0]
    for each in profiles[1:]:
        mean.add(each)
        by_stacking = stacked([by_stacking, each])
        np.testing.assert_array_equal(mean.profile.envelope, by_stacking.envelope)
        np.testing.assert_array_equal(mean.profile.ahead, by_stacking.ahead)
        assert mean.profile.pings == by_stacking.pings
        assert mean.profile.pulse_index == by_stacking.pulse_index


def test_a_running_mean_refuses_another_spacing() -> None:
    one = EchoProfile(envelope=np.ones(4, dtype=np.complex64), bin_s=1e-4)
    other = EchoProfile(envelope=np.ones(4, dtype=np.complex64), bin_s=2e-4)
    with pytest.raises(ValueError, match="differ in spacing"):
        RunningMean(one).add(other)
